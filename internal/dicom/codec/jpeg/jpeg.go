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

import "plumbline/internal/dicom/codec/codestream"

// stream is what errors call the data.
const stream = "JPEG stream"

// Decode decodes one frame into dst, row by row from the top left.
//
// In: dst has columns × rows samples, and no image memory is taken beyond it;
// data is the whole stream, its fragments joined, with or without padding
// behind the end-of-image marker; bitsAllocated is the most that a sample may
// have.
// Out: raw unsigned samples, after the point transform if there is one; the
// stream's precision in bits, which no sample exceeds; and whether grey values
// were given up: all but lossless images without a point transform are lossy.
// Errors: *codestream.Error, or a plain error for arguments that do not fit
// together. After an error the content of dst means nothing.
//
// The stream must hold every sample and nothing after the last but the end of
// the image; only the end marker itself may be missing, when the data stop there.
// A sequential image whose scan header leaves the spectral selection at zero is
// read; see SelectionUnset.
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

	frame           byte // the frame's SOF marker; 0 before it was met
	precision       int
	lossy           bool
	component       byte // identifier of the one component
	quantizer       byte // its table
	restartInterval int  // MCUs; 0 for none
	quant           [4]*[64]int
	huffman         [2][4]*huffman // by class (0 DC and lossless, 1 AC) and destination
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
		case m == codestream.TEM:
			continue
		case m == codestream.EOI:
			return d.Errorf("the image ends before its scan")
		case m == codestream.SOI || codestream.IsRestart(m):
			return d.Errorf("unexpected here")
		case m == codestream.SOF55:
			return d.Unsupportedf("this is a JPEG-LS stream")
		case m == codestream.DHP || m == codestream.EXP:
			return d.Unsupportedf("hierarchical JPEG cannot be read")
		}
		segment, err := d.Segment()
		if err != nil {
			return err
		}
		switch m := d.Marker; {
		case m == codestream.DHT:
			err = d.huffmanTables(segment)
		case m == codestream.DQT:
			err = d.quantTables(segment)
		case m == codestream.DRI:
			if len(segment) != 2 {
				return d.Errorf("%d bytes, 2 expected", len(segment))
			}
			d.restartInterval = codestream.Uint16(segment)
		case m == codestream.DAC:
			return d.Unsupportedf("arithmetic coding cannot be read")
		case m >= codestream.SOF0 && m <= codestream.SOF15:
			err = d.frameHeader(segment)
		case m == codestream.SOS:
			return d.scan(segment)
		case m == codestream.COM || codestream.IsApplication(m):
		default:
			return d.Errorf("unexpected here")
		}
		if err != nil {
			return err
		}
	}
}

// SelectionUnset reports whether the scan header of a sequential image ends its
// spectral selection at 0, as some encoders write it. The standard has 63 there
// (B.2.3, table B.3) and codes every coefficient whatever it says, so that an image
// which Decode takes is whole.
func SelectionUnset(data []byte) bool {
	r := codestream.Reader{Stream: stream, Name: codestream.MarkerName, Data: data}
	if r.Begin(codestream.SOI) != nil {
		return false
	}
	sequential := false
	for r.NextFilled() == nil && r.Marker != codestream.EOI {
		if r.Marker == codestream.TEM {
			continue
		}
		s, err := r.Segment()
		switch {
		case err != nil:
			return false
		case r.Marker == codestream.SOF0 || r.Marker == codestream.SOF1:
			sequential = true
		case r.Marker == codestream.SOS:
			return sequential && len(s) > 2 && s[len(s)-2] == 0
		}
	}
	return false
}

// frameHeader reads the size and the one component of the frame (B.2.2).
func (d *decoder) frameHeader(s []byte) error {
	switch {
	case d.frame != 0:
		return d.Errorf("a second frame header")
	case d.Marker == codestream.SOF2:
		return d.Unsupportedf("progressive JPEG cannot be read")
	case d.Marker != codestream.SOF0 && d.Marker != codestream.SOF1 && d.Marker != codestream.SOF3:
		return d.Unsupportedf("only baseline, extended sequential and lossless Huffman JPEG can be read")
	}
	f, err := d.ReadFrame(s)
	if err != nil {
		return err
	}
	switch {
	case f.Rows == 0:
		return d.Unsupportedf("the number of rows is left to a later marker")
	case f.Columns != d.columns || f.Rows != d.rows:
		return d.Errorf("%d columns by %d rows, %d by %d expected", f.Columns, f.Rows, d.columns, d.rows)
	case f.Precision > d.bits:
		return d.Errorf("%d bits a sample, at most %d expected", f.Precision, d.bits)
	case d.Marker == codestream.SOF3 && (f.Precision < 2 || f.Precision > 16):
		return d.Errorf("%d bits a sample, 2 to 16 expected in a lossless image", f.Precision)
	case d.Marker == codestream.SOF0 && f.Precision != 8:
		return d.Errorf("%d bits a sample, 8 expected in a baseline image", f.Precision)
	case d.Marker == codestream.SOF1 && f.Precision != 8 && f.Precision != 12:
		return d.Errorf("%d bits a sample, 8 or 12 expected in an extended image", f.Precision)
	}
	d.frame, d.precision, d.component, d.quantizer = d.Marker, f.Precision, f.Component, f.Quantizer
	return nil
}

