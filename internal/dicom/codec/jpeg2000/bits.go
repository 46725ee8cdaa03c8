package jpeg2000

// bitReader reads the bits of packet headers (B.10.1) and of coding passes that
// bypass the arithmetic decoder (D.5). Behind a byte FF the next one holds seven
// bits. Behind the end of the data it makes up ones, which end every code.
type bitReader struct {
	data    []byte
	pos     int
	left    int // bits of the byte before pos
	overrun bool
}

func (b *bitReader) bit() uint32 {
	if b.left == 0 {
		if b.pos >= len(b.data) {
			b.overrun = true
			return 1
		}
		b.left = 8
		if b.pos > 0 && b.data[b.pos-1] == 0xFF {
			b.left = 7
		}
		b.pos++
	}
	b.left--
	return uint32(b.data[b.pos-1]>>b.left) & 1
}

// read gives the next n bits, up to 31.
func (b *bitReader) read(n int) int {
	v := 0
	for ; n > 0; n-- {
		v = v<<1 | int(b.bit())
	}
	return v
}

// headerEnd is where a packet header ends: at a whole byte, and not behind FF.
func (b *bitReader) headerEnd() int {
	if b.pos > 0 && b.data[b.pos-1] == 0xFF {
		if b.pos == len(b.data) {
			b.overrun = true
			return b.pos
		}
		return b.pos + 1
	}
	return b.pos
}

// codingPasses reads a number of coding passes (table B.4).
func (b *bitReader) codingPasses() int {
	if b.read(1) == 0 {
		return 1
	}
	if b.read(1) == 0 {
		return 2
	}
	if n := b.read(2); n < 3 {
		return 3 + n
	}
	if n := b.read(5); n < 31 {
		return 6 + n
	}
	return 37 + b.read(7)
}
