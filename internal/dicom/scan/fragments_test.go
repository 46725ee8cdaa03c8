package scan

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// Lossy words beyond the bits stored go to the end of the range that they are
// beyond, unless they are padding; what is far beyond is refused.
func TestHold(t *testing.T) {
	unsigned := layout{allocated: 16, stored: 12, high: 11}
	signed := layout{allocated: 16, stored: 12, high: 11, signed: true}
	word := func(v int) uint16 { return uint16(v) }
	for name, c := range map[string]struct {
		l         layout
		precision int
		pad       *rawPadding
		in, want  []uint16
	}{
		"unsigned":         {unsigned, 16, nil, []uint16{0, 4095, 4096, 4200, 8191}, []uint16{0, 4095, 4095, 4095, 4095}},
		"signed":           {signed, 16, nil, []uint16{word(-2048), 2047, word(-2049), 2048, word(-6144)}, []uint16{word(-2048), 2047, word(-2048), 2047, word(-2048)}},
		"signed, 14 bits":  {signed, 14, nil, []uint16{1<<14 - 2049, 2100, 1<<14 - 5}, []uint16{word(-2048), 2047, 1<<14 - 5}},
		"padding":          {signed, 16, &rawPadding{word(-2200), word(-2190)}, []uint16{word(-2195), word(-2189)}, []uint16{word(-2195), word(-2048)}},
		"no bits to spare": {unsigned, 12, nil, []uint16{4095, 7}, []uint16{4095, 7}},
		"bits at the top":  {layout{allocated: 16, stored: 12, high: 15}, 16, nil, []uint16{0xFFFF, 0x10}, []uint16{0xFFFF, 0x10}},
	} {
		words := append([]uint16(nil), c.in...)
		require.NoError(t, c.l.clampToStoredBits(words, c.precision, c.l.signed, c.pad), name)
		assert.Equal(t, c.want, words, name)
	}
	assert.ErrorContains(t, unsigned.clampToStoredBits([]uint16{8192}, 16, false, nil), "its compressed pixels hold 8192, far beyond the 12 bits stored")
	assert.ErrorContains(t, signed.clampToStoredBits([]uint16{word(-6145)}, 16, true, nil), "hold -6145")
	words := []uint16{1<<13 - 1, 4095, 5}
	require.NoError(t, unsigned.clampToStoredBits(words, 13, true, nil))
	assert.Equal(t, []uint16{0, 4095, 5}, words, "a signed stream under an unsigned header")
}

// A stream of fewer bits than the header says is read where both have the same
// sign, or where no word has the top bit; else it is refused.
func TestAgree(t *testing.T) {
	header := map[bool]layout{
		false: {allocated: 16, stored: 16, high: 15},
		true:  {allocated: 16, stored: 16, high: 15, signed: true},
	}
	for _, c := range []struct {
		header, stream bool // signed
		in, want       uint16
		ok             bool
	}{
		{false, false, 0x3FFF, 0x3FFF, true},
		{true, true, 0x3FFF, 0xFFFF, true},
		{true, true, 0x1FFF, 0x1FFF, true},
		{true, false, 0x1FFF, 0x1FFF, true},
		{true, false, 0x2000, 0, false},
		{false, true, 0x1FFF, 0x1FFF, true},
		{false, true, 0x2000, 0, false},
	} {
		words := []uint16{7, c.in}
		err := header[c.header].extendPrecision(words, 14, c.stream)
		if !c.ok {
			assert.ErrorContains(t, err, "numbers of 14 bits, the header says", "%+v", c)
			continue
		}
		require.NoError(t, err, "%+v", c)
		assert.Equal(t, []uint16{7, c.want}, words, "%+v", c)
	}
	assert.EqualError(t, layout{allocated: 16, stored: 12, high: 15}.extendPrecision([]uint16{0x800}, 12, false),
		"its compressed pixels are unsigned numbers of 12 bits, the header says unsigned ones of 12 with high bit 15, so what they mean is in doubt; "+exportAdvice)
	assert.NoError(t, header[true].extendPrecision([]uint16{0x8000}, 16, false), "where the stream has all bits, the header decides")
}

// TestSettle compares words taken four at a time with PS3.5 8.1.1 done bit by
// bit, for every layout, length and place in memory.
func TestSettle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := layout{allocated: 16, signed: rapid.Bool().Draw(t, "signed")}
		l.stored = rapid.IntRange(1, 16).Draw(t, "stored")
		l.high = rapid.IntRange(l.stored-1, 15).Draw(t, "high")
		words := rapid.SliceOfN(rapid.Uint16(), 0, 20).Draw(t, "words")
		words = words[min(len(words), rapid.IntRange(0, 3).Draw(t, "from")):]
		want := make([]uint16, len(words))
		for i, w := range words {
			v := 0
			for bit := range l.stored {
				v |= int(w>>(l.high-l.stored+1+bit)&1) << bit
			}
			if l.signed {
				if v >= 1<<(l.stored-1) {
					v -= 1 << l.stored
				}
				v += 32768
			}
			want[i] = uint16(v)
		}
		l.toStored(words, nil)
		require.Equal(t, want, words)
	})
}
