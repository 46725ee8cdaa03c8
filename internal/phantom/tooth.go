package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// toothSize has average sizes, mm. Source: common textbooks of dental anatomy,
// from memory; only the likeness matters here.
type toothSize struct {
	mesiodistal, buccolingual, crown, root float64
	roots                                  int
}

var upperSizes = [9]toothSize{
	{}, {8.5, 7, 10.5, 13, 1}, {6.5, 6, 9, 13, 1}, {7.5, 8, 10, 17, 1}, {7, 9, 8.5, 14, 2},
	{7, 9, 8.5, 14, 1}, {10, 11, 7.5, 12.5, 3}, {9, 11, 7, 11.5, 3}, {8.5, 10, 6.5, 11, 3},
}

var lowerSizes = [9]toothSize{
	{}, {5, 6, 9, 12.5, 1}, {5.5, 6.5, 9.5, 14, 1}, {7, 7.5, 11, 16, 1}, {7, 7.5, 8.5, 14, 1},
	{7, 8, 8, 14.5, 1}, {11, 10.5, 7.5, 14, 2}, {10.5, 10, 7, 13, 2}, {10, 9.5, 7, 11, 2},
}

// tooth is one tooth in its jaw's frame: crown and roots in a local frame whose
// origin lies in the middle of the neck and whose apical direction follows the
// roots.
type tooth struct {
	site string
	frame
	s                    float64 // place along the arch
	md, bl, height       float64 // crown
	rounding             float64
	edge                 float64 // buccolingual width at the biting edge over that of the body
	cusp, phaseM, phaseB float64
	enamel               float64 // thickness at the biting surface
	roots                []cone  // jaw frame
	canals               []cone  // jaw frame
	chamber              geom.Vec
	centre               geom.Vec // bounding sphere
	reach                float64
	bare                 bool // the enamel has given way to a metal crown
}

// newTooth builds one tooth on the arch at s with its own size, shape and tilt.
func newTooth(r *randomSource, site string, size toothSize, neck frame, s float64) *tooth {
	number := int(site[1] - '0')
	front := number <= 3
	scale := r.truncatedNormal(1, 0.04)
	t := &tooth{
		site: site, s: s,
		frame:  neck.tilted(r.truncatedNormal(0, 3.5), r.truncatedNormal(0, 4)),
		md:     size.mesiodistal * scale,
		bl:     size.buccolingual * r.truncatedNormal(1, 0.05),
		height: size.crown * r.truncatedNormal(1, 0.05),
		edge:   1, enamel: 1.5,
	}
	turn := geom.Radians(r.truncatedNormal(0, 6))
	m, b := t.m, t.b
	t.m = r3.Add(r3.Scale(math.Cos(turn), m), r3.Scale(math.Sin(turn), b))
	t.b = r3.Sub(r3.Scale(math.Cos(turn), b), r3.Scale(math.Sin(turn), m))
	t.origin = r3.Add(t.origin, r3.Scale(r.truncatedNormal(0, 0.35), t.b))
	t.rounding = 0.32 * min(t.md, t.bl)
	if front {
		t.edge, t.enamel = 0.5, 0.9
	} else {
		t.cusp = r.uniform(0.5, 0.9)
		t.phaseM, t.phaseB = r.uniform(-0.5, 0.5), r.uniform(-0.5, 0.5)
	}
	t.chamber = geom.Vec{X: 0.2 * t.md * r.uniform(0.7, 1.1), Y: 0.16 * t.bl * r.uniform(0.7, 1.1), Z: r.uniform(1, 1.6)}

	// Roots start within the neck and spread a little.
	type at struct{ m, b, radius float64 }
	var starts []at
	switch size.roots {
	case 1:
		starts = []at{{0, 0, 0.36 * min(t.md, t.bl)}}
	case 2:
		if number >= 6 {
			starts = []at{{0.21 * t.md, 0, 0.25 * t.bl}, {-0.21 * t.md, 0, 0.24 * t.bl}}
		} else {
			starts = []at{{0, 0.2 * t.bl, 0.24 * t.bl}, {0, -0.2 * t.bl, 0.23 * t.bl}}
		}
	default:
		starts = []at{{0.2 * t.md, 0.2 * t.bl, 0.21 * t.bl}, {-0.2 * t.md, 0.2 * t.bl, 0.19 * t.bl}, {0, -0.24 * t.bl, 0.22 * t.bl}}
	}
	for _, a := range starts {
		length := size.root * r.truncatedNormal(1, 0.07)
		tip := geom.Vec{
			X: a.m*r.uniform(0.9, 1.35) + r.truncatedNormal(0, 0.5) - 0.4,
			Y: a.b*r.uniform(0.9, 1.35) + r.truncatedNormal(0, 0.4),
			Z: length,
		}
		start := geom.Vec{X: a.m, Y: a.b, Z: 0.4}
		radius := a.radius * r.truncatedNormal(1, 0.04)
		tipRadius := r.uniform(0.55, 0.9)
		tip.Z -= tipRadius
		t.roots = append(t.roots, newCone(t.toJaw(start), t.toJaw(tip), radius, tipRadius))
		pulp := r3.Add(start, r3.Scale(0.92, r3.Sub(tip, start)))
		start.Z = -1.2
		t.canals = append(t.canals, newCone(t.toJaw(start), t.toJaw(pulp), r.uniform(0.35, 0.6), 0.15))
	}
	t.setBoundingSphere()
	return t
}

