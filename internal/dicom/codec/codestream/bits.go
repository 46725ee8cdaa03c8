package codestream

import "encoding/binary"

// Bits reads entropy-coded data up to a marker, most significant bits first. What
// encoders stuff behind a byte FF, so that it cannot be taken for a marker, is
// left out: a zero byte, or a zero bit.
type Bits struct {
	Data  []byte
	Pos   int    // of the next byte that is not in Acc
	Acc   uint64 // the next bits, at the top
	Count int    // how many
	// Made is how many of those were made up since the data ended. More than
	// Count: some were used.
	Made int

	// StuffedBit means that the byte behind FF has seven bits, below a stuffed
	// zero (T.87 A.1); otherwise a zero byte is stuffed (T.81 B.1.1.5).
	StuffedBit bool
	afterFF    bool // the next byte has seven bits
}

// Fill brings Count to 57 or more. Behind the end of the data it makes up zero bits.
func (b *Bits) Fill() {
	if len(b.Data)-b.Pos >= 8 && !b.afterFF {
		v := binary.BigEndian.Uint64(b.Data[b.Pos:])
		const ones, tops = 0x0101010101010101, 0x8080808080808080
		if (^v-ones)&v&tops == 0 { // no byte is FF
			// Bits below Count are those that the next call would put there.
			b.Acc |= v >> b.Count
			whole := (64 - b.Count) >> 3
			b.Pos += whole
			b.Count += whole << 3
			return
		}
	}
	b.fillByByte()
}

func (b *Bits) fillByByte() {
	mostBehindFF := byte(0)
	if b.StuffedBit {
		mostBehindFF = 0x7F
	}
	for b.Count <= 56 && b.Pos < len(b.Data) {
		c := b.Data[b.Pos]
		if c == 0xFF && (b.Pos+1 >= len(b.Data) || b.Data[b.Pos+1] > mostBehindFF) {
			break // a marker
		}
		b.Pos++
		width := 8
		if b.afterFF {
			width = 7
		}
		b.Acc |= uint64(c) << (64 - width - b.Count)
		b.Count += width
		b.afterFF = c == 0xFF && b.StuffedBit
		if c == 0xFF && !b.StuffedBit {
			b.Pos++
		}
	}
	if b.Count <= 56 {
		b.Acc &= ^uint64(0) << (64 - b.Count)
		b.Made += 64 - b.Count
		b.Count = 64
	}
}

// Overrun reports whether bits were used that the data do not have.
func (b *Bits) Overrun() bool { return b.Made > b.Count }

// Align gives up what is left of the bits before the next marker. It gives how
// many there were, and whether all were zero.
func (b *Bits) Align() (left int, zero bool) {
	b.Fill()
	left, zero = b.Count-b.Made, b.Acc == 0
	b.Acc, b.Count, b.Made = 0, 0, 0
	return left, zero
}
