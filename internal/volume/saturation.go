package volume

import (
	"math"
	"math/bits"

	"plumbline/internal/parallel"
)

// Extremes is the range of the stored values of one slice, padding left out.
type Extremes struct {
	Low, High uint16
	Voxels    int // that are not padding; the range means nothing where there are none
}

// ExtremesOf is the range of one slice's stored values; padding is nil where
// the scan has none.
func ExtremesOf(stored []uint16, padding *Range) Extremes {
	if padding == nil {
		low, high := storedRange(stored)
		return Extremes{low, high, len(stored)}
	}
	e := Extremes{Low: math.MaxUint16}
	for _, s := range stored {
		if s < padding.Low || s > padding.High {
			e.Low, e.High = min(e.Low, s), max(e.High, s)
			e.Voxels++
		}
	}
	return e
}

// Extremes is the range of every slice's stored values.
func (v *Volume) Extremes() []Extremes {
	out := make([]Extremes, v.Size[2])
	parallel.For(len(out), func(k int) { out[k] = ExtremesOf(v.slice(k), v.Padding) })
	return out
}

// slice is the stored values of slice k.
func (v *Volume) slice(k int) []uint16 {
	plane := v.Size[0] * v.Size[1]
	return v.Stored[k*plane : (k+1)*plane]
}

// GreyRange is the range of grey values, given each slice's extremes; NaN where
// all is padding.
func (v *Volume) GreyRange(slices []Extremes) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for k, e := range slices {
		if e.Voxels == 0 {
			continue
		}
		a := v.Slope[k]*float64(e.Low) + v.Intercept[k]
		b := v.Slope[k]*float64(e.High) + v.Intercept[k]
		low, high = min(low, a, b), max(high, a, b)
	}
	if low > high {
		return math.NaN(), math.NaN()
	}
	return low, high
}

const (
	// minPlateau is the fewest voxels at the highest grey value that show
	// saturation: a single fixture that is clipped over a tenth of its surface
	// has hundreds, noise puts a handful there.
	minPlateau = 30
	// belowTop is the part of the grey range below the highest value in which a
	// scan that is not saturated has more voxels than at the highest value itself.
	belowTop = 0.01
	// sameGrey, relative, is how near two grey values are one: the rounding of
	// a slice's own rescale.
	sameGrey = 1e-9
)

// SaturationLevel is the grey value at which the scan is clipped, given each
// slice's extremes; NaN when it is not saturated. It is the highest grey value,
// where at least minPlateau voxels share it and more voxels than lie in the
// hundredth of the grey range below it: noise and partial volume leave fewer and
// fewer voxels towards the top of a scan that is not clipped. Method: common
// practice, no source.
func (v *Volume) SaturationLevel(slices []Extremes) float64 {
	low, high := v.GreyRange(slices)
	window := belowTop * (high - low)
	if !(window > 0) {
		return math.NaN()
	}
	atTop, below := make([]int, len(slices)), make([]int, len(slices))
	parallel.For(len(slices), func(k int) {
		atTop[k], below[k] = v.countNearTop(k, slices[k], high, window)
	})
	plateau, rest := 0, 0
	for k := range atTop {
		plateau, rest = plateau+atTop[k], rest+below[k]
	}
	if plateau >= minPlateau && plateau > rest {
		return high
	}
	return math.NaN()
}

// SaturationLevels is the grey value at which each slice of the voxels lo (included) to hi
// (excluded) is clipped; NaN where it is not. The rule is that of SaturationLevel, for all
// slices of the range together that end at the same stored value: slices that were rescaled
// each for itself are clipped each at its own grey value, and so are parts that were put
// together.
func (v *Volume) SaturationLevels(lo, hi [3]int) []float64 {
	type top struct {
		stored uint16
		rising bool
	}
	type count struct{ at, below int }
	tops := make([]top, hi[2]-lo[2])
	counts := make(map[top]count)
	for n := range tops {
		k := lo[2] + n
		var stored []uint16
		for j := lo[1]; j < hi[1]; j++ {
			at := (k*v.Size[1] + j) * v.Size[0]
			stored = append(stored, v.Stored[at+lo[0]:at+hi[0]]...)
		}
		e := ExtremesOf(stored, v.Padding)
		t := top{e.High, v.Slope[k] > 0}
		if !t.rising {
			t.stored = e.Low
		}
		tops[n] = t
		if e.Voxels == 0 {
			continue
		}
		window := belowTop * float64(e.High-e.Low)
		c := counts[t]
		for _, s := range stored {
			switch away := math.Abs(float64(s) - float64(t.stored)); {
			case v.Padded(s) || away > window:
			case away == 0:
				c.at++
			default:
				c.below++
			}
		}
		counts[t] = c
	}
	out := make([]float64, len(tops))
	for n, t := range tops {
		out[n] = math.NaN()
		if c := counts[t]; c.at >= minPlateau && c.at > c.below {
			out[n] = v.Slope[lo[2]+n]*float64(t.stored) + v.Intercept[lo[2]+n]
		}
	}
	return out
}

