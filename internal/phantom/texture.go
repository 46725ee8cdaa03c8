package phantom

import "math"

// hash64 hashes four numbers to 64 bits.
//
// Method: the finaliser of Steele, Lea and Flood, Fast splittable pseudorandom
// number generators, OOPSLA 2014, doi 10.1145/2660193.2660195, applied to a
// linear combination with odd constants.
func hash64(a, b, c, d uint64) uint64 {
	z := a*0x9e3779b97f4a7c15 + b*0xbf58476d1ce4e5b9 + c*0x94d049bb133111eb + d*0xd6e8feb86659fd93 + 0x2545f4914f6cdd1d
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// normalFromBits turns 64 bits into a nearly normal number of unit variance: the
// sum of four uniform numbers of 16 bits (its kurtosis is 2.7 against 3, which
// filtering brings to 3).
func normalFromBits(h uint64) float32 {
	s := float32(h&0xffff) + float32(h>>16&0xffff) + float32(h>>32&0xffff) + float32(h>>48) - 2*65535
	return s * (1.7320508 / 65536)
}

// latticeSize is the number of cells of a lattice along each edge; a power of
// two, so that wrapping is a mask. 64³ single-precision numbers are 1 MB, which
// stays in the processor's cache.
const latticeSize = 64

// lattice is smooth noise of zero mean and unit variance that fills space
// periodically, one random number a cell.
type lattice struct{ v []float32 }

func newLattice(seed uint64) *lattice {
	const n, m = latticeSize, latticeSize - 1
	v := make([]float32, n*n*n)
	for i := range v {
		v[i] = normalFromBits(hash64(seed, uint64(i), 11, 3))
	}
	// A 1-2-1 filter along each axis takes the cells' edges away; it leaves
	// the variance (6/16)³ of it, which the scale restores.
	w := make([]float32, len(v))
	const bits = 6 // of n
	for axis := range 3 {
		step := 1 << (bits * axis)
		for i := range v {
			c := i >> (bits * axis) & m
			prev, next := i-step, i+step
			if c == 0 {
				prev += n * step
			}
			if c == m {
				next -= n * step
			}
			w[i] = 0.5*v[i] + 0.25*(v[prev]+v[next])
		}
		v, w = w, v
	}
	scale := float32(math.Pow(16.0/6, 1.5))
	for i := range v {
		v[i] *= scale
	}
	return &lattice{v}
}

// at is the trilinear value at a point given in cells.
func (l *lattice) at(x, y, z float64) float64 {
	const m = latticeSize - 1
	// The bias keeps the truncation a floor for all coordinates in use.
	const bias = 1 << 16
	x, y, z = x+bias, y+bias, z+bias
	i, j, k := int(x), int(y), int(z)
	fx, fy, fz := float32(x-float64(i)), float32(y-float64(j)), float32(z-float64(k))
	i0, i1 := i&m, (i+1)&m
	j0, j1 := (j&m)*latticeSize, ((j+1)&m)*latticeSize
	k0, k1 := (k&m)*latticeSize*latticeSize, ((k+1)&m)*latticeSize*latticeSize
	v := l.v
	a := v[k0+j0+i0] + fx*(v[k0+j0+i1]-v[k0+j0+i0])
	b := v[k0+j1+i0] + fx*(v[k0+j1+i1]-v[k0+j1+i0])
	c := v[k1+j0+i0] + fx*(v[k1+j0+i1]-v[k1+j0+i0])
	d := v[k1+j1+i0] + fx*(v[k1+j1+i1]-v[k1+j1+i0])
	a += fy * (b - a)
	c += fy * (d - c)
	return float64(a + fz*(c-a))
}

// smoothRandom is a smooth random function of arc length: a few sines of given
// wavelengths, peak height about amplitude.
type smoothRandom struct {
	amplitude, wave, phase [3]float64
}

func newSmoothRandom(r *randomSource, amplitude, wavelength float64) smoothRandom {
	var c smoothRandom
	for i := range 3 {
		c.amplitude[i] = amplitude * r.uniform(0.25, 0.6) / (1 + 0.5*float64(i))
		c.wave[i] = 2 * math.Pi / (wavelength * r.uniform(0.8, 1.25) / (1 + 0.7*float64(i)))
		c.phase[i] = r.uniform(0, 2*math.Pi)
	}
	return c
}

func (c smoothRandom) at(s float64) float64 {
	v := 0.0
	for i := range 3 {
		v += c.amplitude[i] * math.Sin(c.wave[i]*s+c.phase[i])
	}
	return v
}