// setBoundingSphere sets the bounding sphere over crown and roots with the socket around
// them.
func (t *tooth) setBoundingSphere() {
	low, high := -t.height, 0.0
	wide := math.Hypot(t.md, t.bl) / 2
	for i := range t.roots {
		tip := t.fromJaw(t.roots[i].b)
		high = max(high, tip.Z+t.roots[i].rb)
		wide = max(wide, math.Hypot(tip.X, tip.Y)+t.roots[i].rb)
	}
	t.centre = t.toJaw(geom.Vec{Z: (low + high) / 2})
	t.reach = math.Hypot(wide, (high-low)/2) + laminaOuter
}

// crownDistance is the signed distance to the crown's outside at a local point.
func (t *tooth) crownDistance(l geom.Vec) float64 {
	up := clamp01(-l.Z / (0.6 * t.height)) // 0 at the neck, 1 in the body
	k := 0.8 + 0.2*up*(2-up)
	kb := k
	if t.edge < 1 {
		kb = 1 - (1-t.edge)*clamp01(-l.Z/t.height)
	}
	z := l.Z
	if up := smoothstep(0.4*t.height, 0.9*t.height, -l.Z); t.cusp > 0 && up > 0 {
		z += -t.cusp * 0.5 * (1 + math.Cos(2*math.Pi*l.X/t.md+t.phaseM)*math.Cos(2*math.Pi*l.Y/t.bl+t.phaseB)) * up
	}
	half := (t.height + 1) / 2
	return roundBox(l.X/k, l.Y/kb, z-(1-half), t.md/2, t.bl/2, half, min(t.rounding, half)) * min(k, kb)
}

// crownLowerBound is a cheap lower bound of twice the crown's distance, which crown
// shrinks by no more than the biting edge's half width.
func (t *tooth) crownLowerBound(l geom.Vec) float64 {
	return max(math.Abs(l.X)-t.md/2, math.Abs(l.Y)-t.bl/2, l.Z-1-t.cusp, -l.Z-t.height-t.cusp)
}

// enamelThickness is the enamel's thickness at a local point.
func (t *tooth) enamelThickness(l geom.Vec) float64 {
	return 0.25 + (t.enamel-0.25)*clamp01(-l.Z/t.height)
}

// Distances from the root's surface, mm: the periodontal gap and the bone that
// lines the socket. About 0.2 mm and 0.3 mm in textbooks, from memory.
const (
	gapOuter    = 0.22
	laminaOuter = 0.55
)

// rootDistance is the signed distance to the nearest root.
func (t *tooth) rootDistance(p geom.Vec) float64 {
	d := math.Inf(1)
	for i := range t.roots {
		d = min(d, t.roots[i].distance(p))
	}
	return d
}

// toothContent lists the parts of a tooth that may intersect a tile.
type toothContent struct {
	*tooth
	roots []*cone
	crown bool
}

// contentNear lists the parts that may lie within r of q, jaw frame; ok reports whether
// there are any. The margin of 0.3·r is more than half a cell, which reaches 0.4·r
// at most, and more than the half diagonal of a voxel, r/8.
func (t *tooth) contentNear(q geom.Vec, r float64) (g toothContent, ok bool) {
	if norm(r3.Sub(t.centre, q)) > t.reach+r+0.5 {
		return g, false
	}
	g.tooth = t
	for i := range t.roots {
		if t.roots[i].distance(q) < 1.3*r+laminaOuter {
			g.roots = append(g.roots, &t.roots[i])
		}
	}
	g.crown = t.crownLowerBound(t.fromJaw(q)) < 1.6*r
	return g, g.crown || len(g.roots) > 0
}

// blend mixes the tooth into the grey value v. bone is the partial volume of bone in
// the cell. edge gets the distance to the nearest surface, w is the cell's edge.
func (t *toothContent) blend(p geom.Vec, v, bone, w float64, edge *float64) float64 {
	l := t.fromJaw(p)
	root, crown := math.Inf(1), math.Inf(1)
	for _, c := range t.roots {
		root = min(root, c.distance(p))
	}
	if t.crown {
		if crown = t.crownLowerBound(l) / 2; crown < w {
			crown = t.tooth.crownDistance(l)
		}
	}
	if root > laminaOuter+w && crown > w {
		*edge = min(*edge, root-laminaOuter, crown)
		return v
	}
	if bone > 0 {
		lamina := bone * planeFraction(root-laminaOuter, w)
		gap := bone * planeFraction(root-gapOuter, w)
		v += lamina * (greyLamina - v)
		v += gap * (greyGap - v)
		*edge = min(*edge, math.Abs(root-laminaOuter), math.Abs(root-gapOuter))
	}
	body := min(root, crown)
	in := planeFraction(body, w)
	*edge = min(*edge, math.Abs(body))
	if in == 0 {
		return v
	}
	v += in * (greyDentine - v)
	if l.Z < 0.5 && !t.bare {
		inner := crown + t.enamelThickness(l)
		*edge = min(*edge, math.Abs(inner))
		v += planeFraction(crown, w) * (1 - planeFraction(inner, w)) * planeFraction(l.Z, w) * (greyEnamel - greyDentine)
	}
	pulp := roundBox(l.X, l.Y, l.Z+1.5, t.chamber.X, t.chamber.Y, t.chamber.Z, min(t.chamber.X, t.chamber.Y, t.chamber.Z))
	for i := range t.canals {
		pulp = min(pulp, t.canals[i].distance(p))
	}
	*edge = min(*edge, math.Abs(pulp))
	return v + planeFraction(pulp, w)*(greyPulp-v)
}
