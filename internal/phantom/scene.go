package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// scene is everything that the two scans share, and what sets them apart.
type scene struct {
	spec       Spec
	absent     map[string]bool // sites without a tooth
	own, other *jaw
	soft       [2]*lattice
	fixtures   []*placedFixture
	metalPre   []metal
	metalPost  []metal
}

// hinge is the axis through the condyles in the frame of the upper jaw, about
// which the lower jaw opens: some 95 mm behind and 40 mm above the incisors.
var hinge = geom.Vec{Y: 70, Z: 38}

// lowerToUpper is where the lower jaw lies in the upper jaw's frame.
func lowerToUpper(c Scan) geom.Rigid {
	turn := geom.Rotation(geom.Vec{X: geom.Radians(c.Opening)})
	turn.T = r3.Sub(hinge, turn.Rotate(hinge))
	slide := geom.Identity()
	// In occlusion a millimetre is left between the teeth for a wafer.
	slide.T = geom.Vec{X: c.Slide[0], Y: c.Slide[1], Z: c.Slide[2] - 1}
	return slide.After(turn)
}

// jawToScan places the fixtures' jaw in a scan's patient frame.
func jawToScan(c Scan) geom.Rigid {
	turn := geom.Rotation(r3.Scale(math.Pi/180, c.Turn))
	turn.T = c.Move
	return turn
}

// scanScene is the scene with the pose of each body in one scan.
type scanScene struct {
	*scene
	toOwn, toOther, toSkull, toMouth geom.Rigid // from the scan's patient frame
	air                              ellipsoid  // between the jaws, mouth frame
	warp                             geom.Vec   // soft tissue lies anew in each scan, mm
	post                             bool
}

func (sc *scene) inScan(c Scan, post bool) *scanScene {
	st := &scanScene{scene: sc, post: post}
	ownToScan := jawToScan(c)
	st.toOwn = ownToScan.Inverse()
	lower := lowerToUpper(c)
	half := c
	half.Opening /= 2
	half.Slide = [3]float64{c.Slide[0] / 2, c.Slide[1] / 2, c.Slide[2] / 2}
	mouth := lowerToUpper(half) // in the upper jaw's frame
	var upperToScan geom.Rigid
	if sc.spec.Upper() {
		upperToScan = ownToScan
		st.toOther = ownToScan.After(lower).Inverse()
	} else {
		upperToScan = ownToScan.After(lower.Inverse())
		st.toOther = upperToScan.Inverse()
	}
	st.toSkull = upperToScan.Inverse()
	st.toMouth = upperToScan.After(mouth).Inverse()
	st.air = ellipsoid{
		centre: geom.Vec{Y: 2},
		radii:  geom.Vec{X: 27, Y: 31, Z: 1.2 + 0.45*c.Opening},
	}
	r := newRandomSource(sc.spec.Seed, 200)
	if post {
		r = newRandomSource(sc.spec.Seed, 201)
	}
	st.warp = geom.Vec{X: r.uniform(-3, 3), Y: r.uniform(-3, 3), Z: r.uniform(-4, 4)}
	return st
}

// jawContent lists what of one jaw may intersect a tile.
type jawContent struct {
	jaw      *jaw
	bone     presence
	teeth    []toothContent
	canals   []*cone
	cavity   bool
	socket   bool
	granules bool
}

type presence int

const (
	outside  presence = iota // not here
	boundary                 // its surface may pass through
	interior                 // all spongy bone
)

// tile is a small block of space with the bodies that may intersect it.
type tile struct {
	own, other jawContent
	skin, air  presence
	plain      bool // one grey value throughout
	grey       float64
}

// Head outline in the skull's frame: a rounded tube along z.
const (
	headX, headY, headMiddle = 66.0, 73.0, 36.0
)

// headDistance is the signed distance to the skin.
func headDistance(p geom.Vec) float64 {
	x, y := p.X/headX, (p.Y-headMiddle)/headY
	x, y = x*x, y*y
	k := math.Sqrt(math.Sqrt(x*x + y*y))
	return (k - 1) * headX
}

// bodiesNear lists the bodies that may lie within radius r of the scan's point p.
func (st *scanScene) bodiesNear(p geom.Vec, r float64) tile {
	var t tile
	// Distances of blended and bent bodies are not exact; the margin covers it.
	margin := 1.35*r + 0.8
	t.skin = presenceOf(headDistance(st.toSkull.Apply(p)), margin)
	t.air = presenceOf(st.air.distance(st.toMouth.Apply(p)), 2*margin)
	t.own = st.jawNear(st.own, st.toOwn.Apply(p), r, margin)
	t.other = st.jawNear(st.other, st.toOther.Apply(p), r, margin)
	if f := st.own.former; f != nil && norm(r3.Sub(f.centre, st.toOwn.Apply(p))) < f.reach+margin {
		// A tooth before surgery is a socket after it, a socket has healed.
		if st.spec.Before == Tooth && !st.post {
			if g, ok := f.contentNear(st.toOwn.Apply(p), r); ok {
				t.own.teeth = append(t.own.teeth, g)
			}
		} else {
			t.own.socket = (st.spec.Before == Tooth) == st.post
		}
	}
	t.own.granules = st.post && len(t.own.jaw.granule) > 0
	if t.skin == outside && t.own.bone == outside && t.other.bone == outside && len(t.own.teeth) == 0 && len(t.other.teeth) == 0 {
		t.plain, t.grey = true, greyAir
	}
	return t
}

func presenceOf(d, margin float64) presence {
	switch {
	case d > margin:
		return outside
	case d < -margin:
		return interior
	}
	return boundary
}

