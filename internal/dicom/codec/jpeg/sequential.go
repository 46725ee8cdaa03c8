package jpeg

import "plumbline/internal/dicom/codec/codestream"

// zigzag is the place, in rows of 8, of each coefficient in coded order
// (figure A.6).
var zigzag = [64]byte{
	0, 1, 8, 16, 9, 2, 3, 10,
	17, 24, 32, 25, 18, 11, 4, 5,
	12, 19, 26, 33, 40, 48, 41, 34,
	27, 20, 13, 6, 7, 14, 21, 28,
	35, 42, 49, 56, 57, 50, 43, 36,
	29, 22, 15, 23, 30, 37, 44, 51,
	58, 59, 52, 45, 38, 31, 39, 46,
	53, 60, 61, 54, 47, 55, 62, 63,
}

// sequential decodes a scan of a baseline or extended sequential image (annex F).
// A scan of one component is one block an MCU, whatever its sampling factors (A.2.2).
func (d *decoder) sequential(b *codestream.Bits, dc, ac *huffman) error {
	if dc == nil || ac == nil {
		return d.Errorf("a Huffman table of the scan is missing")
	}
	if dc.max() > 15 {
		return d.Errorf("the Huffman table of DC differences has category %d, 0 to 15 expected", dc.max())
	}
	if d.quantizer > 3 || d.quant[d.quantizer] == nil {
		return d.Errorf("quantization table %d is missing", d.quantizer)
	}
	quant := d.quant[d.quantizer]
	across, down := (d.columns+7)/8, (d.rows+7)/8
	// A DC coefficient is eight times a mean between ±2^(precision-1), divided by
	// its quantizer (A.3.3): twice the most that gives is no image.
	dcLimit := 1 << (d.precision + 3)
	restarts, mean := 0, 0
	for m := range across * down {
		if d.restartInterval > 0 && m > 0 && m%d.restartInterval == 0 {
			if err := d.restart(b, restarts); err != nil {
				return err
			}
			restarts++
			mean = 0
		}
		var block [64]int
		diff, valid := readBlock(b, &block, dc, ac, quant)
		if b.Overrun() || !valid && b.Made > 0 {
			return d.truncated(b, m/across*8)
		}
		if mean += diff; !valid || mean > dcLimit || mean < -dcLimit {
			return d.Errorf("the coefficients before byte %d, of the block at row %d and column %d, are not valid", b.Pos, m/across*8, m%across*8)
		}
		block[0] = mean * quant[0]
		inverseDCT(&block, d.precision)
		d.storeBlock(&block, m%across*8, m/across*8)
	}
	return nil
}

// readBlock reads one block's difference of DC coefficients and its AC
// coefficients, the latter dequantized into place (F.2.2).
func readBlock(b *codestream.Bits, block *[64]int, dc, ac *huffman, quant *[64]int) (diff int, valid bool) {
	b.Fill()
	size, length := dc.decode(b.Acc)
	if length == 0 {
		return 0, false
	}
	b.Acc <<= length
	b.Count -= length
	if size > 0 {
		diff = extend(b.Acc, int(size))
		b.Acc <<= size
		b.Count -= int(size)
	}
	for k := 1; k < 64; k++ {
		if b.Count < 32 { // the longest: 16 bits of code and 15 more
			b.Fill()
		}
		symbol, length := ac.decode(b.Acc)
		if length == 0 {
			return 0, false
		}
		b.Acc <<= length
		b.Count -= length
		zeros, size := int(symbol>>4), int(symbol&15)
		if size == 0 {
			if zeros == 0 {
				break // end of block
			}
			if zeros != 15 {
				return 0, false
			}
			k += 15
			continue
		}
		if k += zeros; k > 63 {
			return 0, false
		}
		block[zigzag[k]] = extend(b.Acc, size) * quant[k]
		b.Acc <<= size
		b.Count -= size
	}
	return diff, true
}

// storeBlock writes the part of a block that lies in the image.
func (d *decoder) storeBlock(block *[64]int, x, y int) {
	width := min(8, d.columns-x)
	for r := range min(8, d.rows-y) {
		row := d.dst[(y+r)*d.columns+x:][:width]
		for c := range row {
			row[c] = uint16(block[8*r+c])
		}
	}
}
