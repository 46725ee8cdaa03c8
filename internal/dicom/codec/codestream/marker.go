package codestream

import (
	"encoding/binary"
	"fmt"
)

// Markers of JPEG (T.81 table B.1) and of JPEG-LS (T.87 C.1.1).
const (
	TEM   = 0x01 // arithmetic coding, private
	SOF0  = 0xC0 // start of frame: baseline DCT
	SOF1  = 0xC1 // extended sequential DCT
	SOF2  = 0xC2 // progressive DCT
	SOF3  = 0xC3 // lossless
	DHT   = 0xC4 // Huffman tables
	JPG   = 0xC8
	DAC   = 0xCC // arithmetic coding conditions
	SOF15 = 0xCF
	RST0  = 0xD0 // restart
	RST7  = 0xD7
	SOI   = 0xD8 // start of image
	EOI   = 0xD9 // end of image
	SOS   = 0xDA // start of scan
	DQT   = 0xDB // quantization tables
	DNL   = 0xDC // number of lines
	DRI   = 0xDD // restart interval
	DHP   = 0xDE // hierarchical
	EXP   = 0xDF
	APP0  = 0xE0 // application
	APP15 = 0xEF
	SOF55 = 0xF7 // JPEG-LS
	LSE   = 0xF8 // JPEG-LS parameters
	COM   = 0xFE // comment
)

var markerNames = map[byte]string{
	TEM: "TEM", DHT: "DHT", JPG: "JPG", DAC: "DAC", SOI: "SOI", EOI: "EOI", SOS: "SOS", DQT: "DQT", DNL: "DNL",
	DRI: "DRI", DHP: "DHP", EXP: "EXP", SOF55: "SOF55", LSE: "LSE", COM: "COM",
}

// MarkerName is a marker's name in T.81 and T.87.
func MarkerName(m byte) string {
	name, named := markerNames[m]
	switch {
	case named:
		return name
	case m >= SOF0 && m <= SOF15:
		return fmt.Sprintf("SOF%d", m-SOF0)
	case IsRestart(m):
		return fmt.Sprintf("RST%d", m-RST0)
	case IsApplication(m):
		return fmt.Sprintf("APP%d", m-APP0)
	}
	return UnnamedMarker(m)
}

// UnnamedMarker stands for the name of a marker that the standard does not name.
func UnnamedMarker(m byte) string { return fmt.Sprintf("marker FF%02X", m) }

// IsRestart reports whether a marker is one of RST0 to RST7.
func IsRestart(m byte) bool { return m >= RST0 && m <= RST7 }

// IsApplication reports whether a marker is one of APP0 to APP15.
func IsApplication(m byte) bool { return m >= APP0 && m <= APP15 }

// Reader walks over the marker segments of a stream.
type Reader struct {
	Stream string            // what is decoded, for errors
	Name   func(byte) string // a marker's name, for errors
	Data   []byte
	Pos    int // of the next byte

	Marker byte // of the segment being read
	Start  int  // where that marker is
}

// Errorf is the error for a damaged stream, met in the segment being read.
func (r *Reader) Errorf(format string, args ...any) error {
	return &Error{Stream: r.Stream, Segment: r.Name(r.Marker), Offset: r.Start, Reason: fmt.Sprintf(format, args...)}
}

// Unsupportedf is the error for a stream of a kind that is not read.
func (r *Reader) Unsupportedf(format string, args ...any) error {
	return &Error{Stream: r.Stream, Segment: r.Name(r.Marker), Offset: r.Start, Reason: fmt.Sprintf(format, args...), Unsupported: true}
}

// Begin moves past the marker that a stream starts with.
func (r *Reader) Begin(marker byte) error {
	r.Marker, r.Start = marker, r.Pos
	if rest := r.Data[r.Pos:]; len(rest) < 2 || rest[0] != 0xFF || rest[1] != marker {
		return r.Errorf("the data do not start with FF%02X", marker)
	}
	r.Pos += 2
	return nil
}