func (st *scanScene) jawNear(j *jaw, q geom.Vec, r, margin float64) jawContent {
	c := jawContent{jaw: j}
	d, shell := j.boneDistance(q)
	c.bone = presenceOf(d, margin)
	if c.bone == interior && d > -margin-1.2*shell-0.5 {
		c.bone = boundary
	}
	for _, t := range j.teeth {
		if g, ok := t.contentNear(q, r); ok {
			c.teeth = append(c.teeth, g)
		}
	}
	for i := range j.canals {
		for k := range j.canals[i] {
			seg := &j.canals[i][k]
			if centre, reach := seg.reach(); norm(r3.Sub(centre, q)) < reach+canalWall+r+0.5 {
				c.canals = append(c.canals, seg)
			}
		}
	}
	if j.upper {
		c.cavity = j.cavityDistance(q) < margin+mucosa+4
	}
	return c
}

// canalWall is the thickness of the bone that lines the nerve canal, mm.
const canalWall = 0.45

// grey is the grey value of a cell of edge w at the scan's point p, and the distance
// to the nearest surface, mm.
func (st *scanScene) grey(t *tile, p geom.Vec, w float64) (v, edge float64) {
	edge = math.Inf(1)
	own := st.toOwn.Apply(p)
	boneOwn, marrowOwn := t.own.boneFractions(own, w, &edge)
	var other geom.Vec
	var boneOther, marrowOther float64
	if t.other.bone != outside || len(t.other.teeth) > 0 || t.other.cavity {
		other = st.toOther.Apply(p)
		boneOther, marrowOther = t.other.boneFractions(other, w, &edge)
	}
	if boneOwn < 1 && boneOther < 1 {
		v = st.softGrey(t, p, w, &edge)
	}
	v = t.other.blend(other, v, boneOther, marrowOther, w, &edge)
	v = t.own.blend(own, v, boneOwn, marrowOwn, w, &edge)
	if t.own.socket {
		v = st.own.blendSocket(own, v, boneOwn, w, &edge)
	}
	if t.own.granules {
		v = st.own.blendGranules(own, v, w, &edge)
	}
	return v, edge
}

// softGrey is skin, muscle, fat, and the air in the mouth and around the head.
func (st *scanScene) softGrey(t *tile, p geom.Vec, w float64, edge *float64) float64 {
	v := greyAir
	if t.skin != outside {
		q := st.toSkull.Apply(p)
		in := 1.0
		if t.skin == boundary {
			d := headDistance(q)
			in = planeFraction(d, w)
			*edge = min(*edge, math.Abs(d))
		}
		if in > 0 {
			q = r3.Add(q, st.warp)
			tissue := greySoft + 22*st.soft[0].at(q.X*0.15, q.Y*0.15, q.Z*0.15) -
				130*smoothstep(0.9, 1.5, st.soft[1].at(q.X*0.08, q.Y*0.08, q.Z*0.06))
			v += in * (tissue - v)
		}
	}
	if t.air != outside {
		d := st.air.distance(st.toMouth.Apply(p))
		v += planeFraction(d, w) * (greyAir - v)
		*edge = min(*edge, math.Abs(d))
	}
	return v
}

// boneFractions is the partial volume of this jaw's bone in the cell, and that of its
// spongy part.
func (c *jawContent) boneFractions(q geom.Vec, w float64, edge *float64) (bone, marrow float64) {
	switch c.bone {
	case outside:
		return 0, 0
	case interior:
		return 1, 1
	}
	d, shell := c.jaw.boneDistance(q)
	*edge = min(*edge, math.Abs(d), math.Abs(d+shell))
	return planeFraction(d, w), planeFraction(d+shell, w)
}

// blend mixes this jaw into the grey value v by partial volume.
func (c *jawContent) blend(q geom.Vec, v, bone, marrow, w float64, edge *float64) float64 {
	j := c.jaw
	if bone > 0 {
		if marrow < 1 {
			cortex := greyCortex + 70*j.texture[2].at(q.X*0.2, q.Y*0.2, q.Z*0.2)
			v += bone * (cortex - v)
		}
		if marrow > 0 {
			v += marrow * (j.spongyBoneGrey(q) - v)
		}
		if len(c.canals) > 0 {
			d := math.Inf(1)
			for _, seg := range c.canals {
				d = min(d, seg.distance(q))
			}
			v += bone * planeFraction(d-canalWall, w) * (greyLamina - v)
			v += bone * planeFraction(d, w) * (greyNerve - v)
			*edge = min(*edge, math.Abs(d-canalWall), math.Abs(d))
		}
	}
	if c.cavity {
		d := j.cavityDistance(q)
		v += planeFraction(d, w) * (greySoft - v)
		v += planeFraction(d+mucosa, w) * (greyAir - v)
		*edge = min(*edge, math.Abs(d), math.Abs(d+mucosa))
	}
	for i := range c.teeth {
		v = c.teeth[i].blend(q, v, bone, w, edge)
	}
	return v
}

// blendSocket mixes the former tooth's socket into the bone.
func (j *jaw) blendSocket(q geom.Vec, v, bone, w float64, edge *float64) float64 {
	d := j.former.rootDistance(q)
	*edge = min(*edge, math.Abs(d-laminaOuter), math.Abs(d-gapOuter))
	v += bone * planeFraction(d-laminaOuter, w) * (greyLamina - v)
	return v + bone*planeFraction(d-gapOuter, w)*(greySocket-v)
}

func (j *jaw) blendGranules(q geom.Vec, v, w float64, edge *float64) float64 {
	for i := range j.granule {
		g := &j.granule[i]
		d := norm(r3.Sub(q, g.centre)) - g.radius
		if d > 2*w {
			continue
		}
		*edge = min(*edge, math.Abs(d))
		v += planeFraction(d, w) * (greyGraft - v)
	}
	return v
}
