package jpegls

import (
	"encoding/binary"
	"math/bits"
)

// bitReader reads entropy-coded data up to a marker. Behind a byte FF the next
// one holds seven bits, below a stuffed zero (A.1); a one there makes it a marker.
type bitReader struct {
	data    []byte
	pos     int    // of the next byte that is not in acc
	acc     uint64 // the next bits, at the top
	n       int    // how many
	made    int    // how many of those were made up since the data ended; more than n: some were used
	afterFF bool   // the byte before pos is FF
}

// fill brings n to 57 bits or more. Behind the end of the data it makes up zero bits.
func (b *bitReader) fill() {
	if len(b.data)-b.pos >= 8 && !b.afterFF {
		v := binary.BigEndian.Uint64(b.data[b.pos:])
		const ones, tops = 0x0101010101010101, 0x8080808080808080
		if (^v-ones)&v&tops == 0 { // no byte is FF
			// Bits below n are those that the next call would put there.
			b.acc |= v >> b.n
			whole := (64 - b.n) >> 3
			b.pos += whole
			b.n += whole << 3
			return
		}
	}
	b.fillByByte()
}

func (b *bitReader) fillByByte() {
	for b.n <= 56 && b.pos < len(b.data) {
		c := b.data[b.pos]
		if c == 0xFF && (b.pos+1 >= len(b.data) || b.data[b.pos+1] >= 0x80) {
			break
		}
		b.pos++
		width := 8
		if b.afterFF {
			width = 7
		}
		b.acc |= uint64(c) << (64 - width - b.n)
		b.n += width
		b.afterFF = c == 0xFF
	}
	if b.n <= 56 {
		b.acc &= ^uint64(0) << (64 - b.n)
		b.made += 64 - b.n
		b.n = 64
	}
}

// overrun tells whether bits were used that the data do not have.
func (b *bitReader) overrun() bool { return b.made > b.n }

// read gives the next width bits, 0 to 32.
func (b *bitReader) read(width int) int {
	if b.n < width {
		b.fill()
	}
	v := int(b.acc >> (64 - width))
	b.acc <<= width
	b.n -= width
	return v
}

// golomb reads one code of limited length (A.5.3) with parameter k: a count of
// zeros, a one and k bits, or, after exactly limit zeros, a one and the value
// less one in wide bits. It gives -1 if there are more zeros.
//
// Limit is at most 55: LIMIT is at most 64 and wide then 8 or more.
func (b *bitReader) golomb(k, limit, wide int) int {
	zeros := bits.LeadingZeros64(b.acc)
	if used := zeros + 1 + k; zeros < limit && used <= b.n {
		v := zeros<<k | int(b.acc<<(zeros+1)>>(64-k))
		b.acc <<= used
		b.n -= used
		return v
	}
	b.fill()
	zeros = bits.LeadingZeros64(b.acc)
	if zeros > limit {
		return -1
	}
	b.acc <<= zeros + 1
	b.n -= zeros + 1
	if zeros == limit {
		return b.read(wide) + 1
	}
	return zeros<<k | b.read(k)
}

// align gives up what is left of the bits before the next marker. It says how
// many there were, and whether they are what encoders put there: the rest of a
// byte, or one byte of zeros more, behind FF or to make the length even.
func (b *bitReader) align() (left int, padding bool) {
	b.fill()
	left = b.n - b.made
	padding = left < 8 || left < 16 && b.acc == 0
	b.acc, b.n, b.made = 0, 0, 0
	return left, padding
}