// Next moves past the next marker, which must follow at once.
func (r *Reader) Next() error {
	at := r.Pos
	switch {
	case at < len(r.Data) && r.Data[at] != 0xFF:
		return r.Errorf("byte %d behind it is %02X, a marker expected", at, r.Data[at])
	case at+1 >= len(r.Data):
		return r.Errorf("the data end at byte %d, behind it; a marker expected", len(r.Data))
	}
	r.Marker, r.Start, r.Pos = r.Data[at+1], at, at+2
	return nil
}

// NextFilled is Next where any number of FF bytes may precede the marker (T.81
// B.1.1.2).
func (r *Reader) NextFilled() error {
	if r.Pos < len(r.Data) && r.Data[r.Pos] == 0xFF {
		for r.Pos+1 < len(r.Data) && r.Data[r.Pos+1] == 0xFF {
			r.Pos++
		}
	}
	if err := r.Next(); err != nil {
		return err
	}
	if r.Marker == 0 {
		return r.Errorf("no marker has this code")
	}
	return nil
}

// Segment reads the parameters that follow a marker (T.81 B.1.1.4).
func (r *Reader) Segment() ([]byte, error) {
	if len(r.Data)-r.Pos < 2 {
		return nil, r.Errorf("the data end at byte %d, before its length", len(r.Data))
	}
	n := Uint16(r.Data[r.Pos:])
	if n < 2 || n > len(r.Data)-r.Pos {
		return nil, r.Errorf("length %d, with %d bytes left", n, len(r.Data)-r.Pos)
	}
	s := r.Data[r.Pos+2 : r.Pos+n]
	r.Pos += n
	return s, nil
}

// Uint16 is the number in the first two bytes, the high one first.
func Uint16(b []byte) int { return int(binary.BigEndian.Uint16(b)) }

// Frame is a frame header (T.81 B.2.2) of one component.
type Frame struct {
	Precision     int // bits a sample
	Rows, Columns int
	Component     byte // its identifier
	Quantizer     byte // its quantization table
}

// ReadFrame reads a frame header from its segment.
func (r *Reader) ReadFrame(s []byte) (Frame, error) {
	if len(s) < 6 {
		return Frame{}, r.Errorf("%d bytes, 6 expected at least", len(s))
	}
	switch components := int(s[5]); {
	case len(s) != 6+3*components:
		return Frame{}, r.Errorf("%d bytes, %d expected for %d components", len(s), 6+3*components, components)
	case components != 1:
		return Frame{}, r.Unsupportedf("%d components: only grey images can be read", components)
	}
	return Frame{Precision: int(s[0]), Rows: Uint16(s[1:]), Columns: Uint16(s[3:]), Component: s[6], Quantizer: s[8]}, nil
}

// CheckScan refuses a scan header (T.81 B.2.3) that is not of the one component.
func (r *Reader) CheckScan(s []byte, component byte) error {
	if len(s) < 1 || len(s) != 4+2*int(s[0]) {
		return r.Errorf("%d bytes do not make a scan header", len(s))
	}
	if s[0] != 1 || s[1] != component {
		return r.Errorf("the scan does not hold the one component %d", component)
	}
	return nil
}

// FindRestart finds the restart marker that is due at a byte after n earlier ones
// (T.81 E.2.4), and gives the byte behind it.
func (r *Reader) FindRestart(at, n int) (behind int, err error) {
	want := byte(RST0 + n%8)
	behind = at
	for behind < len(r.Data) && r.Data[behind] == 0xFF {
		behind++
	}
	if behind == at || behind >= len(r.Data) || r.Data[behind] != want {
		return 0, r.Errorf("no %s at byte %d, where it is due", r.Name(want), at)
	}
	return behind + 1, nil
}

// AtEnd reports whether the data stop here, before any marker. The end marker of
// an image may be missing then.
func (r *Reader) AtEnd() bool {
	rest := r.Data[r.Pos:]
	return len(rest) == 0 || len(rest) == 1 && rest[0] == 0xFF
}

// CheckEnd refuses another marker than that of the end of the image.
func (r *Reader) CheckEnd() error {
	if r.Marker != EOI {
		return r.Errorf("behind the last sample, where the end of the image is expected")
	}
	return nil
}
