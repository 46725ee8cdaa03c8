// Package loopback is a web server for one person on one computer: it listens on
// 127.0.0.1, lets in only the browser that was given a secret, and ends when the
// last page is gone.
//
// Against whom: other web pages in the same browser, which can send requests to any
// local port; names that are pointed at 127.0.0.1 afterwards (DNS rebinding); and other
// programs and people on the computer that do not know the secret. A request passes in
// this order, and each step answers by itself: the Host header is this very address;
// the request is not sent by another site (net/http.CrossOriginProtection, by the Fetch
// Metadata and Origin headers); only GET, HEAD and POST; the session's cookie. Start
// with Listen.
//
// Limits: who can read this user's files or memory is not kept out.
package loopback

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// Server serves one session.
type Server struct {
	Presence *Presence

	listener net.Listener
	host     string // address and port, as the Host header must have it
	secret   string
	session  string        // the cookie's value
	stall    time.Duration // how long a body may stand still

	mu   sync.Mutex
	used bool // the secret was exchanged
}

// secretBytes is 256 bits, more than can be tried.
const secretBytes = 32

// Times after which a connection that does not go on is closed. A scan of a gigabyte
// from a slow disk takes a minute or two; a body may take as long as it moves on.
const (
	headerTime = 10 * time.Second
	idleTime   = 2 * time.Minute
	stallTime  = 30 * time.Second // of a body
	// maxHeader bounds a request's header, bytes.
	maxHeader = 64 << 10
)

// Listen takes a port of 127.0.0.1; 0 is any that is free.
//
// Errors: a port that is taken, or that the system does not give.
func Listen(port int) (*Server, error) {
	l, err := net.Listen("tcp4", fmt.Sprintf("127.0.0.1:%d", port))
	if err != nil {
		return nil, fmt.Errorf("port %d of this computer cannot be used: %w; ask for none and a free one is taken", port, err)
	}
	return &Server{Presence: newPresence(time.Now), listener: l, host: l.Addr().String(), secret: random(), session: random(), stall: stallTime}, nil
}

func random() string {
	var b [secretBytes]byte
	_, _ = rand.Read(b[:]) // never fails; it ends the program instead
	return hex.EncodeToString(b[:])
}

// Address is where the browser enters, with the secret, which works once.
func (s *Server) Address() string { return "http://" + s.host + entrance + s.secret }

// entrance is the path in front of the secret.
const entrance = "/enter/"

// cookie is the session's name; it has the port, as cookies do not tell ports apart.
func (s *Server) cookie() string {
	_, port, _ := net.SplitHostPort(s.host)
	return "plumbline-" + port
}

// Serve answers requests with the handler until the context ends, the last page is gone,
// or Presence.End is called. Open answers get a second to come to their end.
func (s *Server) Serve(ctx context.Context, h http.Handler) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	server := &http.Server{
		Handler:           s.gate(h),
		ReadHeaderTimeout: headerTime, IdleTimeout: idleTime, MaxHeaderBytes: maxHeader,
		BaseContext: func(net.Listener) context.Context { return ctx },
	}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(s.listener) }()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
	case <-s.Presence.Gone():
	}
	cancel() // streams of events end with it
	last, done := context.WithTimeout(context.Background(), time.Second)
	defer done()
	if err := server.Shutdown(last); err != nil {
		_ = server.Close()
	}
	if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// gate lets a request through to the handler, or answers it.
func (s *Server) gate(h http.Handler) http.Handler {
	sameOrigin := http.NewCrossOriginProtection()
	sameOrigin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		refuse(w, http.StatusForbidden, "This request came from another page.")
	}))
	inner := sameOrigin.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case r.Method != http.MethodGet && r.Method != http.MethodHead && r.Method != http.MethodPost:
			w.Header().Set("Allow", "GET, HEAD, POST")
			refuse(w, http.StatusMethodNotAllowed, "Only GET, HEAD and POST are answered.")
		case strings.HasPrefix(r.URL.Path, entrance):
			s.enter(w, r)
		case !s.known(r):
			refuse(w, http.StatusForbidden, "This page belongs to the browser that plumbline opened. Open the address that plumbline printed, or start it again.")
		default:
			h.ServeHTTP(w, s.moving(w, r))
		}
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		protect(w.Header())
		if r.Host != s.host {
			refuse(w, http.StatusForbidden, "This page answers at "+s.host+" only.")
			return
		}
		inner.ServeHTTP(w, r)
	})
}

// protect sets what the browser keeps to for every answer.
func protect(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'self'; img-src 'self' data:; style-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cache-Control", "no-store")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
}

func refuse(w http.ResponseWriter, status int, why string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	fmt.Fprintln(w, why)
}

// enter exchanges the secret for the session's cookie, once. The answer is a page and no
// redirection, so that the way on begins on this site and a SameSite cookie goes with it.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	if s.known(r) {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	given := strings.TrimPrefix(r.URL.Path, entrance)
	s.mu.Lock()
	ok := r.Method == http.MethodGet && !s.used && same(given, s.secret)
	s.used = s.used || ok
	s.mu.Unlock()
	if !ok {
		refuse(w, http.StatusForbidden, "This address was used already or is mistyped. Start plumbline again.")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: s.cookie(), Value: s.session, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	fmt.Fprint(w, `<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="0;url=/"><title>plumbline</title><p><a href="/">Go on</a></p></html>`)
}

// known reports whether a request carries the session's cookie.
func (s *Server) known(r *http.Request) bool {
	for _, c := range r.CookiesNamed(s.cookie()) {
		if same(c.Value, s.session) {
			return true
		}
	}
	return false
}

func same(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// moving gives a request a body that may not stand still: its deadline is set anew
// before every read.
func (s *Server) moving(w http.ResponseWriter, r *http.Request) *http.Request {
	if r.Body == nil || r.Body == http.NoBody {
		return r
	}
	r = r.Clone(r.Context())
	r.Body = &movingBody{ReadCloser: r.Body, control: http.NewResponseController(w), stall: s.stall}
	return r
}
