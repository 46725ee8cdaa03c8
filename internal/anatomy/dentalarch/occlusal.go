package dentalarch

import (
	"math"
	"slices"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// occlusal is a map of how dense the tissue is around the level of the
// platforms, seen along the body's axis. Values are 0 for the least and 1 for
// the densest tissue, NaN where the scan has none.
type occlusal struct {
	corner point // of pixel (0, 0)
	nx, ny int
	dense  []float32
}

const (
	pixel = 0.6 // mm
)

// at is the value at a point, of the nearest pixel.
func (m *occlusal) at(x, y float64) float64 {
	x, y = (x-m.corner.x)/pixel+0.5, (y-m.corner.y)/pixel+0.5
	if x < 0 || y < 0 {
		return math.NaN()
	}
	i, j := int(x), int(y)
	if i >= m.nx || j >= m.ny {
		return math.NaN()
	}
	return float64(m.dense[j*m.nx+i])
}

// densityMap makes the map of a scan from the slab between two heights, mm from level
// towards the jaw's roots; up is 1 in an upper jaw and −1 in a lower one.
func densityMap(v *volume.Volume, level, up, from, to float64) *occlusal {
	low, high := point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for n := range 8 {
		end := func(bit int) float64 { return float64((n >> bit & 1) * (v.Size[bit] - 1)) }
		p := v.Patient(end(0), end(1), end(2))
		low = point{min(low.x, p.X), min(low.y, p.Y)}
		high = point{max(high.x, p.X), max(high.y, p.Y)}
	}
	m := &occlusal{corner: low, nx: int((high.x-low.x)/pixel) + 1, ny: int((high.y-low.y)/pixel) + 1}
	m.dense = make([]float32, m.nx*m.ny)
	flat := make([]bool, m.nx*m.ny) // one grey value at all heights
	for j := range m.ny {
		for i := range m.nx {
			sum, n := 0.0, 0
			least, most := math.Inf(1), math.Inf(-1)
			for h := from; h <= to; h += pixel {
				x, y, z := v.Index(geom.Vec{X: low.x + pixel*float64(i), Y: low.y + pixel*float64(j), Z: level + up*h})
				a, b, c := int(math.Round(x)), int(math.Round(y)), int(math.Round(z))
				if a < 0 || b < 0 || c < 0 || a >= v.Size[0] || b >= v.Size[1] || c >= v.Size[2] {
					continue
				}
				if g := v.Grey(a, b, c); !math.IsNaN(g) {
					sum += g
					n++
					least, most = min(least, g), max(most, g)
				}
			}
			m.dense[j*m.nx+i] = float32(sum / float64(n)) // NaN without any
			flat[j*m.nx+i] = least >= most
		}
	}
	m.normalise()
	m.trim(flat)
	return m
}

// trim takes away what a scanner writes outside its round field of view: one
// constant, from the ends of every row to where noise begins. As tissue it would
// be the edge of a ridge that goes on beyond the field.
func (m *occlusal) trim(flat []bool) {
	nothing := float32(math.NaN())
	for j := range m.ny {
		row, flat := m.dense[j*m.nx:][:m.nx], flat[j*m.nx:][:m.nx]
		first, last := 0, m.nx-1
		for ; first < m.nx && flat[first]; first++ {
			row[first] = nothing
		}
		for ; last >= first && flat[last]; last-- {
			row[last] = nothing
		}
	}
}

// normalise turns grey values into 0 to 1. The darkest tenth is air around the
// head or outside the field, the brightest twentieth metal and enamel.
func (m *occlusal) normalise() {
	var x []float32
	for _, g := range m.dense {
		if !math.IsNaN(float64(g)) {
			x = append(x, g)
		}
	}
	if len(x) == 0 {
		return
	}
	slices.Sort(x)
	low, high := x[len(x)/10], x[len(x)-1-len(x)/20]
	for i, g := range m.dense {
		if high > low {
			m.dense[i] = min(1, max(0, (g-low)/(high-low)))
		}
	}
}

const (
	bandIn   = 2.5 // offsets from the middle of the ridge that are still dense, mm
	bandEdge = 8.5 // offsets at which the soft tissue beside it lies, mm
	widest   = 9.0 // half the width of the widest ridge, mm
	// edgeLevel is the level of a band's edge between the density beside it and
	// its own: under a half, since a band of teeth and bone is densest in a tooth's
	// enamel.
	edgeLevel = 0.4
	// halfBand is half the usual width of the band between its edges, and halfBandSD
	// its standard deviation, mm; common practice, no source.
	halfBand, halfBandSD = 4.5, 1.5
)

// along is the unit direction of a line at point i, from right to left.
func along(line []point, i int) point {
	t := line[min(i+1, len(line)-1)].minus(line[max(i-1, 0)])
	l := t.norm()
	return point{t.x / l, t.y / l}
}

// outwards is the unit vector to buccal there.
func outwards(line []point, i int) point {
	t := along(line, i)
	return point{t.y, -t.x}
}

// meanContrast is the mean contrast of a dense band along a line moved by shift; 0
// counts where the scan does not reach.
func (m *occlusal) meanContrast(line []point, shift point) float64 {
	sum := 0.0
	for i, p := range line {
		if c := m.contrast(point{p.x + shift.x, p.y + shift.y}, outwards(line, i), 0); !math.IsNaN(c) {
			sum += c
		}
	}
	return sum / float64(len(line))
}

// ridgeFraction is the fraction of a line between two arcs, which must overlap it,
// that has a ridge on it.
func (m *occlusal) ridgeFraction(line []point, from, to int) float64 {
	n, all := 0.0, 0.0
	for i := max(0, formEnd+from); i <= min(len(line)-1, formEnd+to); i++ {
		all++
		if s := m.locateRidge(line[i], outwards(line, i)); s.contrast > minContrast && math.Abs(s.off) <= maxLineOffset {
			n++
		}
	}
	return n / all
}

// sight is a ridge located across a line: the offset of its middle along the normal
// and the standard deviation of that, mm; contrast is 0 where there is none.
type sight struct{ off, contrast, sd float64 }

// locateRidge looks along n from p for the middle of a dense band.
//
// Method: from where the contrast is greatest, the middle of the two edges, each
// where the density falls below some of the way from that of the denser side to
// that of the band, so that a band wider than the contrast looks at has one
// middle and not a plateau. Of a band that the field cuts, one edge gives the
// middle as far as its width is known.
func (m *occlusal) locateRidge(p, n point) sight {
	off, contrast := 0.0, 0.0
	for t := -searchReach; t <= searchReach; t += pixel / 2 {
		if c := m.contrast(p, n, t); c > contrast {
			off, contrast = t, c
		}
	}
	if contrast == 0 || math.Abs(off) > searchReach-pixel { // the band lies beyond
		return sight{}
	}
	a, b := m.smoothed(p, n, off-bandEdge), m.smoothed(p, n, off+bandEdge)
	switch {
	case math.IsNaN(a):
		a = b
	case math.IsNaN(b):
		b = a
	}
	side := max(a, b)
	edge := side + edgeLevel*(m.smoothed(p, n, off)-side)
	low, high := off, off
	for low > off-widest && m.smoothed(p, n, low) > edge {
		low -= pixel / 2
	}
	for high < off+widest && m.smoothed(p, n, high) > edge {
		high += pixel / 2
	}
	cutLow, cutHigh := math.IsNaN(m.smoothed(p, n, low)), math.IsNaN(m.smoothed(p, n, high))
	switch {
	case cutLow && cutHigh:
		return sight{}
	case cutLow:
		return sight{high - halfBand, contrast, halfBandSD}
	case cutHigh:
		return sight{low + halfBand, contrast, halfBandSD}
	}
	return sight{(low + high) / 2, contrast, ridgeSD}
}

// smoothed is the density at an offset along n, averaged along the band over a
// third of a tooth; NaN where the scan does not reach.
func (m *occlusal) smoothed(p, n point, off float64) float64 {
	const to = 2.0 // mm to both sides
	sum := 0.0
	for u := -to; u <= to; u++ {
		sum += m.at(p.x+off*n.x-u*n.y, p.y+off*n.y+u*n.x)
	}
	return sum / (2*to + 1)
}

// contrast of a band across n at an offset: its value less that of the denser
// side; NaN where the scan does not reach.
func (m *occlusal) contrast(p, n point, off float64) float64 {
	at := func(t float64) float64 { return m.at(p.x+(off+t)*n.x, p.y+(off+t)*n.y) }
	in := (at(-bandIn) + at(0) + at(bandIn)) / 3
	a, b := at(-bandEdge), at(bandEdge)
	switch {
	case math.IsNaN(a):
		a = b
	case math.IsNaN(b):
		b = a
	}
	return in - max(a, b)
}
