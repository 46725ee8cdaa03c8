// Package jpegls decodes one frame of grey JPEG-LS, lossless or near-lossless,
// of 2 to 16 bits, with run mode, preset coding parameters and restart markers.
//
// Samples come back as the unsigned words the stream holds, together with its
// precision; masking to the bits in use, and the sign, are the caller's. Start
// with Decode.
//
// Limits: one component. Colour, mapping tables and frames whose size stands in
// another marker than the frame header are refused by name. So is a MAXVAL that
// is not the most its bits can hold: CharLS, which many encoders are made of,
// writes it but codes as if it were not there, and the standard says otherwise.
//
// Source: ITU-T T.87 (1998) | ISO/IEC 14495-1; section numbers in this package
// are those of T.87.
package jpegls

import "fmt"

// Markers, T.81 table B.1 and T.87 C.1.1.
const (
	markerRST0  = 0xD0
	markerRST7  = 0xD7
	markerSOI   = 0xD8
	markerEOI   = 0xD9
	markerSOS   = 0xDA
	markerDNL   = 0xDC
	markerDRI   = 0xDD
	markerAPP0  = 0xE0
	markerAPP15 = 0xEF
	markerSOF   = 0xF7 // SOF55
	markerLSE   = 0xF8
	markerCOM   = 0xFE
)

var markerNames = map[byte]string{
	markerSOI: "SOI", markerEOI: "EOI", markerSOS: "SOS", markerDNL: "DNL", markerDRI: "DRI",
	markerSOF: "SOF55", markerLSE: "LSE", markerCOM: "COM",
}

func markerName(m byte) string {
	name, named := markerNames[m]
	switch {
	case named:
		return name
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
	Marker string // the segment it was met in, as T.87 names it
	Offset int    // bytes from the start of the stream
	Reason string
}

func (e *FormatError) Error() string {
	return fmt.Sprintf("JPEG-LS stream: %s at byte %d: %s", e.Marker, e.Offset, e.Reason)
}

// UnsupportedError says that the stream may well be valid but is of a kind that
// this package does not read.
type UnsupportedError struct {
	Marker string // the segment that says so, as T.87 names it
	Offset int    // bytes from the start of the stream
	Reason string
}

func (e *UnsupportedError) Error() string {
	return fmt.Sprintf("JPEG-LS stream: %s at byte %d: %s", e.Marker, e.Offset, e.Reason)
}

// Unsupported is true: a caller that holds several decoders asks errors.As for
// an interface with this method.
func (e *UnsupportedError) Unsupported() bool { return true }

// Decode decodes one frame into dst, row by row from the top left.
//
// In: dst has columns × rows samples, and besides it only working memory of two
// rows and at most 128 kB is taken; data is the whole stream, its fragments
// joined, with or without padding behind the end-of-image marker; bitsAllocated
// is the most that a sample may have.
// Out: raw unsigned samples, for near-lossless streams each within the stream's
// own bound of what was coded; the stream's precision in bits, which no sample
// exceeds; and whether it is near-lossless.
// Errors: *FormatError, *UnsupportedError, or a plain error for arguments that
// do not fit together. After an error the content of dst means nothing.
//
// The stream must hold every sample and nothing after the last but the end of
// the image; only the end marker itself may be missing, when the data stop there.
func Decode(dst []uint16, data []byte, columns, rows, bitsAllocated int) (precision int, lossy bool, err error) {
	if columns < 1 || rows < 1 || columns > 65535 || rows > 65535 || len(dst) != columns*rows {
		return 0, false, fmt.Errorf("JPEG-LS stream: %d samples cannot hold %d columns by %d rows", len(dst), columns, rows)
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

	precision       int // 0 before the frame header was met
	lossy           bool
	component       byte
	restartInterval int // rows; 0 for none
	preset          preset
}

// preset holds the coding parameters of an LSE segment (C.2.4.1.1); 0 stands for
// the default.
type preset struct {
	maxValue, t1, t2, t3, reset int
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
		case m == markerEOI:
			return d.formatf("the image ends before its scan")
		case m == markerSOI, m >= markerRST0 && m <= markerRST7:
			return d.formatf("unexpected here")
		}
		segment, err := d.segment()
		if err != nil {
			return err
		}
		switch m := d.marker; {
		case m == markerSOF:
			err = d.frameHeader(segment)
		case m == markerLSE:
			err = d.presetSegment(segment)
		case m == markerDRI:
			err = d.restartSegment(segment)
		case m == markerSOS:
			return d.scan(segment)
		case m == markerCOM || m >= markerAPP0 && m <= markerAPP15:
		case m >= 0xC0 && m <= 0xCF:
			return d.unsupportedf("this is JPEG of another kind than JPEG-LS")
		default:
			return d.formatf("unexpected here")
		}
		if err != nil {
			return err
		}
	}
}

