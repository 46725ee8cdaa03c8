// Package cavity finds the air-filled cavities beyond a fixture of the upper jaw, the sinus
// and the nose, and the bony wall behind their mucosa.
//
// Conventions: planning frame, patient LPS, mm. A surface bounds the cavity, its triangles
// facing away from the air. Start with Find.
//
// Method: a cavity is air that lies apical of bone and is not the mouth's. Its air surface
// is where the grey value is half way to soft tissue. From each of its points the profile
// outwards, from which the air's own blurred step is taken, is looked through for the border
// from mucosa to bone, which package plate places; what neighbouring points show is joined by
// their uncertainties.
//
// Where mucosa is so thin that the blurs of air and bone meet in it, its grey value is taken to
// be that of soft tissue.
//
// Limits: a floor without any cortex is placed too near to the fixture, by 0.1 to 0.3 mm, since
// a dense plate somewhat deeper looks the same in the blur (TestFloorAccuracy). A cavity without
// air, such as a sinus full of fluid, is not found, and neither is one beyond the region. Whether
// a cavity is the sinus or the nose is told by where it lies beside the site.
package cavity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/tooth"
	"plumbline/internal/trimesh"
	"plumbline/internal/volume"
)

// What a cavity is.
type What string

// The cavities, as stored.
const (
	Sinus What = "sinus"
	Nose  What = "nasal-cavity"
)

// Cavity is one cavity beyond a site.
type Cavity struct {
	What What
	Air  *trimesh.Mesh // where mucosa ends
	Wall *trimesh.Mesh // where bone ends: the same triangles, moved outwards
	// U are the wall's standard uncertainties at its vertices, mm; +Inf where no border
	// from mucosa to bone was found, or the scan ends.
	U []float64
}

// UAt is the standard uncertainty of the wall towards a point of it, mm; +Inf where it was
// not found.
func (c *Cavity) UAt(p geom.Vec) float64 {
	least, u := math.Inf(1), math.Inf(1)
	for i, v := range c.Wall.Vertices {
		if d := r3.Norm2(r3.Sub(v, p)); d < least {
			least, u = d, c.U[i]
		}
	}
	return u
}

// Site is the fixture beyond which to look.
type Site struct {
	Number         tooth.Number
	Poses          []geom.Pose // as planned and as placed, or one of them
	Mesial, Buccal geom.Vec    // unit
}

const (
	// surfaceStep is the step of the triangles, mm: a sinus is smooth over that.
	surfaceStep = 0.8
	// smallest is the least volume of a cavity's part within the region, mm³: a bubble of
	// air, or an empty root canal, is smaller.
	smallest = 60.0
	// floorReach is how far coronally of a cavity there has to be bone, mm (mucosa of up to
	// 10 mm, and the floor), and floorShare at how much of it.
	floorReach, floorShare = 12.0, 0.5
)

// Find finds the cavities in a region beyond a site.
func Find(r *tissue.Region, s Site) []Cavity {
	if math.IsNaN(r.Air) {
		return nil
	}
	cells := r.Cells()
	half := float32((r.Air + r.Soft) / 2)
	var out []Cavity
	for _, air := range components(cells, func(i int) bool {
		return cells.Grey[i] < half && !r.Outside(place(cells.Grid, i))
	}) {
		if !apicalOfBone(r, cells.Grid, air, s) {
			continue
		}
		c := Cavity{What: s.kind(cells.Grid, air)}
		c.Air = airSurface(r, cells.Grid, air)
		if len(c.Air.Triangles) == 0 {
			continue
		}
		c.wall(r, s)
		out = append(out, c)
	}
	return out
}

func place(g volume.Grid, i int) geom.Vec {
	return g.Patient(float64(i%g.Size[0]), float64(i/g.Size[0]%g.Size[1]), float64(i/(g.Size[0]*g.Size[1])))
}

// components are the sets of cells that touch by their faces, but for the smallest.
func components(f *volume.Field, in func(i int) bool) [][]int {
	n := f.Len()
	wanted := make([]bool, n)
	parallel.For(f.Size[2], func(k int) {
		layer := f.Size[0] * f.Size[1]
		for i := k * layer; i < (k+1)*layer; i++ {
			wanted[i] = in(i)
		}
	})
	spacing := f.Spacing()
	least := int(smallest / (spacing[0] * spacing[1] * spacing[2]))
	var out [][]int
	for i := range wanted {
		if !wanted[i] {
			continue
		}
		wanted[i] = false
		list := []int{i}
		for at := 0; at < len(list); at++ {
			c := list[at]
			x := [3]int{c % f.Size[0], c / f.Size[0] % f.Size[1], c / (f.Size[0] * f.Size[1])}
			step := 1
			for a := range 3 {
				for _, next := range []int{c - step, c + step} {
					inside := next < c && x[a] > 0 || next > c && x[a] < f.Size[a]-1
					if inside && wanted[next] {
						wanted[next] = false
						list = append(list, next)
					}
				}
				step *= f.Size[a]
			}
		}
		if len(list) >= least {
			out = append(out, list)
		}
	}
	return out
}

