package jpeg2000

import (
	"encoding/hex"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

func fromHex(t testing.TB, s string) []byte {
	b, err := hex.DecodeString(s)
	require.NoError(t, err)
	return b
}

// The test sequence of the MQ coder, ITU-T T.88 (2000) H.2 (quoted from memory;
// coded data and decoded bits agree with each other, which no slip would leave).
func TestArithmeticSequence(t *testing.T) {
	coded := fromHex(t, "84C73BFCE1A1430402200000410DBB86F4317FFF88FF37471ADB6ADFFFAC")
	want := fromHex(t, "00020051000000C0035287"+"2AAAAAAAAA82C02000FCD79EF6BF7FED904F46A3BF")
	var m arithmetic
	m.contexts = firstContexts
	m.begin(coded)
	got := make([]byte, len(want))
	for i := range got {
		for range 8 {
			got[i] = got[i]<<1 | byte(m.symbol(&m.contexts[1])) // it begins in row 0 of table C.2
		}
	}
	assert.Equal(t, want, got)
}

// The first example of J.10: the blocks and the samples of one column of nine.
// Values and the bytes of the high pass are quoted from memory; they agree with
// each other, which no slip would leave. The bytes of the low pass are those that
// OpenJPEG 2.5.0 codes it to.
func TestExampleOfTheStandard(t *testing.T) {
	var c blockCoder
	block := func(coded string, rows, planes, kind int) (out []int32) {
		require.True(t, c.decode([]segment{{data: fromHex(t, coded), passes: int16(3*planes - 2)}}, 1, rows, planes, kind, 0))
		for _, v := range c.values {
			out = append(out, v/2)
		}
		return out
	}
	low := block("018F0DC8757F", 5, 6, bandLL)
	assert.Equal(t, []int32{-26, -22, -30, -32, -19}, low)
	high := block("0FB176", 4, 3, bandLH)
	assert.Equal(t, []int32{1, 5, 1, 0}, high)
	samples := append(low, high...)
	inverse(samples, 1, plane(rect{0, 0, 1, 9}, 1), nil, lift53)
	for i := range samples {
		samples[i] += 128
	}
	assert.Equal(t, []int32{101, 103, 104, 105, 96, 97, 96, 102, 109}, samples)
}

// Contexts of table D.1, read from its rows, and of table D.3.
func TestContexts(t *testing.T) {
	const (
		w, e, n, s = 1 << 3, 1 << 5, 1 << 1, 1 << 7
		nw, ne, se = 1, 1 << 2, 1 << 8
	)
	for _, c := range []struct {
		near       int
		lh, hl, hh uint8
	}{
		{0, 0, 0, 0},
		{w | e, 8, 4, 2},
		{w | e | n | s, 8, 8, 2},
		{w | n, 7, 7, 2},
		{w | nw, 6, 3, 4},
		{w, 5, 3, 1},
		{n | s, 4, 8, 2},
		{n, 3, 5, 1},
		{n | ne, 3, 6, 4},
		{nw | ne, 2, 2, 6},
		{nw | ne | n, 3, 6, 7},
		{nw, 1, 1, 3},
		{nw | n | w, 7, 7, 5},
		{nw | ne | se, 2, 2, 8},
	} {
		assert.Equal(t, []uint8{c.lh, c.lh, c.hl, c.hh},
			[]uint8{zeroContexts[bandLL][c.near], zeroContexts[bandLH][c.near], zeroContexts[bandHL][c.near], zeroContexts[bandHH][c.near]}, "%09b", c.near)
	}
	word := func(h, v int) int { // neighbours west and above; east and below where one is not enough
		bits := map[int]int{0: 0, 1: 1, -1: 3}
		return bits[h] | bits[v]<<4
	}
	for _, c := range []struct {
		h, v    int
		context uint8
		flip    bool
	}{
		{1, 1, 13, false}, {1, 0, 12, false}, {1, -1, 11, false}, {0, 1, 10, false}, {0, 0, 9, false},
		{0, -1, 10, true}, {-1, 1, 11, true}, {-1, 0, 12, true}, {-1, -1, 13, true},
	} {
		got := signContexts[word(c.h, c.v)]
		assert.Equal(t, c.context, got&0x7F, "H %d, V %d", c.h, c.v)
		assert.Equal(t, c.flip, got&0x80 != 0, "H %d, V %d", c.h, c.v)
	}
	// Two alike count once, two that differ not at all (table D.2).
	assert.Equal(t, signContexts[1], signContexts[1|1<<2])
	assert.Equal(t, signContexts[0], signContexts[1|3<<2])
}

// forward is the transform of annex F by its equations, on one line that begins
// at a place: low pass, then high pass, mirrored at its ends.
func forward[T int32 | float64](line []T, begin int, step func(at int, a, v, b T, round int) T, rounds int) (low, high []T) {
	n := len(line)
	x := append([]T(nil), line...)
	mirrored := func(i int) T {
		for n > 1 && (i < 0 || i >= n) {
			if i < 0 {
				i = -i
			} else {
				i = 2*(n-1) - i
			}
		}
		return x[min(max(i, 0), n-1)]
	}
	if n > 1 {
		for round := range rounds {
			for i := range x {
				if (begin+i)&1 == 1-round&1 {
					x[i] = step(i, mirrored(i-1), x[i], mirrored(i+1), round)
				}
			}
		}
	}
	for i, v := range x {
		if (begin+i)&1 == 0 {
			low = append(low, v)
		} else {
			high = append(high, v)
		}
	}
	return low, high
}

// plane has the resolutions of an area, and what is in its coefficients.
func plane(area rect, levels int) []resolution {
	out := make([]resolution, levels+1)
	for r := range out {
		n := levels - r
		out[r].area = rect{ceilShift(area.x0, n), ceilShift(area.y0, n), ceilShift(area.x1, n), ceilShift(area.y1, n)}
	}
	return out
}

// analyse transforms samples forward, resolution by resolution, columns first.
func analyse[T int32 | float64](all []T, stride int, resolutions []resolution, line func([]T, int) (low, high []T)) {
	for r := len(resolutions) - 1; r > 0; r-- {
		a := resolutions[r].area
		for x := range a.width() {
			column := make([]T, a.height())
			for y := range column {
				column[y] = all[y*stride+x]
			}
			low, high := line(column, a.y0)
			for y, v := range append(low, high...) {
				all[y*stride+x] = v
			}
		}
		for y := range a.height() {
			row := all[y*stride:][:a.width()]
			low, high := line(append([]T(nil), row...), a.x0)
			copy(row, append(low, high...))
		}
	}
}

func forward53(line []int32, begin int) (low, high []int32) {
	low, high = forward(line, begin, func(_ int, a, v, b int32, round int) int32 {
		if round == 0 {
			return v - (a+b)>>1
		}
		return v + (a+b+2)>>2
	}, 2)
	if len(line) == 1 && begin&1 == 1 {
		high[0] *= 2
	}
	return low, high
}

// forward97 has the high pass halved, as the decoder's steps have it doubled.
func forward97(line []float64, begin int) (low, high []float64) {
	low, high = forward(line, begin, func(_ int, a, v, b float64, round int) float64 {
		return v + [...]float64{alpha, beta, gamma, delta}[round]*(a+b)
	}, 4)
	if len(line) > 1 {
		for i := range low {
			low[i] /= kappa
		}
		for i := range high {
			high[i] *= kappa / 2
		}
	}
	return low, high
}

// The transforms undo those of the standard's equations, at any place and size.
func TestInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		area := rect{x0: rapid.IntRange(0, 40).Draw(t, "x"), y0: rapid.IntRange(0, 40).Draw(t, "y")}
		area.x1 = area.x0 + rapid.IntRange(1, 40).Draw(t, "columns")
		area.y1 = area.y0 + rapid.IntRange(1, 40).Draw(t, "rows")
		resolutions := plane(area, rapid.IntRange(0, 6).Draw(t, "levels"))
		w, n := area.width(), area.width()*area.height()
		whole, exact := make([]int32, n), make([]float64, n)
		for i, v := range rapid.SliceOfN(rapid.Int32Range(-32768, 32767), n, n).Draw(t, "samples") {
			whole[i], exact[i] = v, float64(v)
		}
		want := append([]int32(nil), whole...)
		analyse(whole, w, resolutions, forward53)
		inverse(whole, w, resolutions, nil, lift53)
		require.Equal(t, want, whole)

		analyse(exact, w, resolutions, forward97)
		rounded := make([]float32, n)
		for i, v := range exact {
			rounded[i] = float32(v)
		}
		inverse(rounded, w, resolutions, nil, lift97)
		for i, v := range rounded {
			// 24 bits, in some tens of operations a level.
			require.InDelta(t, want[i], v, 32768*math.Pow(2, -24)*60*float64(len(resolutions)))
		}
	})
}