// nextMarker moves past the next marker, which any number of FF bytes may precede.
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
	return nil
}

// segment reads the parameters that follow a marker.
func (d *decoder) segment() ([]byte, error) {
	if len(d.data)-d.pos < 2 {
		return nil, d.formatf("the data end at byte %d, before its length", len(d.data))
	}
	n := be16(d.data[d.pos:])
	if n < 2 || n > len(d.data)-d.pos {
		return nil, d.formatf("length %d, with %d bytes left", n, len(d.data)-d.pos)
	}
	s := d.data[d.pos+2 : d.pos+n]
	d.pos += n
	return s, nil
}

func be16(b []byte) int { return int(b[0])<<8 | int(b[1]) }

// frameHeader reads the size and the one component of the frame (C.2.2).
func (d *decoder) frameHeader(s []byte) error {
	if d.precision != 0 {
		return d.formatf("a second frame header")
	}
	if len(s) < 6 {
		return d.formatf("%d bytes, 6 expected at least", len(s))
	}
	precision, rows, columns, components := int(s[0]), be16(s[1:]), be16(s[3:]), int(s[5])
	switch {
	case len(s) != 6+3*components:
		return d.formatf("%d bytes, %d expected for %d components", len(s), 6+3*components, components)
	case components != 1:
		return d.unsupportedf("%d components: only grey images can be read", components)
	case rows == 0 || columns == 0:
		return d.unsupportedf("the size is left to another marker")
	case columns != d.columns || rows != d.rows:
		return d.formatf("%d columns by %d rows, %d by %d expected", columns, rows, d.columns, d.rows)
	case precision < 2 || precision > 16:
		return d.formatf("%d bits a sample, 2 to 16 expected", precision)
	case precision > d.bits:
		return d.formatf("%d bits a sample, at most %d expected", precision, d.bits)
	}
	d.precision, d.component = precision, s[6]
	return nil
}

// presetSegment reads the coding parameters (C.2.4.1).
func (d *decoder) presetSegment(s []byte) error {
	if len(s) < 1 {
		return d.formatf("it is empty")
	}
	switch id := s[0]; id {
	case 1:
		if len(s) != 11 {
			return d.formatf("%d bytes of coding parameters, 11 expected", len(s))
		}
		d.preset = preset{be16(s[1:]), be16(s[3:]), be16(s[5:]), be16(s[7:]), be16(s[9:])}
		return nil
	case 2, 3:
		return d.unsupportedf("mapping tables cannot be read")
	case 4:
		return d.unsupportedf("frames of more than 65535 rows or columns cannot be read")
	default:
		return d.unsupportedf("parameters of kind %d cannot be read", id)
	}
}

// restartSegment reads the restart interval (C.2.5): 2, 3 or 4 bytes, counting
// rows, as one row is the coding unit of a scan of one component.
func (d *decoder) restartSegment(s []byte) error {
	if len(s) < 2 || len(s) > 4 {
		return d.formatf("%d bytes, 2 to 4 expected", len(s))
	}
	n := 0
	for _, b := range s {
		n = n<<8 | int(b)
	}
	d.restartInterval = min(n, d.rows) // more than there are rows is none
	return nil
}