// quantTables reads one or more quantization tables (B.2.4.1).
func (d *decoder) quantTables(s []byte) error {
	for len(s) > 0 {
		wide, id := int(s[0]>>4), s[0]&15
		if wide > 1 || id > 3 {
			return d.Errorf("table %d of kind %d, 0 to 3 of 0 or 1 expected", id, wide)
		}
		size := 64 * (1 + wide)
		if len(s) < 1+size {
			return d.Errorf("table %d has %d of %d bytes", id, len(s)-1, size)
		}
		table := new([64]int)
		for i := range table {
			if wide == 1 {
				table[i] = codestream.Uint16(s[1+2*i:])
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
			return d.Errorf("table %d of class %d, 0 to 3 of 0 or 1 expected", id, class)
		}
		if len(s) < 17 {
			return d.Errorf("table %d has %d of its first 17 bytes", id, len(s))
		}
		total := 0
		for _, n := range s[1:17] {
			total += int(n)
		}
		if total > 256 || len(s) < 17+total {
			return d.Errorf("table %d has %d codes, with %d bytes left", id, total, len(s)-17)
		}
		table, err := newHuffman([16]byte(s[1:17]), s[17:17+total])
		if err != nil {
			return d.Errorf("table %d: %v", id, err)
		}
		d.huffman[class][id] = table
		s = s[17+total:]
	}
	return nil
}

// scan reads the scan header (B.2.3) and decodes the image.
func (d *decoder) scan(s []byte) error {
	if d.frame == 0 {
		return d.Errorf("no frame header before the scan")
	}
	if err := d.CheckScan(s, d.component); err != nil {
		return err
	}
	dc, ac := s[2]>>4, s[2]&15
	start, end, high, low := int(s[3]), int(s[4]), s[5]>>4, int(s[5]&15)
	if dc > 3 || ac > 3 {
		return d.Errorf("Huffman tables %d and %d, 0 to 3 expected", dc, ac)
	}
	entropy := codestream.Bits{Data: d.Data, Pos: d.Pos}
	var err error
	if d.frame == codestream.SOF3 {
		// End and high are 0 by the standard and mean nothing here.
		d.lossy = low > 0
		err = d.lossless(&entropy, d.huffman[0][dc], start, low)
	} else {
		if start != 0 || end != 63 && end != 0 || high != 0 || low != 0 {
			return d.Errorf("spectral selection %d to %d, approximation %d and %d, in a sequential image", start, end, high, low)
		}
		d.lossy = true
		err = d.sequential(&entropy, d.huffman[0][dc], d.huffman[1][ac])
	}
	if err != nil {
		return err
	}
	return d.finish(&entropy)
}

// finish checks that the image ends where its last sample does.
func (d *decoder) finish(b *codestream.Bits) error {
	if left, _ := b.Align(); left > 7 {
		return d.Errorf("%d bits are left at byte %d behind the last sample", left, b.Pos)
	}
	d.Pos = b.Pos
	if d.AtEnd() {
		return nil
	}
	if err := d.NextFilled(); err != nil {
		return err
	}
	if d.Marker == codestream.DNL {
		s, err := d.Segment()
		if err != nil {
			return err
		}
		if len(s) != 2 || codestream.Uint16(s) != d.rows {
			return d.Errorf("the number of rows differs from the frame header's %d", d.rows)
		}
		if err := d.NextFilled(); err != nil {
			return err
		}
	}
	return d.CheckEnd()
}

// restart moves past the restart marker that is due after n earlier ones (E.2.4).
func (d *decoder) restart(b *codestream.Bits, n int) error {
	if left, _ := b.Align(); left > 7 {
		return d.Errorf("%d bits are left at byte %d before restart marker %d", left, b.Pos, n%8)
	}
	behind, err := d.FindRestart(b.Pos, n)
	*b = codestream.Bits{Data: d.Data, Pos: behind}
	return err
}

// truncated is the error for a scan that ends too soon.
func (d *decoder) truncated(b *codestream.Bits, row int) error {
	return d.Errorf("the coded data end at byte %d, in row %d of %d", b.Pos, row, d.rows)
}
