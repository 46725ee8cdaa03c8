// Package jpeg decodes one frame of grey JPEG as DICOM encapsulates it:
// lossless Huffman (process 14, every selection value and point transform, 2 to
// 16 bits) and sequential DCT (baseline 8 bits, extended 8 and 12 bits).
//
// Samples come back as the unsigned words the stream holds, together with its
// precision; masking to the bits in use, and the sign, are the caller's. Start
// with Decode.
//
// Limits: one component. Colour, progressive, hierarchical and
// arithmetic-coded streams are refused by name, as is a frame that leaves its
// height to a later marker.
//
// Source: ITU-T T.81 (1992) | ISO/IEC 10918-1; section numbers in this package
// are those of T.81.
package jpeg

import "fmt"

// Markers, T.81 table B.1.
const (
	markerSOF0  = 0xC0 // baseline DCT
	markerSOF1  = 0xC1 // extended sequential DCT
	markerSOF2  = 0xC2 // progressive DCT
	markerSOF3  = 0xC3 // lossless
	markerDHT   = 0xC4
	markerSOF15 = 0xCF
	markerDAC   = 0xCC
	markerJPG   = 0xC8
	markerRST0  = 0xD0
	markerRST7  = 0xD7
	markerSOI   = 0xD8
	markerEOI   = 0xD9
	markerSOS   = 0xDA
	markerDQT   = 0xDB
	markerDNL   = 0xDC
	markerDRI   = 0xDD
	markerDHP   = 0xDE
	markerEXP   = 0xDF
	markerAPP0  = 0xE0
	markerAPP15 = 0xEF
	markerLS    = 0xF7 // ITU-T T.87 start of frame
	markerCOM   = 0xFE
	markerTEM   = 0x01
)

var markerNames = map[byte]string{
	markerDHT: "DHT", markerDAC: "DAC", markerJPG: "JPG", markerSOI: "SOI", markerEOI: "EOI",
	markerSOS: "SOS", markerDQT: "DQT", markerDNL: "DNL", markerDRI: "DRI", markerDHP: "DHP",
	markerEXP: "EXP", markerLS: "SOF55", markerCOM: "COM", markerTEM: "TEM",
}

func markerName(m byte) string {
	name, named := markerNames[m]
	switch {
	case named:
		return name
	case m >= markerSOF0 && m <= markerSOF15:
		return fmt.Sprintf("SOF%d", m-markerSOF0)
	case m >= markerRST0 && m <= markerRST7:
		return fmt.Sprintf("RST%d", m-markerRST0)
	case m >= markerAPP0 && m <= markerAPP15:
		return fmt.Sprintf("APP%d", m-markerAPP0)
	}
	return fmt.Sprintf("marker FF%02X", m)
}

// FormatError says that the stream breaks the rules of the standard, is cut
// short, or is not of the size that was asked for.
type FormatError struct {
	Marker string // the segment it was met in, as T.81 names it
	Offset int    // bytes from the start of the stream
	Reason string
}

func (e *FormatError) Error() string {
	return fmt.Sprintf("JPEG stream: %s at byte %d: %s", e.Marker, e.Offset, e.Reason)
}

// UnsupportedError says that the stream may well be valid but is of a kind that
// this package does not read.
type UnsupportedError struct {
	Marker string // the segment that says so, as T.81 names it
	Offset int    // bytes from the start of the stream
	Reason string
}

func (e *UnsupportedError) Error() string {
	return fmt.Sprintf("JPEG stream: %s at byte %d: %s", e.Marker, e.Offset, e.Reason)
}

// Unsupported is true: a caller that holds several decoders asks errors.As for
// an interface with this method.
func (e *UnsupportedError) Unsupported() bool { return true }

