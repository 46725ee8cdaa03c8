package loopback

import (
	"io"
	"net/http"
	"time"
)

// movingBody is a request's body of which every read ends within a time.
type movingBody struct {
	io.ReadCloser
	control *http.ResponseController
	stall   time.Duration
}

func (b *movingBody) Read(p []byte) (int, error) {
	// A connection without deadlines, as in tests of a handler alone, is read as it is.
	_ = b.control.SetReadDeadline(time.Now().Add(b.stall))
	n, err := b.ReadCloser.Read(p)
	if err == io.EOF { // else what is left is not waited for either
		_ = b.control.SetReadDeadline(time.Time{})
	}
	return n, err
}