// apicalOfBone reports whether air lies apical of the platform and of bone.
func apicalOfBone(r *tissue.Region, g volume.Grid, air []int, s Site) bool {
	axis := s.Poses[0].Axis()
	const most = 400 // cells looked at
	n, good := 0.0, 0.0
	for k := 0; k < len(air); k += 1 + len(air)/most {
		p := place(g, air[k])
		n++
		for d := 0.0; d < floorReach*2; d += surfaceStep / 2 {
			q := r3.Sub(p, r3.Scale(d, axis))
			if r3.Dot(r3.Sub(q, s.Poses[0].Entry), axis) < 0 || r.Outside(q) {
				break
			}
			if r.Hard(q) {
				good++
				break
			}
		}
	}
	return good >= floorShare*n
}

const (
	// noseBeside is how far to lingual of a site behind the canines a cavity begins that is
	// the nose, mm, and sinusBeside how far to distal of a front tooth the sinus does.
	noseBeside, sinusBeside = 7.0, 4.0
)

// kind tells the sinus from the nose by where the air nearest to the axis lies.
func (s Site) kind(g volume.Grid, air []int) What {
	axis := s.Poses[0].Axis()
	least, beside := math.Inf(1), geom.Vec{}
	for k := 0; k < len(air); k += 3 {
		d := r3.Sub(place(g, air[k]), s.Poses[0].Apex)
		d = r3.Sub(d, r3.Scale(r3.Dot(d, axis), axis))
		if l := r3.Norm2(d); l < least {
			least, beside = l, d
		}
	}
	lingual, distal := -r3.Dot(beside, s.Buccal), -r3.Dot(beside, s.Mesial)
	if s.Number.Anterior() {
		if distal > sinusBeside && distal > lingual {
			return Sinus
		}
		return Nose
	}
	if lingual > noseBeside && lingual > math.Abs(distal) {
		return Nose
	}
	return Sinus
}

// airSurface is where the air of a cavity ends.
func airSurface(r *tissue.Region, g volume.Grid, air []int) *trimesh.Mesh {
	// A cell beside the air's own, so that no other air is taken in.
	in := make([]bool, g.Len())
	low := geom.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	high := r3.Scale(-1, low)
	for _, c := range air {
		x := [3]int{c % g.Size[0], c / g.Size[0] % g.Size[1], c / (g.Size[0] * g.Size[1])}
		for n := range 27 {
			i, j, k := x[0]+n%3-1, x[1]+n/3%3-1, x[2]+n/9-1
			if i >= 0 && j >= 0 && k >= 0 && i < g.Size[0] && j < g.Size[1] && k < g.Size[2] {
				in[(k*g.Size[1]+j)*g.Size[0]+i] = true
			}
		}
		p := place(g, c)
		low = geom.Vec{X: min(low.X, p.X), Y: min(low.Y, p.Y), Z: min(low.Z, p.Z)}
		high = geom.Vec{X: max(high.X, p.X), Y: max(high.Y, p.Y), Z: max(high.Z, p.Z)}
	}
	half, step := (r.Air+r.Soft)/2, r.Soft-r.Air
	edge := geom.Vec{X: 1, Y: 1, Z: 1}
	return trimesh.Isosurface(func(p geom.Vec) float64 {
		x, y, z := g.Index(p)
		i, j, k := int(math.Round(x)), int(math.Round(y)), int(math.Round(z))
		if i < 0 || j < 0 || k < 0 || i >= g.Size[0] || j >= g.Size[1] || k >= g.Size[2] || !in[(k*g.Size[1]+j)*g.Size[0]+i] {
			return r.Blur
		}
		v := r.Sample(p)
		if math.IsNaN(v) {
			return r.Blur
		}
		return r.Blur * max(-1, min(1, 2.5*(v-half)/step)) // the slope of a blurred step
	}, r3.Sub(low, edge), r3.Add(high, edge), surfaceStep)
}