// Decode decodes one frame into dst, row by row from the top left.
//
// In: dst has columns × rows samples, and no image memory is taken beyond it;
// data is the whole stream, its fragments joined, with or without padding
// behind the end-of-image marker; bitsAllocated is the most that a sample may
// have.
// Out: raw unsigned samples, after the point transform if there is one; the
// stream's precision in bits, which no sample exceeds; and whether grey values
// were given up: all but lossless images without a point transform are lossy.
// Errors: *FormatError, *UnsupportedError, or a plain error for arguments that
// do not fit together. After an error the content of dst means nothing.
//
// The stream must hold every sample and nothing after the last but the end of
// the image; only the end marker itself may be missing, when the data stop there.
func Decode(dst []uint16, data []byte, columns, rows, bitsAllocated int) (precision int, lossy bool, err error) {
	if columns < 1 || rows < 1 || columns > 65535 || rows > 65535 || len(dst) != columns*rows {
		return 0, false, fmt.Errorf("JPEG stream: %d samples cannot hold %d columns by %d rows", len(dst), columns, rows)
	}
	d := decoder{data: data, dst: dst, columns: columns, rows: rows, bits: bitsAllocated}
	if err := d.decode(); err != nil {
		return 0, false, err
	}
	return d.precision, d.lossy, nil
}

// decoder reads the marker segments up to the one scan and then the scan.
type decoder struct {
	data []byte
	pos  int

	dst           []uint16
	columns, rows int
	bits          int // the most bits a sample may have

	marker byte // the segment being read, for errors
	start  int  // where its marker is

	frame           byte // the frame's SOF marker; 0 before it was met
	precision       int
	lossy           bool
	component       byte // identifier of the one component
	quantizer       byte // its table
	restartInterval int  // MCUs; 0 for none
	quant           [4]*[64]int
	huffman         [2][4]*huffman // by class (0 DC and lossless, 1 AC) and destination
}

func (d *decoder) formatf(format string, args ...any) error {
	return &FormatError{Marker: markerName(d.marker), Offset: d.start, Reason: fmt.Sprintf(format, args...)}
}

func (d *decoder) unsupportedf(format string, args ...any) error {
	return &UnsupportedError{Marker: markerName(d.marker), Offset: d.start, Reason: fmt.Sprintf(format, args...)}
}

func (d *decoder) decode() error {
	d.marker = markerSOI
	if len(d.data) < 2 || d.data[0] != 0xFF || d.data[1] != markerSOI {
		return d.formatf("the data do not start with FFD8")
	}
	d.pos = 2
	for {
		if err := d.nextMarker(); err != nil {
			return err
		}
		switch m := d.marker; {
		case m == markerTEM:
			continue
		case m == markerEOI:
			return d.formatf("the image ends before its scan")
		case m == markerSOI, m >= markerRST0 && m <= markerRST7:
			return d.formatf("unexpected here")
		case m == markerLS:
			return d.unsupportedf("this is a JPEG-LS stream")
		case m == markerDHP || m == markerEXP:
			return d.unsupportedf("hierarchical JPEG cannot be read")
		}
		segment, err := d.segment()
		if err != nil {
			return err
		}
		switch m := d.marker; {
		case m == markerDHT:
			err = d.huffmanTables(segment)
		case m == markerDQT:
			err = d.quantTables(segment)
		case m == markerDRI:
			if len(segment) != 2 {
				return d.formatf("%d bytes, 2 expected", len(segment))
			}
			d.restartInterval = int(segment[0])<<8 | int(segment[1])
		case m == markerDAC:
			return d.unsupportedf("arithmetic coding cannot be read")
		case m >= markerSOF0 && m <= markerSOF15:
			err = d.frameHeader(segment)
		case m == markerSOS:
			return d.scan(segment)
		case m == markerCOM || m >= markerAPP0 && m <= markerAPP15:
		default:
			return d.formatf("unexpected here")
		}
		if err != nil {
			return err
		}
	}
}

