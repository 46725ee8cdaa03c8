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

import "plumbline/internal/dicom/codec/codestream"

// stream is what errors call the data.
const stream = "JPEG-LS stream"

// Decode decodes one frame into dst, row by row from the top left.
//
// In: dst has columns × rows samples, and besides it only working memory of two
// rows and at most 128 kB is taken; data is the whole stream, its fragments
// joined, with or without padding behind the end-of-image marker; bitsAllocated
// is the most that a sample may have.
// Out: raw unsigned samples, for near-lossless streams each within the stream's
// own bound of what was coded; the stream's precision in bits, which no sample
// exceeds; and whether it is near-lossless.
// Errors: *codestream.Error, or a plain error for arguments that do not fit
// together. After an error the content of dst means nothing.
//
// The stream must hold every sample and nothing after the last but the end of
// the image; only the end marker itself may be missing, when the data stop there.
func Decode(dst []uint16, data []byte, columns, rows, bitsAllocated int) (precision int, lossy bool, err error) {
	if err := codestream.CheckSize(stream, len(dst), columns, rows); err != nil {
		return 0, false, err
	}
	d := decoder{Reader: codestream.Reader{Stream: stream, Name: codestream.MarkerName, Data: data}, dst: dst, columns: columns, rows: rows, bits: bitsAllocated}
	if err := d.decode(); err != nil {
		return 0, false, err
	}
	return d.precision, d.lossy, nil
}

