package jpegls

import (
	"math/bits"

	"plumbline/internal/dicom/codec/codestream"
)

// bitReader reads entropy-coded data up to a marker.
type bitReader struct{ codestream.Bits }

func newBitReader(data []byte, pos int) *bitReader {
	return &bitReader{codestream.Bits{Data: data, Pos: pos, StuffedBit: true}}
}

// read gives the next width bits, 0 to 32.
func (b *bitReader) read(width int) int {
	if b.Count < width {
		b.Fill()
	}
	v := int(b.Acc >> (64 - width))
	b.Acc <<= width
	b.Count -= width
	return v
}

// golomb reads one code of limited length (A.5.3) with parameter k: a count of
// zeros, a one and k bits, or, after exactly limit zeros, a one and the value
// less one in wide bits. It gives -1 if there are more zeros.
//
// Limit is at most 55: LIMIT is at most 64 and wide then 8 or more.
func (b *bitReader) golomb(k, limit, wide int) int {
	zeros := bits.LeadingZeros64(b.Acc)
	if used := zeros + 1 + k; zeros < limit && used <= b.Count {
		v := zeros<<k | int(b.Acc<<(zeros+1)>>(64-k))
		b.Acc <<= used
		b.Count -= used
		return v
	}
	b.Fill()
	zeros = bits.LeadingZeros64(b.Acc)
	if zeros > limit {
		return -1
	}
	b.Acc <<= zeros + 1
	b.Count -= zeros + 1
	if zeros == limit {
		return b.read(wide) + 1
	}
	return zeros<<k | b.read(k)
}