// nextMarker moves past the next marker, which any number of FF bytes may
// precede (B.1.1.2).
func (d *decoder) nextMarker() error {
	last, lastStart := d.marker, d.start
	d.start = d.pos
	if d.pos < len(d.data) && d.data[d.pos] != 0xFF {
		d.marker, d.start = last, lastStart
		return d.formatf("byte %d behind it is %02X, a marker expected", d.pos, d.data[d.pos])
	}
	for d.pos < len(d.data) && d.data[d.pos] == 0xFF {
		d.pos++
	}
	if d.pos >= len(d.data) || d.pos == d.start {
		d.marker, d.start = last, lastStart
		return d.formatf("the data end at byte %d, behind it; a marker expected", len(d.data))
	}
	d.marker = d.data[d.pos]
	d.start = d.pos - 1
	d.pos++
	if d.marker == 0 {
		return d.formatf("no marker has this code")
	}
	return nil
}

// segment reads the parameters that follow a marker (B.1.1.4).
func (d *decoder) segment() ([]byte, error) {
	if len(d.data)-d.pos < 2 {
		return nil, d.formatf("the data end at byte %d, before its length", len(d.data))
	}
	n := int(d.data[d.pos])<<8 | int(d.data[d.pos+1])
	if n < 2 || n > len(d.data)-d.pos {
		return nil, d.formatf("length %d, with %d bytes left", n, len(d.data)-d.pos)
	}
	s := d.data[d.pos+2 : d.pos+n]
	d.pos += n
	return s, nil
}

// frameHeader reads the size and the one component of the frame (B.2.2).
func (d *decoder) frameHeader(s []byte) error {
	switch {
	case d.frame != 0:
		return d.formatf("a second frame header")
	case d.marker == markerSOF2:
		return d.unsupportedf("progressive JPEG cannot be read")
	case d.marker != markerSOF0 && d.marker != markerSOF1 && d.marker != markerSOF3:
		return d.unsupportedf("only baseline, extended sequential and lossless Huffman JPEG can be read")
	case len(s) < 6:
		return d.formatf("%d bytes, 6 expected at least", len(s))
	}
	d.precision = int(s[0])
	rows, columns, components := int(s[1])<<8|int(s[2]), int(s[3])<<8|int(s[4]), int(s[5])
	switch {
	case len(s) != 6+3*components:
		return d.formatf("%d bytes, %d expected for %d components", len(s), 6+3*components, components)
	case components != 1:
		return d.unsupportedf("%d components: only grey images can be read", components)
	case rows == 0:
		return d.unsupportedf("the number of rows is left to a later marker")
	case columns != d.columns || rows != d.rows:
		return d.formatf("%d columns by %d rows, %d by %d expected", columns, rows, d.columns, d.rows)
	case d.precision > d.bits:
		return d.formatf("%d bits a sample, at most %d expected", d.precision, d.bits)
	}
	switch {
	case d.marker == markerSOF3 && (d.precision < 2 || d.precision > 16):
		return d.formatf("%d bits a sample, 2 to 16 expected in a lossless image", d.precision)
	case d.marker == markerSOF0 && d.precision != 8:
		return d.formatf("%d bits a sample, 8 expected in a baseline image", d.precision)
	case d.marker == markerSOF1 && d.precision != 8 && d.precision != 12:
		return d.formatf("%d bits a sample, 8 or 12 expected in an extended image", d.precision)
	}
	d.frame, d.component, d.quantizer = d.marker, s[6], s[8]
	return nil
}

// quantTables reads one or more quantization tables (B.2.4.1).
func (d *decoder) quantTables(s []byte) error {
	for len(s) > 0 {
		wide, id := int(s[0]>>4), s[0]&15
		if wide > 1 || id > 3 {
			return d.formatf("table %d of kind %d, 0 to 3 of 0 or 1 expected", id, wide)
		}
		size := 64 * (1 + wide)
		if len(s) < 1+size {
			return d.formatf("table %d has %d of %d bytes", id, len(s)-1, size)
		}
		table := new([64]int)
		for i := range table {
			if wide == 1 {
				table[i] = int(s[1+2*i])<<8 | int(s[2+2*i])
			} else {
				table[i] = int(s[1+i])
			}
		}
		d.quant[id] = table
		s = s[1+size:]
	}
	return nil
}