// countNearTop counts the voxels of slice k that have the grey value high, and
// those up to window below it.
func (v *Volume) countNearTop(k int, e Extremes, high, window float64) (atTop, below int) {
	slope, intercept := v.Slope[k], v.Intercept[k]
	if e.Voxels == 0 || max(slope*float64(e.Low), slope*float64(e.High))+intercept < high-window {
		return 0, 0
	}
	nearLow, nearHigh := storedFrom(high-window, slope, intercept, e)
	topLow, topHigh := storedFrom(high-sameGrey*math.Abs(high), slope, intercept, e)
	if nearLow > nearHigh {
		return 0, 0
	}
	count := func(stored []uint16) {
		for _, s := range stored {
			x := int(s)
			switch {
			case x < nearLow || x > nearHigh || v.Padded(s):
			case x >= topLow && x <= topHigh:
				atTop++
			default:
				below++
			}
		}
	}
	near, top := atLeast(uint16(nearLow)), atLeast(uint16(topLow))
	if slope < 0 {
		near, top = atMost(uint16(nearHigh)), atMost(uint16(topHigh))
	}
	stored := v.slice(k)
	for ; len(stored) >= 4; stored = stored[4:] {
		x := pack(stored)
		switch m := near.mask(x); {
		case m == 0:
		case v.Padding != nil:
			count(stored[:4])
		case topLow > topHigh: // this slice does not reach the scan's highest value
			below += bits.OnesCount64(m)
		default:
			n := bits.OnesCount64(top.mask(x))
			atTop += n
			below += bits.OnesCount64(m) - n
		}
	}
	count(stored)
	return atTop, below
}

// storedFrom is the range of a slice's stored values whose grey values reach
// grey; empty (low > high) where none does.
func storedFrom(grey, slope, intercept float64, e Extremes) (low, high int) {
	s := (grey - intercept) / slope
	if slope < 0 {
		return int(e.Low), int(math.Floor(min(s, float64(e.High))))
	}
	return int(math.Ceil(max(s, float64(e.Low)))), int(e.High)
}

// Four stored values are compared at once in the 16-bit lanes of a 64-bit word
// (SWAR: SIMD within a register).
const (
	lanes   = 0x0001_0001_0001_0001 // times a 16-bit value: that value in every lane
	topBit  = 0x8000
	topBits = topBit * lanes
)

// pack puts the first four stored values into the lanes of a word.
func pack(stored []uint16) uint64 {
	s := (*[4]uint16)(stored)
	return uint64(s[0]) | uint64(s[1])<<16 | uint64(s[2])<<32 | uint64(s[3])<<48
}

// threshold is a bound that the lanes of a word are compared with.
type threshold struct{ flip, low15, lowBound uint64 }

// atLeast is the threshold of the values from bound up.
func atLeast(bound uint16) threshold {
	t := threshold{low15: lanes * uint64(bound&^topBit)}
	if bound < topBit {
		t.lowBound = topBits
	}
	return t
}

// atMost is the threshold of the values from bound down.
func atMost(bound uint16) threshold {
	t := atLeast(^bound)
	t.flip = math.MaxUint64
	return t
}

// mask has the top bit of each lane whose value reaches the threshold. The lower
// 15 bits of all lanes are compared by one subtraction: a lane keeps the top bit,
// set beforehand, where they reach those of the bound. A value reaches the bound
// by its own top bit or by its lower bits; both are needed where the bound has the
// top bit.
func (t threshold) mask(x uint64) uint64 {
	x ^= t.flip
	lower := (x | topBits) - t.low15
	return (lower&x | (lower|x)&t.lowBound) & topBits
}

// rangeBlock is how many stored values storedRange takes together.
const rangeBlock = 256

// storedRange is the lowest and the highest of stored values; low > high where
// there are none.
//
// Method: few blocks have a value beyond those before, and whether one has is
// seen four values at once. With x−low in each lane of d, and d + 2^15−1−(high−low)
// in each of e, no sum leaves its lane while all lie within low to high, and no top
// bit is set; the first value that does not sets one.
func storedRange(stored []uint16) (low, high uint16) {
	if len(stored) == 0 {
		return math.MaxUint16, 0
	}
	low, high = stored[0], stored[0]
	for len(stored) > 0 {
		some := stored[:min(rangeBlock, len(stored))]
		stored = stored[len(some):]
		if high-low < topBit && len(some) == rangeBlock && within(some, low, high) {
			continue
		}
		for _, s := range some {
			low, high = min(low, s), max(high, s)
		}
	}
	return low, high
}

// within reports whether stored values, a multiple of 16, lie within low to
// high, which are less than 2^15 apart.
func within(stored []uint16, low, high uint16) bool {
	from, room := lanes*uint64(low), lanes*uint64(topBit-1-(high-low))
	beyond := uint64(0)
	for ; len(stored) >= 16; stored = stored[16:] {
		a := pack(stored) - from
		b := pack(stored[4:]) - from
		c := pack(stored[8:]) - from
		d := pack(stored[12:]) - from
		beyond |= a | b | c | d | (a + room) | (b + room) | (c + room) | (d + room)
	}
	return beyond&topBits == 0
}
