// Package scanbody finds scan bodies in a surface scan: a part of known shape that is
// screwed onto a fixture's platform, so that its place tells the fixture's.
//
// Conventions: mm; a body's own frame is the fixture's, with the platform's centre at the
// origin and +z coronal. Start with New or Cylinder, then Find.
//
// Limits: a body whose main part is no cylinder is not found. A body that is not seated
// looks as a seated one on a fixture that lies higher.
package scanbody

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/registration/surface"
	"plumbline/internal/trimesh"
)

// Body is the shape of a scan body.
type Body struct {
	Radius float64 // of its cylindrical part, mm
	Top    float64 // height above the platform, mm
	Turns  bool    // its shape tells the turn about the axis
	Mesh   *trimesh.Mesh

	index   *surface.Index
	area    float64 // mm², of what can be seen
	topArea float64 // of that, what faces along the axis
}

const (
	// spacing, mm, of the points that stand for a body's surface: a flat piece of this size
	// on a 2 mm cylinder is flat to a micrometre.
	spacing = 0.12
	// hidden, mm, is how far above the platform a body's surface does not count: the gum
	// or the fixture's rim covers it.
	hidden = 0.3
)

// Sizes, mm, of what can be a scan body: on fixtures of 3 to 6 mm, from a low one at a
// molar to a long one. Common practice, no source.
const (
	leastRadius, mostRadius = 1.0, 5.0
	leastTop, mostTop       = 2.0, 25.0
)

// Errors of New and Cylinder.
var (
	ErrSize  = errors.New("a scan body is 2 to 10 mm wide and 2 to 25 mm high above the platform, in mm with the platform's centre at the origin and +z coronal")
	ErrShape = errors.New("the scan body has no cylindrical part about the z axis; its file must have the platform's centre at the origin and +z coronal")
)

// Cylinder is a plain cylinder with a flat top.
//
// Errors: ErrSize.
func Cylinder(diameter, height float64) (*Body, error) {
	const facets = 90
	m := &trimesh.Mesh{}
	at := func(k int, z float64) geom.Vec {
		s, c := math.Sincos(2 * math.Pi * float64(k%facets) / facets)
		// The facets' mean radius is the cylinder's.
		r := diameter / 2 / (1 - math.Pi*math.Pi/(6*facets*facets))
		return geom.Vec{X: r * c, Y: r * s, Z: z}
	}
	add := func(corners ...geom.Vec) {
		n := int32(len(m.Vertices))
		m.Vertices = append(m.Vertices, corners...)
		m.Triangles = append(m.Triangles, [3]int32{n, n + 1, n + 2})
	}
	for k := range facets {
		add(at(k, 0), at(k+1, 0), at(k+1, height))
		add(at(k, 0), at(k+1, height), at(k, height))
		add(geom.Vec{Z: height}, at(k, height), at(k+1, height))
	}
	return New(m)
}

// New takes a scan body's surface in the fixture's frame.
//
// Errors: ErrSize, ErrShape.
func New(m *trimesh.Mesh) (*Body, error) {
	b := &Body{Mesh: m}
	for _, p := range m.Vertices {
		b.Top = max(b.Top, p.Z)
		if r := math.Hypot(p.X, p.Y); r > 2*mostRadius {
			return nil, ErrSize
		}
	}
	if b.Top < leastTop || b.Top > mostTop {
		return nil, ErrSize
	}
	c := sampled(m)
	// The radius that most of the upright wall has.
	const bin = 0.05
	var walls [2 * int(2*mostRadius/bin)]float64
	var x, y [2 * int(2*mostRadius/bin)]float64 // of the wall's normals: none for a whole round
	for i, p := range c.Points {
		if n := c.Normals[i]; math.Abs(n.Z) < upright {
			r := math.Hypot(p.X, p.Y)
			if (n.X*p.X+n.Y*p.Y)/r < 0.95 {
				continue
			}
			k := int(r / bin)
			walls[k] += c.Area[i]
			x[k] += c.Area[i] * n.X
			y[k] += c.Area[i] * n.Y
		}
	}
	best, at := 0.0, 0
	for k := 1; k+1 < len(walls); k++ {
		if sum := walls[k-1] + walls[k] + walls[k+1]; sum > best {
			best, at = sum, k
		}
	}
	sum := 0.0
	for k := at - 1; k <= at+1 && at > 0; k++ {
		sum += walls[k] * (float64(k) + 0.5) * bin
	}
	if best == 0 {
		return nil, ErrShape
	}
	b.Radius = sum / best
	if b.Radius < leastRadius || b.Radius > mostRadius {
		return nil, ErrSize
	}
	if lop := math.Hypot(x[at-1]+x[at]+x[at+1], y[at-1]+y[at]+y[at+1]); lop > 0.5*best {
		return nil, ErrShape
	}
	for i, a := range c.Area {
		b.area += a
		if c.Normals[i].Z > faces {
			b.topArea += a
		}
	}
	if b.topArea == 0 {
		return nil, ErrShape
	}
	b.Turns = turns(c)
	b.index = surface.NewPointIndex(c, 2*spacing, 3*reach)
	return b, nil
}

// upright is the cosine between an upright wall's normal and the axis, at most.
const upright = 0.15

// facetShare is the part of a body's surface whose normals show that it is not round.
const facetShare = 0.02

// turns reports whether a body shows its turn: part of its upright wall is not round.
func turns(c *surface.Cloud) bool {
	all, off := 0.0, 0.0
	for i, p := range c.Points {
		all += c.Area[i]
		n := c.Normals[i]
		across := math.Abs(n.X*p.Y-n.Y*p.X) / math.Hypot(p.X, p.Y)
		if across > 0.1 {
			off += c.Area[i]
		}
	}
	return off > facetShare*all
}

// sampled is points all over the part of a mesh that can be seen, with the normals of
// their triangles, facing outwards.
func sampled(m *trimesh.Mesh) *surface.Cloud {
	c := &surface.Cloud{}
	outwards := math.Copysign(1, m.Volume())
	for i := range m.Triangles {
		a, b, d := m.Corners(i)
		u, v := r3.Sub(b, a), r3.Sub(d, a)
		cross := r3.Cross(u, v)
		twice := r3.Norm(cross)
		if twice == 0 {
			continue
		}
		normal := r3.Scale(outwards/twice, cross)
		longest := max(r3.Norm(u), r3.Norm(v), r3.Norm(r3.Sub(d, b)))
		n := max(1, min(200, int(math.Ceil(longest/spacing))))
		area := twice / 2 / float64(n*n)
		for j := range n {
			for k := range n - j {
				for half := range 2 { // the two triangles of a small parallelogram
					if half == 1 && j+k >= n-1 {
						continue
					}
					s, t := (float64(j)+1./3)/float64(n), (float64(k)+1./3)/float64(n)
					if half == 1 {
						s, t = (float64(j)+2./3)/float64(n), (float64(k)+2./3)/float64(n)
					}
					p := r3.Add(a, r3.Add(r3.Scale(s, u), r3.Scale(t, v)))
					if p.Z < hidden {
						continue
					}
					c.Points = append(c.Points, p)
					c.Normals = append(c.Normals, normal)
					c.Area = append(c.Area, area)
					c.Rim = append(c.Rim, false)
				}
			}
		}
	}
	return c
}