// huffmanTables reads one or more Huffman tables (B.2.4.2).
func (d *decoder) huffmanTables(s []byte) error {
	for len(s) > 0 {
		class, id := s[0]>>4, s[0]&15
		if class > 1 || id > 3 {
			return d.formatf("table %d of class %d, 0 to 3 of 0 or 1 expected", id, class)
		}
		if len(s) < 17 {
			return d.formatf("table %d has %d of its first 17 bytes", id, len(s))
		}
		total := 0
		for _, n := range s[1:17] {
			total += int(n)
		}
		if total > 256 || len(s) < 17+total {
			return d.formatf("table %d has %d codes, with %d bytes left", id, total, len(s)-17)
		}
		table, err := newHuffman([16]byte(s[1:17]), s[17:17+total])
		if err != nil {
			return d.formatf("table %d: %v", id, err)
		}
		d.huffman[class][id] = table
		s = s[17+total:]
	}
	return nil
}

// scan reads the scan header (B.2.3) and decodes the image.
func (d *decoder) scan(s []byte) error {
	if d.frame == 0 {
		return d.formatf("no frame header before the scan")
	}
	if len(s) < 1 || len(s) != 4+2*int(s[0]) {
		return d.formatf("%d bytes do not make a scan header", len(s))
	}
	if s[0] != 1 || s[1] != d.component {
		return d.formatf("the scan does not hold the one component %d", d.component)
	}
	dc, ac := s[2]>>4, s[2]&15
	start, end, high, low := int(s[3]), int(s[4]), s[5]>>4, int(s[5]&15)
	if dc > 3 || ac > 3 {
		return d.formatf("Huffman tables %d and %d, 0 to 3 expected", dc, ac)
	}
	entropy := bitReader{data: d.data, pos: d.pos}
	var err error
	if d.frame == markerSOF3 {
		// End and high are 0 by the standard and mean nothing here.
		d.lossy = low > 0
		err = d.lossless(&entropy, d.huffman[0][dc], start, low)
	} else {
		if start != 0 || end != 63 || high != 0 || low != 0 {
			return d.formatf("spectral selection %d to %d, approximation %d and %d, in a sequential image", start, end, high, low)
		}
		d.lossy = true
		err = d.sequential(&entropy, d.huffman[0][dc], d.huffman[1][ac])
	}
	if err != nil {
		return err
	}
	return d.finish(&entropy)
}

// finish sees to it that the image ends where its last sample does.
func (d *decoder) finish(b *bitReader) error {
	if left := b.align(); left > 7 {
		return d.formatf("%d bits are left at byte %d behind the last sample", left, b.pos)
	}
	d.pos = b.pos
	if rest := d.data[d.pos:]; len(rest) == 0 || len(rest) == 1 && rest[0] == 0xFF {
		return nil
	}
	if err := d.nextMarker(); err != nil {
		return err
	}
	if d.marker == markerDNL {
		s, err := d.segment()
		if err != nil {
			return err
		}
		if len(s) != 2 || int(s[0])<<8|int(s[1]) != d.rows {
			return d.formatf("the number of rows differs from the frame header's %d", d.rows)
		}
		if err := d.nextMarker(); err != nil {
			return err
		}
	}
	if d.marker != markerEOI {
		return d.formatf("behind the last sample, where the end of the image is expected")
	}
	return nil
}

// restart moves past the restart marker that is due after n earlier ones (E.2.4).
func (d *decoder) restart(b *bitReader, n int) error {
	if left := b.align(); left > 7 {
		return d.formatf("%d bits are left at byte %d before restart marker %d", left, b.pos, n%8)
	}
	want := byte(markerRST0 + n%8)
	at := b.pos
	for at < len(b.data) && b.data[at] == 0xFF {
		at++
	}
	if at == b.pos || at >= len(b.data) || b.data[at] != want {
		return d.formatf("no %s at byte %d, where it is due", markerName(want), b.pos)
	}
	*b = bitReader{data: b.data, pos: at + 1}
	return nil
}

// truncated is the error for a scan that ends too soon.
func (d *decoder) truncated(b *bitReader, row int) error {
	return d.formatf("the coded data end at byte %d, in row %d of %d", b.pos, row, d.rows)
}