// decoder reads the marker segments up to the one scan and then the scan.
type decoder struct {
	codestream.Reader

	dst           []uint16
	columns, rows int
	bits          int // the most bits a sample may have

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

func (d *decoder) decode() error {
	if err := d.Begin(codestream.SOI); err != nil {
		return err
	}
	for {
		if err := d.NextFilled(); err != nil {
			return err
		}
		switch m := d.Marker; {
		case m == codestream.EOI:
			return d.Errorf("the image ends before its scan")
		case m == codestream.SOI || codestream.IsRestart(m):
			return d.Errorf("unexpected here")
		}
		segment, err := d.Segment()
		if err != nil {
			return err
		}
		switch m := d.Marker; {
		case m == codestream.SOF55:
			err = d.frameHeader(segment)
		case m == codestream.LSE:
			err = d.presetSegment(segment)
		case m == codestream.DRI:
			err = d.restartSegment(segment)
		case m == codestream.SOS:
			return d.scan(segment)
		case m == codestream.COM || codestream.IsApplication(m):
		case m >= codestream.SOF0 && m <= codestream.SOF15:
			return d.Unsupportedf("this is JPEG of another kind than JPEG-LS")
		default:
			return d.Errorf("unexpected here")
		}
		if err != nil {
			return err
		}
	}
}

// frameHeader reads the size and the one component of the frame (C.2.2).
func (d *decoder) frameHeader(s []byte) error {
	if d.precision != 0 {
		return d.Errorf("a second frame header")
	}
	f, err := d.ReadFrame(s)
	if err != nil {
		return err
	}
	switch {
	case f.Rows == 0 || f.Columns == 0:
		return d.Unsupportedf("the size is left to another marker")
	case f.Columns != d.columns || f.Rows != d.rows:
		return d.Errorf("%d columns by %d rows, %d by %d expected", f.Columns, f.Rows, d.columns, d.rows)
	case f.Precision < 2 || f.Precision > 16:
		return d.Errorf("%d bits a sample, 2 to 16 expected", f.Precision)
	case f.Precision > d.bits:
		return d.Errorf("%d bits a sample, at most %d expected", f.Precision, d.bits)
	}
	d.precision, d.component = f.Precision, f.Component
	return nil
}

// presetSegment reads the coding parameters (C.2.4.1).
func (d *decoder) presetSegment(s []byte) error {
	if len(s) < 1 {
		return d.Errorf("it is empty")
	}
	switch id := s[0]; id {
	case 1:
		if len(s) != 11 {
			return d.Errorf("%d bytes of coding parameters, 11 expected", len(s))
		}
		d.preset = preset{codestream.Uint16(s[1:]), codestream.Uint16(s[3:]), codestream.Uint16(s[5:]), codestream.Uint16(s[7:]), codestream.Uint16(s[9:])}
		return nil
	case 2, 3:
		return d.Unsupportedf("mapping tables cannot be read")
	case 4:
		return d.Unsupportedf("frames of more than 65535 rows or columns cannot be read")
	default:
		return d.Unsupportedf("parameters of kind %d cannot be read", id)
	}
}

// restartSegment reads the restart interval (C.2.5): 2, 3 or 4 bytes, counting
// rows, as one row is the coding unit of a scan of one component.
func (d *decoder) restartSegment(s []byte) error {
	if len(s) < 2 || len(s) > 4 {
		return d.Errorf("%d bytes, 2 to 4 expected", len(s))
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
		return d.Errorf("no frame header before the scan")
	}
	if err := d.CheckScan(s, d.component); err != nil {
		return err
	}
	// With one component every interleave mode is the same order of samples.
	near, interleave, point := int(s[3]), s[4], s[5]
	switch {
	case s[2] != 0:
		return d.Unsupportedf("mapping tables cannot be read")
	case interleave > 2:
		return d.Errorf("interleave mode %d, 0 to 2 expected", interleave)
	case point != 0:
		return d.Unsupportedf("a point transform cannot be read")
	}
	p, err := d.parameters(near)
	if err != nil {
		return err
	}
	d.lossy = near > 0
	entropy := newBitReader(d.Data, d.Pos)
	c := newCoder(p, d.columns)
	for y := range d.rows {
		if d.restartInterval > 0 && y > 0 && y%d.restartInterval == 0 {
			if err := d.restart(entropy, y/d.restartInterval-1); err != nil {
				return err
			}
			c.restart()
		}
		valid := c.decodeRow(entropy, d.dst[y*d.columns:(y+1)*d.columns])
		switch {
		case entropy.Overrun() || !valid && entropy.Made > 0:
			return d.Errorf("the coded data end at byte %d, in row %d of %d", entropy.Pos, y, d.rows)
		case !valid:
			return d.Errorf("the code before byte %d, in row %d, is not valid", entropy.Pos, y)
		}
	}
	return d.finish(entropy)
}

// parameters checks the coding parameters and completes them by the defaults
// (C.2.4.1.1).
func (d *decoder) parameters(near int) (parameters, error) {
	p := parameters{near: near, maxValue: 1<<d.precision - 1, t1: d.preset.t1, t2: d.preset.t2, t3: d.preset.t3, reset: d.preset.reset}
	if most := d.preset.maxValue; most > p.maxValue {
		return p, d.Errorf("largest sample %d, at most %d expected in %d bits", most, p.maxValue, d.precision)
	} else if most != 0 && most != p.maxValue {
		return p, d.Unsupportedf("a largest sample of %d in %d bits, which encoders do not agree on", most, d.precision)
	}
	if near > min(255, p.maxValue/2) {
		return p, d.Errorf("deviation of up to %d, at most %d expected", near, min(255, p.maxValue/2))
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
		return p, d.Errorf("thresholds %d, %d and %d, a rising row from %d to %d expected", p.t1, p.t2, p.t3, near+1, p.maxValue)
	}
	if p.reset < 3 || p.reset > max(255, p.maxValue) {
		return p, d.Errorf("contexts halve at %d, 3 to %d expected", p.reset, max(255, p.maxValue))
	}
	p.complete()
	return p, nil
}

// restart moves past the restart marker that is due after n earlier ones.
func (d *decoder) restart(b *bitReader, n int) error {
	if err := d.align(b); err != nil {
		return err
	}
	behind, err := d.FindRestart(b.Pos, n)
	*b = *newBitReader(d.Data, behind)
	return err
}

// align moves to the next marker. Before it there may be what encoders put there:
// the rest of a byte, or one byte of zeros more, behind FF or to make the length even.
func (d *decoder) align(b *bitReader) error {
	if left, zero := b.Align(); left >= 16 || left >= 8 && !zero {
		return d.Errorf("%d bits are left before byte %d, behind the last sample", left, b.Pos)
	}
	return nil
}

// finish checks that the image ends where its last sample does.
func (d *decoder) finish(b *bitReader) error {
	if err := d.align(b); err != nil {
		return err
	}
	d.Pos = b.Pos
	if d.AtEnd() {
		return nil
	}
	if err := d.NextFilled(); err != nil {
		return err
	}
	return d.CheckEnd()
}
