package jpeg

import "plumbline/internal/dicom/codec/codestream"

// diffBits is how many bits the look-up of a whole difference, code and
// additional bits together, takes. Differences in scans take 4 to 10; the table
// of 16 kB stays in the first-level cache.
const diffBits = 12

// differences maps the next diffBits bits to difference<<16 | bits used, with 0
// bits for differences that take more.
type differences [1 << diffBits]uint32

func newDifferences(h *huffman) *differences {
	var t differences
	for i := range t {
		acc := uint64(i) << (64 - diffBits)
		size, length := h.decode(acc)
		used := length + int(size)
		switch {
		case length == 0 || length > diffBits:
		case size == 16: // no additional bits (H.1.2.2)
			t[i] = 32768<<16 | uint32(length)
		case used > diffBits:
		case size == 0:
			t[i] = uint32(length)
		default:
			t[i] = uint32(uint16(extend(acc<<length, int(size))))<<16 | uint32(used)
		}
	}
	return &t
}

// lossless decodes a scan of process 14 (annex H) with a predictor of the given
// selection value, 1 to 7, and a point transform.
func (d *decoder) lossless(b *codestream.Bits, h *huffman, selection, point int) error {
	switch {
	case h == nil:
		return d.Errorf("the Huffman table of the scan is missing")
	case h.max() > 16:
		return d.Errorf("the Huffman table has category %d, 0 to 16 expected", h.max())
	case selection < 1 || selection > 7:
		return d.Errorf("predictor %d, 1 to 7 expected", selection)
	case point >= d.precision:
		return d.Errorf("point transform by %d bits of %d", point, d.precision)
	case d.restartInterval%d.columns != 0:
		return d.Errorf("restart interval of %d samples, whole rows of %d expected", d.restartInterval, d.columns)
	}
	table := newDifferences(h)
	depth := d.precision - point
	rowsToRestart := d.restartInterval / d.columns
	restarts := 0
	var above []uint16
	for y := range d.rows {
		if rowsToRestart > 0 && y > 0 && y%rowsToRestart == 0 {
			if err := d.restart(b, restarts); err != nil {
				return err
			}
			restarts++
			above = nil
		}
		row := d.dst[y*d.columns : (y+1)*d.columns]
		valid := readDifferences(b, row, table, h)
		switch {
		case b.Overrun() || !valid && b.Made > 0:
			return d.truncated(b, y)
		case !valid:
			return d.Errorf("no Huffman code matches before byte %d, in row %d", b.Pos, y)
		}
		if above == nil {
			accumulate(row, uint16(1)<<(depth-1))
		} else {
			predict(row, above, selection)
		}
		above = row
	}
	return d.undoPointTransform(depth, point)
}

// readDifferences reads a row of differences, modulo 2^16, and reports whether the
// bits are codes.
func readDifferences(b *codestream.Bits, row []uint16, table *differences, h *huffman) bool {
	acc, n := b.Acc, b.Count
	for i := range row {
		if n < 32 { // the longest: 16 bits of code and 15 more
			b.Acc, b.Count = acc, n
			b.Fill()
			acc, n = b.Acc, b.Count
		}
		e := table[acc>>(64-diffBits)]
		used := int(e & 0xFF)
		if used == 0 {
			size, length := h.decode(acc)
			if length == 0 {
				b.Acc, b.Count = acc, n
				return false
			}
			used = length
			diff := 0
			switch {
			case size == 16:
				diff = 32768
			case size > 0:
				diff = extend(acc<<length, int(size))
				used += int(size)
			}
			e = uint32(uint16(diff)) << 16
		}
		acc <<= used & 63
		n -= used
		row[i] = uint16(e >> 16)
	}
	b.Acc, b.Count = acc, n
	return true
}

// accumulate turns differences from the sample on the left into samples; first
// is the prediction of the first one. All sums here are modulo 2^16 (H.1.2.1).
func accumulate(row []uint16, first uint16) {
	for i, diff := range row {
		first += diff
		row[i] = first
	}
}

// predict turns differences into samples, below a row that is done. The first
// sample is predicted by the one above, whatever the predictor (H.1.2.1,
// table H.1). Halves are arithmetic shifts.
func predict(row, above []uint16, selection int) {
	row[0] += above[0]
	left, upperLeft := int(row[0]), int(above[0])
	rest, above := row[1:], above[1:]
	above = above[:len(rest)]
	switch selection {
	case 1:
		accumulate(rest, row[0])
	case 2:
		for i, up := range above {
			rest[i] += up
		}
	case 3:
		for i, up := range above {
			rest[i] += uint16(upperLeft)
			upperLeft = int(up)
		}
	case 4:
		for i, up := range above {
			rest[i] += uint16(left + int(up) - upperLeft)
			left, upperLeft = int(rest[i]), int(up)
		}
	case 5:
		for i, up := range above {
			rest[i] += uint16(left + (int(up)-upperLeft)>>1)
			left, upperLeft = int(rest[i]), int(up)
		}
	case 6:
		for i, up := range above {
			rest[i] += uint16(int(up) + (left-upperLeft)>>1)
			left, upperLeft = int(rest[i]), int(up)
		}
	case 7:
		for i, up := range above {
			rest[i] += uint16((left + int(up)) >> 1)
			left = int(rest[i])
		}
	}
}

// undoPointTransform undoes the point transform, after seeing to it that every sample fits
// its depth: a right stream has no other, and a caller that masks would hide it.
func (d *decoder) undoPointTransform(depth, point int) error {
	if depth == 16 {
		return nil
	}
	for i, v := range d.dst {
		if v>>depth != 0 {
			return d.Errorf("sample %d in column %d of row %d takes more than %d bits", v, i%d.columns, i/d.columns, depth)
		}
		d.dst[i] = v << point
	}
	return nil
}
