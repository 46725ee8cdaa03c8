package page

import (
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWordsAreOneClickAway(t *testing.T) {
	v := begun(t)
	_, body := v.get("/")
	assert.Contains(t, body, `href="/words"`)
	status, body := v.get("/words")
	assert.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, "<h1>Words</h1>")
	assert.Contains(t, body, "measurement floor")
	assert.Equal(t, 1, strings.Count(body, "<h1>"))
}

// The demo is made once at a time, says what went wrong, and can be asked for again.
func TestTheDemoIsOffered(t *testing.T) {
	v := begun(t)
	_, body := v.get("/")
	assert.NotContains(t, body, "invented cases")
	status, _ := v.get("/demo")
	assert.Equal(t, http.StatusNotFound, status)

	calls, started := make(chan error), make(chan struct{})
	v.page.demo.make = func() (string, error) {
		close(started)
		return "http://127.0.0.1:1/enter/x", <-calls
	}
	_, body = v.get("/")
	assert.Contains(t, body, `href="/demo"`)
	body = v.done("/demo")
	assert.Contains(t, body, "being made")
	<-started
	assert.Contains(t, v.done("/demo"), "being made", "it is made once")
	said := func(err error, want string) {
		calls <- err
		require.Eventually(t, func() bool {
			_, body := v.get("/demo")
			return strings.Contains(body, want)
		}, time.Minute, 10*time.Millisecond)
	}
	said(errors.New("the disk is full"), "The disk is full.")
	started = make(chan struct{})
	v.done("/demo")
	said(nil, `href="http://127.0.0.1:1/enter/x"`)
}
