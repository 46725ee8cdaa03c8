package scan

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
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
		require.NoError(t, c.l.hold(words, c.precision, c.pad), name)
		assert.Equal(t, c.want, words, name)
	}
	assert.ErrorContains(t, unsigned.hold([]uint16{8192}, 16, nil), "its compressed pixels hold 8192, far beyond the 12 bits stored")
	assert.ErrorContains(t, signed.hold([]uint16{word(-6145)}, 16, nil), "hold -6145")
}