// scan reads the scan header (C.2.3) and decodes the image.
func (d *decoder) scan(s []byte) error {
	if d.precision == 0 {
		return d.formatf("no frame header before the scan")
	}
	if len(s) < 1 || len(s) != 4+2*int(s[0]) {
		return d.formatf("%d bytes do not make a scan header", len(s))
	}
	if s[0] != 1 || s[1] != d.component {
		return d.formatf("the scan does not hold the one component %d", d.component)
	}
	// With one component every interleave mode is the same order of samples.
	near, interleave, point := int(s[3]), s[4], s[5]
	switch {
	case s[2] != 0:
		return d.unsupportedf("mapping tables cannot be read")
	case interleave > 2:
		return d.formatf("interleave mode %d, 0 to 2 expected", interleave)
	case point != 0:
		return d.unsupportedf("a point transform cannot be read")
	}
	p, err := d.parameters(near)
	if err != nil {
		return err
	}
	d.lossy = near > 0
	entropy := bitReader{data: d.data, pos: d.pos}
	c := newCoder(p, d.columns)
	for y := range d.rows {
		if d.restartInterval > 0 && y > 0 && y%d.restartInterval == 0 {
			if err := d.restart(&entropy, y/d.restartInterval-1); err != nil {
				return err
			}
			c.begin()
		}
		valid := c.row(&entropy, d.dst[y*d.columns:(y+1)*d.columns])
		switch {
		case entropy.overrun() || !valid && entropy.made > 0:
			return d.formatf("the coded data end at byte %d, in row %d of %d", entropy.pos, y, d.rows)
		case !valid:
			return d.formatf("the code before byte %d, in row %d, is not valid", entropy.pos, y)
		}
	}
	return d.finish(&entropy)
}

// parameters checks the coding parameters and completes them by the defaults
// (C.2.4.1.1).
func (d *decoder) parameters(near int) (parameters, error) {
	p := parameters{near: near, maxValue: 1<<d.precision - 1, t1: d.preset.t1, t2: d.preset.t2, t3: d.preset.t3, reset: d.preset.reset}
	if most := d.preset.maxValue; most > p.maxValue {
		return p, d.formatf("largest sample %d, at most %d expected in %d bits", most, p.maxValue, d.precision)
	} else if most != 0 && most != p.maxValue {
		return p, d.unsupportedf("a largest sample of %d in %d bits, which encoders do not agree on", most, d.precision)
	}
	if near > min(255, p.maxValue/2) {
		return p, d.formatf("deviation of up to %d, at most %d expected", near, min(255, p.maxValue/2))
	}
	t1, t2, t3 := defaultThresholds(p.maxValue, near)
	if p.t1 == 0 {
		p.t1 = t1
	}
	if p.t2 == 0 {
		p.t2 = t2
	}
	if p.t3 == 0 {
		p.t3 = t3
	}
	if p.reset == 0 {
		p.reset = 64
	}
	if p.t1 < near+1 || p.t2 < p.t1 || p.t3 < p.t2 || p.t3 > p.maxValue {
		return p, d.formatf("thresholds %d, %d and %d, a rising row from %d to %d expected", p.t1, p.t2, p.t3, near+1, p.maxValue)
	}
	if p.reset < 3 || p.reset > max(255, p.maxValue) {
		return p, d.formatf("contexts halve at %d, 3 to %d expected", p.reset, max(255, p.maxValue))
	}
	p.complete()
	return p, nil
}

// restart moves past the restart marker that is due after n earlier ones.
func (d *decoder) restart(b *bitReader, n int) error {
	if err := d.align(b); err != nil {
		return err
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

func (d *decoder) align(b *bitReader) error {
	if left, padding := b.align(); !padding {
		return d.formatf("%d bits are left before byte %d, behind the last sample", left, b.pos)
	}
	return nil
}

// finish sees to it that the image ends where its last sample does.
func (d *decoder) finish(b *bitReader) error {
	if err := d.align(b); err != nil {
		return err
	}
	d.pos = b.pos
	if rest := d.data[d.pos:]; len(rest) == 0 || len(rest) == 1 && rest[0] == 0xFF {
		return nil
	}
	if err := d.nextMarker(); err != nil {
		return err
	}
	if d.marker != markerEOI {
		return d.formatf("behind the last sample, where the end of the image is expected")
	}
	return nil
}
