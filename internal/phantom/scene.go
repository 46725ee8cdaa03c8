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
	fixtures   []*placed
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

// stage is the scene as one scan sees it: where each body lies.
type stage struct {
	*scene
	toOwn, toOther, toSkull, toMouth geom.Rigid // from the scan's patient frame
	air                              ellipsoid  // between the jaws, mouth frame
	warp                             geom.Vec   // soft tissue lies anew in each scan, mm
	post                             bool
}

func (sc *scene) stage(c Scan, post bool) *stage {
	st := &stage{scene: sc, post: post}
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
	r := newDice(sc.spec.Seed, 200)
	if post {
		r = newDice(sc.spec.Seed, 201)
	}
	st.warp = geom.Vec{X: r.between(-3, 3), Y: r.between(-3, 3), Z: r.between(-4, 4)}
	return st
}

// cast is what of one jaw can show within a tile.
type cast struct {
	jaw      *jaw
	bone     reach
	teeth    []glimpse
	canals   []*cone
	cavity   bool
	socket   bool
	granules bool
}

type reach int

const (
	none    reach = iota // not here
	surface              // its surface may pass through
	deep                 // all spongy bone
)

// tile is a small block of space with what can show in it.
type tile struct {
	own, other cast
	skin, air  reach
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

// look gathers what can show within radius r of the scan's point p.
func (st *stage) look(p geom.Vec, r float64) tile {
	var t tile
	// Distances of blended and bent bodies are not exact; the margin covers it.
	margin := 1.35*r + 0.8
	t.skin = reachOf(headDistance(st.toSkull.Apply(p)), margin)
	t.air = reachOf(st.air.distance(st.toMouth.Apply(p)), 2*margin)
	t.own = st.cast(st.own, st.toOwn.Apply(p), r, margin)
	t.other = st.cast(st.other, st.toOther.Apply(p), r, margin)
	if f := st.own.former; f != nil && norm(r3.Sub(f.centre, st.toOwn.Apply(p))) < f.reach+margin {
		// A tooth before surgery is a socket after it, a socket has healed.
		if st.spec.Before == Tooth && !st.post {
			if g, ok := f.glimpse(st.toOwn.Apply(p), r); ok {
				t.own.teeth = append(t.own.teeth, g)
			}
		} else {
			t.own.socket = (st.spec.Before == Tooth) == st.post
		}
	}
	t.own.granules = st.post && len(t.own.jaw.granule) > 0
	if t.skin == none && t.own.bone == none && t.other.bone == none && len(t.own.teeth) == 0 && len(t.other.teeth) == 0 {
		t.plain, t.grey = true, greyAir
	}
	return t
}

func reachOf(d, margin float64) reach {
	switch {
	case d > margin:
		return none
	case d < -margin:
		return deep
	}
	return surface
}

func (st *stage) cast(j *jaw, q geom.Vec, r, margin float64) cast {
	c := cast{jaw: j}
	d, shell := j.boneDistance(q)
	c.bone = reachOf(d, margin)
	if c.bone == deep && d > -margin-1.2*shell-0.5 {
		c.bone = surface
	}
	for _, t := range j.teeth {
		if g, ok := t.glimpse(q, r); ok {
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
		c.cavity = j.cavities(q) < margin+mucosa+4
	}
	return c
}

// canalWall is the thickness of the bone that lines the nerve canal, mm.
const canalWall = 0.45

// grey is the grey value of a cell of edge w at the scan's point p, and the
// distance to the nearest surface.
func (st *stage) grey(t *tile, p geom.Vec, w float64) (v, edge float64) {
	edge = math.Inf(1)
	own := st.toOwn.Apply(p)
	boneOwn, marrowOwn := t.own.bones(own, w, &edge)
	var other geom.Vec
	var boneOther, marrowOther float64
	if t.other.bone != none || len(t.other.teeth) > 0 || t.other.cavity {
		other = st.toOther.Apply(p)
		boneOther, marrowOther = t.other.bones(other, w, &edge)
	}
	if boneOwn < 1 && boneOther < 1 {
		v = st.softGrey(t, p, w, &edge)
	}
	v = t.other.paint(other, v, boneOther, marrowOther, w, &edge)
	v = t.own.paint(own, v, boneOwn, marrowOwn, w, &edge)
	if t.own.socket {
		v = st.own.paintSocket(own, v, boneOwn, w, &edge)
	}
	if t.own.granules {
		v = st.own.paintGranules(own, v, w, &edge)
	}
	return v, edge
}

// softGrey is skin, muscle, fat, and the air in the mouth and around the head.
func (st *stage) softGrey(t *tile, p geom.Vec, w float64, edge *float64) float64 {
	v := greyAir
	if t.skin != none {
		q := st.toSkull.Apply(p)
		in := 1.0
		if t.skin == surface {
			d := headDistance(q)
			in = cover(d, w)
			*edge = min(*edge, math.Abs(d))
		}
		if in > 0 {
			q = r3.Add(q, st.warp)
			tissue := greySoft + 22*st.soft[0].at(q.X*0.15, q.Y*0.15, q.Z*0.15) -
				130*smooth(0.9, 1.5, st.soft[1].at(q.X*0.08, q.Y*0.08, q.Z*0.06))
			v += in * (tissue - v)
		}
	}
	if t.air != none {
		d := st.air.distance(st.toMouth.Apply(p))
		v += cover(d, w) * (greyAir - v)
		*edge = min(*edge, math.Abs(d))
	}
	return v
}

// bones is how much of the cell is bone of this jaw, and how much is spongy.
func (c *cast) bones(q geom.Vec, w float64, edge *float64) (bone, marrow float64) {
	switch c.bone {
	case none:
		return 0, 0
	case deep:
		return 1, 1
	}
	d, shell := c.jaw.boneDistance(q)
	*edge = min(*edge, math.Abs(d), math.Abs(d+shell))
	return cover(d, w), cover(d+shell, w)
}

// paint lays this jaw over the grey value v.
func (c *cast) paint(q geom.Vec, v, bone, marrow, w float64, edge *float64) float64 {
	j := c.jaw
	if bone > 0 {
		if marrow < 1 {
			cortex := greyCortex + 70*j.texture[2].at(q.X*0.2, q.Y*0.2, q.Z*0.2)
			v += bone * (cortex - v)
		}
		if marrow > 0 {
			v += marrow * (j.marrow(q) - v)
		}
		if len(c.canals) > 0 {
			d := math.Inf(1)
			for _, seg := range c.canals {
				d = min(d, seg.distance(q))
			}
			v += bone * cover(d-canalWall, w) * (greyLamina - v)
			v += bone * cover(d, w) * (greyNerve - v)
			*edge = min(*edge, math.Abs(d-canalWall), math.Abs(d))
		}
	}
	if c.cavity {
		d := j.cavities(q)
		v += cover(d, w) * (greySoft - v)
		v += cover(d+mucosa, w) * (greyAir - v)
		*edge = min(*edge, math.Abs(d), math.Abs(d+mucosa))
	}
	for i := range c.teeth {
		v = c.teeth[i].paint(q, v, bone, w, edge)
	}
	return v
}

// paintSocket lays the former tooth's socket into the bone.
func (j *jaw) paintSocket(q geom.Vec, v, bone, w float64, edge *float64) float64 {
	d := j.former.rootDistance(q)
	*edge = min(*edge, math.Abs(d-laminaOuter), math.Abs(d-gapOuter))
	v += bone * cover(d-laminaOuter, w) * (greyLamina - v)
	return v + bone*cover(d-gapOuter, w)*(greySocket-v)
}

func (j *jaw) paintGranules(q geom.Vec, v, w float64, edge *float64) float64 {
	for i := range j.granule {
		g := &j.granule[i]
		d := norm(r3.Sub(q, g.centre)) - g.radius
		if d > 2*w {
			continue
		}
		*edge = min(*edge, math.Abs(d))
		v += cover(d, w) * (greyGraft - v)
	}
	return v
}
