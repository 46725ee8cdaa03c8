// Package codestream has what the decoders of compressed frames share: their one
// error type, the walk over marker segments, and the reading of entropy-coded
// bits.
//
// A codec is a package with a function Decode that fills the samples of one frame
// and fails with *Error. Start with Reader for one of the JPEG family.
//
// Source: ITU-T T.81 (1992) | ISO/IEC 10918-1 for markers and segments, which
// T.87 (JPEG-LS) and T.800 (JPEG 2000) share.
package codestream

import "fmt"

// Error says why a stream was not decoded.
type Error struct {
	Stream  string // what is decoded, such as "JPEG stream"
	Segment string // the part of it that the fault was met in, as its standard names it
	Offset  int    // bytes from the start of the stream
	Reason  string
	// Unsupported means that the stream may well be valid but is of a kind that
	// the decoder does not read. Otherwise it breaks the rules of its standard, is
	// cut short, or is not of the size that was asked for.
	Unsupported bool
}

func (e *Error) Error() string {
	return fmt.Sprintf("%s: %s at byte %d: %s", e.Stream, e.Segment, e.Offset, e.Reason)
}

// maxSide is the most rows or columns that the headers of all codecs can state.
const maxSide = 65535

// CheckSize refuses a destination that cannot hold a frame.
func CheckSize(stream string, samples, columns, rows int) error {
	if columns < 1 || rows < 1 || columns > maxSide || rows > maxSide || samples != columns*rows {
		return fmt.Errorf("%s: %d samples cannot hold %d columns by %d rows", stream, samples, columns, rows)
	}
	return nil
}