// The tag tree of figure B.12, coded as B.10.2 says: 1, 3, 2, 3, 2, 3 above 2, 2,
// 1, 4, 3, 2 above 2, 2, 2, 2, 1, 2.
func TestTagTree(t *testing.T) {
	// q3(0,0): root 1 and its child 1, that one's child 1, and the leaf 1: 01 1 1 1.
	// q3(1,0): the leaf 3: 001. q3(2,0): the middle node 2, the leaf 2: 01... (B.10.2)
	b := bitReader{data: []byte{0b01111_001, 0b101_00000}}
	tree := newTagTree(6, 3)
	value := func(x, y int) (v tagNode) {
		for !tree.below(&b, x, y, v+1) {
			v++
		}
		return v
	}
	assert.Equal(t, tagNode(1), value(0, 0))
	assert.Equal(t, tagNode(3), value(1, 0))
	assert.Equal(t, tagNode(2), value(2, 0))
	assert.False(t, b.overrun)
	assert.Equal(t, 2, b.pos)
}

// The numbers of passes at the ends of table B.4's rows.
func TestPasses(t *testing.T) {
	for bits, want := range map[string]int{
		"00": 1, "80": 2, "C0": 3, "E0": 5, "F000": 6, "F780": 21, "FF00": 36, "FF0000": 36, "FF7F80": 37 + 127, "FF4000": 37,
	} {
		b := bitReader{data: fromHex(t, bits)}
		assert.Equal(t, want, b.codingPasses(), bits)
	}
}
