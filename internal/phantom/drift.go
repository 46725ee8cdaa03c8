package phantom

import (
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// A head that drifts while the source circles it. A reconstruction takes what is seen
// along a direction in the slice from the two views across it, half a turn apart, so
// that an edge lies where the head was then: the mean of both poses, and doubled where
// they differ.
//
// Method: by the projection-slice theorem each view holds the slice's Fourier transform on
// one line through the origin. The image of a moving head is the sum of the images at
// driftNodes pairs of poses, each through the wedge of spatial frequencies that its views
// hold (A. C. Kak and M. Slaney, Principles of Computerized Tomographic Imaging, 1988,
// chapter 3). The wedges overlap as linear interpolation between poses does. The beam is
// taken as parallel, and artefacts of metal as those of the mean pose.
const (
	driftNodes = 8
	// borderTaper is how far inside the scan's border the drift is whole, mm: the border is
	// the scanner's and does not move.
	borderTaper = 3.0
)

// headPath is the pose of the head at a share of the turn: a small motion in the scan's
// frame about centre.
type headPath struct {
	centre geom.Vec
	terms  []pathTerm
	mean   [6]float64
	scale  [6]float64
}

// pathTerm is one part of a path: slope·t + Σ amplitude·cos(2π·frequency·t + phase).
type pathTerm struct {
	slope                       float64
	amplitude, frequency, phase [3]float64
}

// pathSamples is how many poses the mean and the standard deviation of a path are of.
const pathSamples = 720

// headPath is a drift with slow swings, each of the six degrees of freedom with a mean of
// zero and a standard deviation of Drift mm, or DriftTurn degrees; nil where the head is
// still.
func (c Scan) headPath(seed uint64) *headPath {
	if c.Drift == 0 && c.DriftTurn == 0 {
		return nil
	}
	r := newRandomSource(seed, 310)
	p := &headPath{centre: c.Move, terms: make([]pathTerm, 6)}
	for a := range p.terms {
		t := &p.terms[a]
		t.slope = r.NormFloat64()
		for k := range t.frequency {
			t.frequency[k] = r.uniform(0.2, 2.2)
			t.amplitude[k] = 0.5 * r.NormFloat64() / (0.5 + t.frequency[k])
			t.phase[k] = r.uniform(0, 2*math.Pi)
		}
		sum, squares := 0.0, 0.0
		for n := range pathSamples {
			v := t.at((float64(n) + 0.5) / pathSamples)
			sum += v
			squares += v * v
		}
		p.mean[a] = sum / pathSamples
		sd := math.Sqrt(squares/pathSamples - p.mean[a]*p.mean[a])
		p.scale[a] = c.Drift / sd
		if a < 3 {
			p.scale[a] = geom.Radians(c.DriftTurn) / sd
		}
	}
	return p
}

func (t *pathTerm) at(share float64) float64 {
	v := t.slope * share
	for k, a := range t.amplitude {
		v += a * math.Cos(2*math.Pi*t.frequency[k]*share+t.phase[k])
	}
	return v
}

// pose is where the head is at a share of the turn, as a motion of the scan's frame.
func (p *headPath) pose(share float64) geom.Rigid {
	if p == nil {
		return geom.Identity()
	}
	share -= math.Floor(share)
	var v [6]float64
	for a := range v {
		v[a] = p.scale[a] * (p.terms[a].at(share) - p.mean[a])
	}
	m := geom.Rotation(geom.Vec{X: v[0], Y: v[1], Z: v[2]})
	m.T = r3.Add(geom.Vec{X: v[3], Y: v[4], Z: v[5]}, r3.Sub(p.centre, m.Rotate(p.centre)))
	return m
}

// drift replaces the block by the image of the head that moves along a path.
func (b *block) drift(p *headPath) { b.driftWithin(p, borderTaper) }

// driftWithin is drift with a taper of so many mm.
func (b *block) driftWithin(p *headPath, taper float64) {
	nx, ny, nz := b.size[0], b.size[1], b.size[2]
	layer := nx * ny
	still := b.grey
	pairs := (nz + 1) / 2 // two slices are one complex one: all wedges are symmetric
	sum := make([][]complex128, pairs)
	for i := range sum {
		sum[i] = make([]complex128, layer)
	}
	weights := b.taper(taper)
	moved := make([]float32, len(still))
	for n := range driftNodes {
		angle := math.Pi * float64(n) / driftNodes
		clear(moved)
		for _, half := range [2]float64{0, 0.5} {
			b.addMoved(moved, still, p.pose(angle/(2*math.Pi)+0.25+half).Inverse(), weights, taper)
		}
		wedge := b.wedge(angle)
		parallel.For(pairs, func(i int) {
			f := newPlaneFourier(nx, ny)
			for at := range f.data {
				re, im := float64(moved[2*i*layer+at]), 0.0
				if 2*i+1 < nz {
					im = float64(moved[(2*i+1)*layer+at])
				}
				f.data[at] = complex(re/2, im/2)
			}
			f.forward()
			for at, w := range wedge {
				sum[i][at] += complex(w, 0) * f.data[at]
			}
		})
	}
	out := make([]float32, len(still))
	parallel.For(pairs, func(i int) {
		f := newPlaneFourier(nx, ny)
		copy(f.data, sum[i])
		f.inverse()
		for at, v := range f.data {
			out[2*i*layer+at] = float32(real(v))
			if 2*i+1 < nz {
				out[(2*i+1)*layer+at] = float32(imag(v))
			}
		}
	})
	b.grey = out
}

// wedge is the share of each spatial frequency that views across angle hold.
func (b *block) wedge(angle float64) []float64 {
	nx, ny := b.size[0], b.size[1]
	dx, dy := b.grid.Step[0].X, b.grid.Step[1].Y
	out := make([]float64, nx*ny)
	signed := func(i, n int) float64 {
		if 2*i > n {
			i -= n
		}
		return float64(i) / float64(n)
	}
	for j := range ny {
		for i := range nx {
			fx, fy := signed(i, nx)/dx, signed(j, ny)/dy
			if i == 0 && j == 0 {
				out[0] = 1.0 / driftNodes
				continue
			}
			d := math.Remainder(math.Atan2(fy, fx)-angle, math.Pi) / (math.Pi / driftNodes)
			out[j*nx+i] = max(0, 1-math.Abs(d))
		}
	}
	return out
}

// taper is how much of the drift each voxel of a slice, and each slice, has.
func (b *block) taper(reach float64) (w [3][]float64) {
	for a := range 3 {
		step := b.grid.Spacing()[a]
		w[a] = make([]float64, b.size[a])
		for i := range w[a] {
			edge := float64(min(i, b.size[a]-1-i)) * step
			w[a][i] = smoothstep(-1e-9, reach, edge)
		}
	}
	return w
}

// addMoved adds still as it is read at the places where m takes each voxel, by cubic
// convolution (R. G. Keys, IEEE Trans Acoust Speech Signal Process 1981;29(6):1153-1160).
func (b *block) addMoved(out, still []float32, m geom.Rigid, taper [3][]float64, reach float64) {
	nx, ny, nz := b.size[0], b.size[1], b.size[2]
	layer := nx * ny
	field := b.fieldRadius()
	parallel.For(nz, func(k int) {
		for j := range ny {
			for i := range nx {
				at := k*layer + j*nx + i
				r := math.Sqrt(b.radius2(b.lo[0]+i, b.lo[1]+j))
				w := min(taper[0][i], taper[1][j], taper[2][k], smoothstep(-1e-9, reach, field-r))
				if w == 0 {
					out[at] += still[at]
					continue
				}
				p := b.grid.Patient(float64(b.lo[0]+i), float64(b.lo[1]+j), float64(b.lo[2]+k))
				x, y, z := b.grid.Index(r3.Add(p, r3.Scale(w, r3.Sub(m.Apply(p), p))))
				out[at] += b.cubic(still, x-float64(b.lo[0]), y-float64(b.lo[1]), z-float64(b.lo[2]))
			}
		}
	})
}

func (b *block) cubic(still []float32, x, y, z float64) float32 {
	var at [3][4]int
	var w [3][4]float32
	for a, v := range [3]float64{x, y, z} {
		f := math.Floor(v)
		w[a] = keysWeights(float32(v - f))
		for n := range 4 {
			at[a][n] = max(0, min(b.size[a]-1, int(f)+n-1))
		}
	}
	var sum float32
	for c, k := range at[2] {
		for d, j := range at[1] {
			row := still[(k*b.size[1]+j)*b.size[0]:]
			sum += w[2][c] * w[1][d] * (w[0][0]*row[at[0][0]] + w[0][1]*row[at[0][1]] + w[0][2]*row[at[0][2]] + w[0][3]*row[at[0][3]])
		}
	}
	return sum
}

// keysWeights are those of the four nodes about a place a share t past the second.
func keysWeights(t float32) [4]float32 {
	return [4]float32{
		((-0.5*t+1)*t - 0.5) * t,
		(1.5*t-2.5)*t*t + 1,
		((-1.5*t+2)*t + 0.5) * t,
		(0.5*t - 0.5) * t * t,
	}
}

// planeFourier is the Fourier transform of one slice.
type planeFourier struct {
	nx, ny       int
	data         []complex128
	rows, cols   *fourier.CmplxFFT
	column, work []complex128
}

func newPlaneFourier(nx, ny int) *planeFourier {
	return &planeFourier{nx: nx, ny: ny, data: make([]complex128, nx*ny), rows: fourier.NewCmplxFFT(nx), cols: fourier.NewCmplxFFT(ny),
		column: make([]complex128, ny), work: make([]complex128, ny)}
}

func (f *planeFourier) forward() {
	for j := range f.ny {
		row := f.data[j*f.nx:][:f.nx]
		copy(row, f.rows.Coefficients(nil, row))
	}
	f.eachColumn(func() { f.cols.Coefficients(f.work, f.column) })
}

// inverse is the inverse of forward.
func (f *planeFourier) inverse() {
	f.eachColumn(func() { f.cols.Sequence(f.work, f.column) })
	for j := range f.ny {
		row := f.data[j*f.nx:][:f.nx]
		copy(row, f.rows.Sequence(nil, row))
	}
	scale := complex(1/float64(f.nx*f.ny), 0)
	for i := range f.data {
		f.data[i] *= scale
	}
}

func (f *planeFourier) eachColumn(transform func()) {
	for i := range f.nx {
		for j := range f.ny {
			f.column[j] = f.data[j*f.nx+i]
		}
		transform()
		for j := range f.ny {
			f.data[j*f.nx+i] = f.work[j]
		}
	}
}
