// Package rle decodes one frame of DICOM RLE Lossless pixel data.
//
// A frame is a header of 16 little-endian numbers and up to 15 segments, each
// the PackBits code of one byte plane; the most significant plane comes first.
// Samples come back as the unsigned words that were stored: masking to the bits
// that are in use and the sign are the caller's. Start with Decode.
//
// Limits: one sample a pixel, of 8 or 16 bits. Colour and 32-bit frames are
// refused.
//
// Source: DICOM PS3.5 Annex G (2024b).
package rle

import (
	"encoding/binary"
	"fmt"

	"plumbline/internal/dicom/codec/codestream"
)

const (
	headerLen   = 64 // PS3.5 G.5: 16 numbers of 4 bytes
	maxSegments = 15 // PS3.5 G.5
)

// stream is what errors call the data.
const stream = "RLE frame"

// errorf is the error for a damaged frame, met in a segment, 1-based, or in the
// header, 0.
func errorf(segment, offset int, format string, args ...any) error {
	return &codestream.Error{Stream: stream, Segment: place(segment), Offset: offset, Reason: fmt.Sprintf(format, args...)}
}

// unsupportedf is the error for a frame whose header is of a kind that is not read.
func unsupportedf(format string, args ...any) error {
	return &codestream.Error{Stream: stream, Segment: place(0), Reason: fmt.Sprintf(format, args...), Unsupported: true}
}

func place(segment int) string {
	if segment == 0 {
		return "header"
	}
	return fmt.Sprintf("segment %d", segment)
}

// Decode decodes one frame into dst, row by row from the top left.
//
// In: dst has columns × rows samples, and nothing more is ever allocated or
// written; data is the whole frame, its fragments joined, with or without
// padding at the end; bitsAllocated is 8 or 16 and says how many segments there
// must be.
// Out: raw unsigned samples; the precision in bits, which is bitsAllocated;
// lossy is always false and there for callers that hold several decoders.
// Errors: *codestream.Error, or a plain error for arguments that do not fit
// together. After an error the content of dst means nothing.
//
// A segment may decode to one byte more than a plane has, as encoders that make
// odd planes even produce, and may be followed by zero bytes; a segment that
// holds more than that is an error, because the frame is then not of the size
// that the caller believes.
func Decode(dst []uint16, data []byte, columns, rows, bitsAllocated int) (precision int, lossy bool, err error) {
	if err := codestream.CheckSize(stream, len(dst), columns, rows); err != nil {
		return 0, false, err
	}
	if bitsAllocated != 8 && bitsAllocated != 16 {
		return 0, false, unsupportedf("%d bits allocated; 8 and 16 can be read", bitsAllocated)
	}
	bounds, err := segments(data, bitsAllocated/8)
	if err != nil {
		return 0, false, err
	}
	clear(dst)
	for i := range len(bounds) - 1 {
		shift := 8 * (len(bounds) - 2 - i)
		p := plane{data: data[:bounds[i+1]], pos: bounds[i], segment: i + 1}
		if err := p.decode(dst, shift); err != nil {
			return 0, false, err
		}
	}
	return bitsAllocated, false, nil
}

// segments checks the header and gives where each segment starts, and last
// where the last one ends.
func segments(data []byte, want int) ([]int, error) {
	if len(data) < headerLen {
		return nil, errorf(0, len(data), "the frame has %d bytes, its header alone takes %d", len(data), headerLen)
	}
	n := binary.LittleEndian.Uint32(data)
	switch {
	case n < 1 || n > maxSegments:
		return nil, errorf(0, 0, "%d segments, 1 to %d expected", n, maxSegments)
	case n == 3 || n > 4:
		return nil, unsupportedf("%d segments: only frames with one sample a pixel can be read", n)
	case int(n) != want:
		return nil, errorf(0, 0, "%d segments, %d expected for %d bits allocated", n, want, 8*want)
	}
	bounds := make([]int, want+1)
	least := uint32(headerLen)
	for i := range want {
		at := 4 * (i + 1)
		offset := binary.LittleEndian.Uint32(data[at:])
		if offset < least || uint64(offset) > uint64(len(data)) {
			return nil, errorf(0, at, "segment %d starts at byte %d, %d to %d expected", i+1, offset, least, len(data))
		}
		bounds[i], least = int(offset), offset
	}
	bounds[want] = len(data)
	return bounds, nil
}

// plane reads one segment.
type plane struct {
	data    []byte // the frame up to the end of the segment
	pos     int
	segment int
}

func (p *plane) errorf(format string, args ...any) error {
	return errorf(p.segment, p.pos, format, args...)
}

// decode adds the segment's bytes, shifted, to the samples of dst.
//
// The code is PackBits (PS3.5 G.3.2): a control byte c of 0 to 127 is followed
// by c+1 literal bytes, one of 129 to 255 by a byte to repeat 257-c times, and
// 128 stands for nothing.
func (p *plane) decode(dst []uint16, shift int) error {
	excess := 0
	for i := 0; i < len(dst); {
		if p.pos >= len(p.data) {
			return p.errorf("the segment ends after %d of %d bytes", i, len(dst))
		}
		control := int(p.data[p.pos])
		switch {
		case control < 128:
			from, n := p.pos+1, control+1
			if from+n > len(p.data) {
				return p.errorf("%d literal bytes announced, %d left", n, len(p.data)-from)
			}
			take := min(n, len(dst)-i)
			out := dst[i : i+take]
			for j, b := range p.data[from : from+take] {
				out[j] |= uint16(b) << shift
			}
			excess = n - take
			i += take
			p.pos = from + n
		case control > 128:
			if p.pos+1 >= len(p.data) {
				return p.errorf("the byte to repeat is missing")
			}
			n := 257 - control
			take := min(n, len(dst)-i)
			value := uint16(p.data[p.pos+1]) << shift
			out := dst[i : i+take]
			for j := range out {
				out[j] |= value
			}
			excess = n - take
			i += take
			p.pos += 2
		default:
			p.pos++
		}
	}
	return p.finish(excess, len(dst))
}

// finish checks what follows the last byte of a full plane: at most one decoded
// byte too many, then padding.
func (p *plane) finish(excess, size int) error {
	rest := p.data[p.pos:]
	if excess == 0 && len(rest) >= 2 && rest[0] == 0 && rest[1] != 0 {
		excess, rest = 1, rest[2:] // one literal byte
	}
	if excess > 1 {
		return p.errorf("the segment holds more than %d bytes: the frame is larger than expected", size)
	}
	for _, b := range rest {
		if b != 0 && b != 128 {
			return p.errorf("%d bytes follow a plane that is full at %d bytes: the frame is larger than expected", len(rest), size)
		}
	}
	return nil
}
