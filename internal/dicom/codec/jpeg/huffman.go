package jpeg

import "errors"

// lookBits is how many bits the first look-up of a Huffman code takes. The
// commonest codes of scans have 2 to 8 bits; nine keep the table in 1 kB.
const lookBits = 9

// huffman is a Huffman table (annex C) ready for decoding (F.2.2.3).
type huffman struct {
	// look, for the next lookBits bits: symbol<<8 | length, or 0 if the code is
	// longer.
	look [1 << lookBits]uint16
	// limit is, by length, one more than the last code of that length or of a
	// shorter one, as it stands at the top of 16 bits.
	limit   [17]int
	first   [17]int // first code of each length, and
	index   [17]int // where its symbol is
	symbols []byte
}

// newHuffman makes the codes from how many there are of each length, 1 to 16,
// and their symbols in order of code.
func newHuffman(counts [16]byte, symbols []byte) (*huffman, error) {
	h := &huffman{symbols: symbols}
	code, k := 0, 0
	for length := 1; length <= 16; length++ {
		n := int(counts[length-1])
		if code+n > 1<<length {
			return nil, errors.New("there are more codes than their lengths allow")
		}
		h.first[length], h.index[length] = code, k
		if length <= lookBits {
			width := 1 << (lookBits - length)
			for i := range n {
				entry := uint16(symbols[k+i])<<8 | uint16(length)
				from := (code + i) * width
				for j := range width {
					h.look[from+j] = entry
				}
			}
		}
		code += n
		k += n
		h.limit[length] = code << (16 - length)
		code <<= 1
	}
	return h, nil
}

// decode gives the symbol whose code stands at the top of acc and the code's
// length, which is 0 if no code does.
func (h *huffman) decode(acc uint64) (symbol byte, length int) {
	if e := h.look[acc>>(64-lookBits)]; e != 0 {
		return byte(e >> 8), int(e & 0xFF)
	}
	top := int(acc >> 48)
	for length := lookBits + 1; length <= 16; length++ {
		if top < h.limit[length] {
			return h.symbols[h.index[length]+top>>(16-length)-h.first[length]], length
		}
	}
	return 0, 0
}

// max is the largest symbol of the table.
func (h *huffman) max() int {
	m := 0
	for _, s := range h.symbols {
		m = max(m, int(s))
	}
	return m
}

// extend turns the additional bits of a difference of category size, which
// stand at the top of acc, into the difference (F.2.2.1, table F.1). Size is 1 to 16.
func extend(acc uint64, size int) int {
	v := int(acc >> (64 - size))
	if v < 1<<(size-1) {
		v -= 1<<size - 1
	}
	return v
}
