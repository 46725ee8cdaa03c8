package loopback

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// begun starts a server whose handler answers "in" and reads bodies of up to 1 MB.
func begun(t *testing.T) *Server {
	t.Helper()
	s, err := Listen(0)
	require.NoError(t, err)
	s.stall = 100 * time.Millisecond
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- s.Serve(ctx, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if r.Method == http.MethodPost {
				if _, err := io.Copy(io.Discard, http.MaxBytesReader(w, r.Body, 1<<20)); err != nil {
					http.Error(w, err.Error(), http.StatusRequestEntityTooLarge)
					return
				}
			}
			fmt.Fprint(w, "in")
		}))
	}()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	return s
}

// browser is a client with cookies that entered by the address.
func browser(t *testing.T, s *Server) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	require.NoError(t, err)
	c := &http.Client{Jar: jar}
	res, err := c.Get(s.Address())
	require.NoError(t, err)
	defer res.Body.Close()
	require.Equal(t, http.StatusOK, res.StatusCode)
	return c
}

func status(t *testing.T, c *http.Client, r *http.Request) (int, string) {
	t.Helper()
	res, err := c.Do(r)
	require.NoError(t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	return res.StatusCode, string(body)
}

func request(t *testing.T, s *Server, method, path string, change func(r *http.Request)) *http.Request {
	t.Helper()
	r, err := http.NewRequest(method, "http://"+s.host+path, nil)
	require.NoError(t, err)
	if change != nil {
		change(r)
	}
	return r
}

// The headers are those that browsers send: Fetch Metadata Request Headers (W3C), the
// Origin header (RFC 6454), the Host header (RFC 9110 7.2).
func TestAttacksDoNotPassTheGate(t *testing.T) {
	s := begun(t)
	c := browser(t, s)
	_, port, err := net.SplitHostPort(s.host)
	require.NoError(t, err)
	header := func(name, value string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(name, value) }
	}
	host := func(h string) func(*http.Request) { return func(r *http.Request) { r.Host = h } }
	for _, attack := range []struct {
		name, method string
		change       func(*http.Request)
		want         int
	}{
		{"none: a page of our own", "GET", nil, 200},
		{"none: a form of our own", "POST", header("Sec-Fetch-Site", "same-origin"), 200},
		{"none: an older browser's form", "POST", header("Origin", "http://"+s.host), 200},
		{"rebinding: another name for this address, reading", "GET", host("evil.example:" + port), 403},
		{"rebinding: writing", "POST", func(r *http.Request) {
			r.Host = "evil.example:" + port
			r.Header.Set("Origin", "http://evil.example:"+port)
			r.Header.Set("Sec-Fetch-Site", "same-origin")
		}, 403},
		{"the name localhost", "GET", host("localhost:" + port), 403},
		{"a name that ends in localhost", "GET", host("a.localhost:" + port), 403},
		{"the address without its port", "GET", host("127.0.0.1"), 403},
		{"another loopback address", "GET", host("127.0.0.2:" + port), 403},
		{"another port", "GET", host("127.0.0.1:1"), 403},
		{"a form on another site", "POST", header("Sec-Fetch-Site", "cross-site"), 403},
		{"a form on another port of this computer", "POST", header("Sec-Fetch-Site", "same-site"), 403},
		{"another origin, older browser", "POST", header("Origin", "http://127.0.0.1:1"), 403},
		{"a sandboxed page", "POST", header("Origin", "null"), 403},
		{"another method", "PUT", header("Sec-Fetch-Site", "same-origin"), 405},
		{"another method", "DELETE", header("Sec-Fetch-Site", "same-origin"), 405},
		{"asking what is allowed to others", "OPTIONS", nil, 405},
	} {
		got, body := status(t, c, request(t, s, attack.method, "/x", attack.change))
		assert.Equal(t, attack.want, got, "%s: %s", attack.name, body)
		assert.Equal(t, attack.want == 200, body == "in", attack.name)
	}
}

func TestOnlyTheBrowserWithTheSecretGetsIn(t *testing.T) {
	s := begun(t)
	stranger := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	_, port, _ := net.SplitHostPort(s.host)
	for name, r := range map[string]*http.Request{
		"no secret":            request(t, s, "GET", "/", nil),
		"a picture":            request(t, s, "GET", "/case/C-1/cut", nil),
		"a wrong secret":       request(t, s, "GET", entrance+strings.Repeat("0", 64), nil),
		"no secret at all":     request(t, s, "GET", entrance, nil),
		"part of the secret":   request(t, s, "GET", entrance+s.secret[:63], nil),
		"secret as a question": request(t, s, "GET", "/?secret="+s.secret, nil),
		"the secret by HEAD":   request(t, s, "HEAD", entrance+s.secret, nil),
		"a wrong cookie": request(t, s, "GET", "/", func(r *http.Request) {
			r.AddCookie(&http.Cookie{Name: "plumbline-" + port, Value: strings.Repeat("0", 64)})
		}),
		"the secret as cookie": request(t, s, "GET", "/", func(r *http.Request) {
			r.AddCookie(&http.Cookie{Name: "plumbline-" + port, Value: s.secret})
		}),
	} {
		got, _ := status(t, stranger, r)
		assert.Equal(t, 403, got, name)
	}

	first := browser(t, s)
	got, _ := status(t, first, request(t, s, "GET", "/", nil))
	assert.Equal(t, 200, got)
	got, _ = status(t, stranger, request(t, s, "GET", entrance+s.secret, nil))
	assert.Equal(t, 403, got, "the secret works once")
	got, body := status(t, first, request(t, s, "GET", entrance+s.secret, nil))
	assert.Equal(t, []any{200, "in"}, []any{got, body}, "the browser that is in may come by the address again")
	assert.Len(t, s.secret, 2*secretBytes)
	assert.NotEqual(t, s.secret, s.session)
}

