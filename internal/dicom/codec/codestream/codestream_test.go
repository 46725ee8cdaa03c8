package codestream

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// unstuff gives the bits of entropy-coded data one by one, as T.81 B.1.1.5 and
// T.87 A.1 say, and where its marker or its end is.
func unstuff(data []byte, stuffedBit bool) (bits []byte, end int) {
	for at := 0; at < len(data); at++ {
		c, width := data[at], 8
		if at > 0 && data[at-1] == 0xFF && stuffedBit {
			width = 7
		}
		if c == 0xFF {
			switch {
			case at+1 == len(data) || stuffedBit && data[at+1] >= 0x80 || !stuffedBit && data[at+1] != 0:
				return bits, at
			case !stuffedBit:
				for i := 7; i >= 0; i-- {
					bits = append(bits, 1)
				}
				at++
				continue
			}
		}
		for i := width - 1; i >= 0; i-- {
			bits = append(bits, c>>i&1)
		}
	}
	return bits, len(data)
}

// TestBits holds the reader against one that takes bit by bit, in steps of any
// width, and beyond the end.
func TestBits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		data := rapid.SliceOf(rapid.SampledFrom([]byte{0, 1, 0x7F, 0x80, 0xA5, 0xFF, 0xD9})).Draw(t, "data")
		stuffedBit := rapid.Bool().Draw(t, "stuffed bit")
		want, end := unstuff(data, stuffedBit)
		b := Bits{Data: data, StuffedBit: stuffedBit}
		used := 0
		for used <= len(want) {
			width := rapid.IntRange(1, 57).Draw(t, "width")
			b.Fill()
			require.GreaterOrEqual(t, b.Count, 57)
			for i := range width {
				bit := byte(0)
				if used+i < len(want) {
					bit = want[used+i]
				}
				require.Equal(t, bit, byte(b.Acc>>(63-i)&1), "bit %d", used+i)
			}
			if used+width > len(want) {
				break
			}
			b.Acc <<= width
			b.Count -= width
			used += width
			require.Equal(t, false, b.Overrun())
		}
		rest := want[used:]
		ones := false
		for _, bit := range rest {
			ones = ones || bit == 1
		}
		over := b
		over.Acc, over.Count = over.Acc<<57, over.Count-57
		require.Equal(t, len(rest) < 57, over.Overrun())
		if len(rest) <= 57 {
			left, zero := b.Align()
			assert.Equal(t, len(rest), left)
			assert.Equal(t, !ones, zero)
			assert.Equal(t, end, b.Pos)
		}
	})
}

// TestReader walks over a stream written out by hand from T.81 B.1.1, and meets
// each fault of its markers.
func TestReader(t *testing.T) {
	read := func(data ...byte) *Reader {
		return &Reader{Stream: "stream", Name: MarkerName, Data: data}
	}
	r := read(0xFF, SOI, 0xFF, 0xFF, APP0+3, 0, 4, 7, 8, 0xFF, EOI, 0xFF)
	require.NoError(t, r.Begin(SOI))
	require.NoError(t, r.NextFilled())
	assert.Equal(t, 3, r.Start, "behind a byte of filling")
	s, err := r.Segment()
	require.NoError(t, err)
	assert.Equal(t, []byte{7, 8}, s)
	assert.False(t, r.AtEnd())
	assert.EqualError(t, r.CheckEnd(), "stream: APP3 at byte 3: behind the last sample, where the end of the image is expected")
	require.NoError(t, r.Next())
	assert.NoError(t, r.CheckEnd())
	assert.True(t, r.AtEnd())
	assert.EqualError(t, r.NextFilled(), "stream: EOI at byte 9: the data end at byte 12, behind it; a marker expected")

	assert.EqualError(t, read(0xFF).Begin(SOI), "stream: SOI at byte 0: the data do not start with FFD8")
	assert.EqualError(t, read(0xFF, 0).NextFilled(), "stream: marker FF00 at byte 0: no marker has this code")
	assert.EqualError(t, read(1).Next(), "stream: marker FF00 at byte 0: byte 0 behind it is 01, a marker expected")
	_, err = read(0).Segment()
	assert.ErrorContains(t, err, "the data end at byte 1, before its length")
	_, err = read(0, 9, 0).Segment()
	assert.ErrorContains(t, err, "length 9, with 3 bytes left")

	behind, err := read(1, 2, 0xFF, 0xFF, RST0+1).FindRestart(2, 9)
	require.NoError(t, err)
	assert.Equal(t, 5, behind)
	_, err = read(0xFF, RST0).FindRestart(0, 1)
	assert.ErrorContains(t, err, "no RST1 at byte 0, where it is due")

	assert.NoError(t, CheckSize("stream", 6, 3, 2))
	assert.EqualError(t, CheckSize("stream", 6, 3, 3), "stream: 6 samples cannot hold 3 columns by 3 rows")
}