func TestEveryAnswerTellsTheBrowserToKeepItToItself(t *testing.T) {
	s := begun(t)
	res, err := http.Get("http://" + s.host + "/")
	require.NoError(t, err)
	res.Body.Close()
	h := res.Header
	csp := h.Get("Content-Security-Policy")
	assert.Contains(t, csp, "default-src 'self'")
	assert.Contains(t, csp, "frame-ancestors 'none'")
	assert.NotContains(t, csp, "unsafe")
	assert.Equal(t, "DENY", h.Get("X-Frame-Options"))
	assert.Equal(t, "same-origin", h.Get("Cross-Origin-Resource-Policy"))
	assert.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
	assert.Equal(t, "no-referrer", h.Get("Referrer-Policy"))
	assert.Equal(t, "no-store", h.Get("Cache-Control"))
	for name := range h {
		assert.False(t, strings.HasPrefix(name, "Access-Control-"), name)
	}

	res, err = http.Get(s.Address())
	require.NoError(t, err)
	res.Body.Close()
	require.Len(t, res.Cookies(), 1)
	cookie := res.Cookies()[0]
	assert.True(t, cookie.HttpOnly)
	assert.Equal(t, http.SameSiteStrictMode, cookie.SameSite)
	assert.Zero(t, cookie.MaxAge, "it ends with the browser's session")
}

func TestItListensToThisComputerOnly(t *testing.T) {
	s := begun(t)
	host, _, err := net.SplitHostPort(s.listener.Addr().String())
	require.NoError(t, err)
	assert.Equal(t, "127.0.0.1", host)
	_, err = Listen(s.listener.Addr().(*net.TCPAddr).Port)
	assert.ErrorContains(t, err, "cannot be used")
}

func TestABodyThatStandsStillOrIsTooLargeIsCutOff(t *testing.T) {
	s := begun(t)
	browser(t, s)
	send := func(length int64, body string) string {
		c, err := net.Dial("tcp", s.host)
		require.NoError(t, err)
		defer c.Close()
		_, port, _ := net.SplitHostPort(s.host)
		fmt.Fprintf(c, "POST /x HTTP/1.1\r\nHost: %s\r\nCookie: plumbline-%s=%s\r\nContent-Length: %d\r\n\r\n%s", s.host, port, s.session, length, body)
		require.NoError(t, c.SetReadDeadline(time.Now().Add(10*time.Second)))
		line, _ := bufio.NewReader(c).ReadString('\n')
		return line
	}
	assert.Contains(t, send(3, "abc"), "200", "the control: a body that is whole")
	began := time.Now()
	assert.Contains(t, send(1000, "abc"), "413", "a body that does not go on")
	assert.Less(t, time.Since(began), 5*time.Second)
	assert.Contains(t, send(10<<30, strings.Repeat("x", 2<<20)), "413", "ten gigabytes")
}

func TestItEndsWhenTheLastPageIsGone(t *testing.T) {
	now := time.Date(2026, 3, 14, 9, 0, 0, 0, time.UTC)
	p := newPresence(func() time.Time { return now })
	pass := func(d time.Duration) bool { now = now.Add(d); return p.deserted() }

	assert.False(t, pass(4*time.Minute), "the first page may take its time")
	p.Here("a")
	p.Here("b")
	p.Left("a")
	assert.False(t, pass(2*time.Minute), "one is open")
	p.Left("b")
	assert.False(t, pass(59*time.Second))
	p.Here("c") // the next page of the same window
	p.Left("c")
	done := p.Working()
	assert.False(t, pass(10*time.Minute), "a measurement goes on")
	done()
	assert.False(t, pass(59*time.Second))
	assert.True(t, pass(time.Second))

	p.Here("d")
	assert.False(t, pass(3*time.Minute+time.Second), "a page that says nothing counts as gone from now on")
	assert.True(t, pass(time.Minute))
	p.Unscripted()
	assert.False(t, pass(29*time.Minute), "a page without scripts")
	pass(2 * time.Minute)
	assert.True(t, pass(2*time.Minute))

	q := newPresence(func() time.Time { return now })
	assert.False(t, q.deserted())
	now = now.Add(5 * time.Minute)
	assert.True(t, q.deserted(), "no page ever came")
}

func TestAButtonEndsIt(t *testing.T) {
	s, err := Listen(0)
	require.NoError(t, err)
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(context.Background(), http.NotFoundHandler()) }()
	s.Presence.End()
	s.Presence.End()
	select {
	case err := <-ended:
		require.NoError(t, err)
	case <-time.After(10 * time.Second):
		t.Fatal("it did not end")
	}
}
