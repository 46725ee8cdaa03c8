package phantom

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Grey values before gain and offset: 1000·(µ/µ(water) − 1) at 60 keV, so air
// is −1000 and water 0. Soft tissues and bone lie where computed tomography
// finds them; sources are textbooks, from memory, and only the likeness matters.
const (
	greyAir     = -1000.0
	greySoft    = 50.0
	greyMarrow  = 250.0
	greyCortex  = 1450.0
	greyDentine = 1450.0
	greyEnamel  = 2900.0
	greyPulp    = 60.0
	greyGap     = 250.0
	greyLamina  = 1200.0
	greyNerve   = 60.0
	greySocket  = 120.0
	greyGraft   = 1300.0
)

// jaw is one jaw as a rigid body in its own frame.
type jaw struct {
	upper     bool
	sign      float64 // z = sign·h
	arch      *arch
	teeth     []*tooth
	arcLength map[string]float64 // arc length of every site, tooth or not
	canals    [][]cone           // nerve canals, each a chain
	canalR    []float64
	sinuses   []ellipsoid // the air within; the bony wall lies sinusWall further out
	nose      []ellipsoid
	texture   [3]*lattice
	profiles  []profile // at every profileStep along s from −profileEnd
	shell     float64   // cortical thickness at the crest
	resorbed  float64   // how much lower the ridge is than beside teeth

	shapes  map[string]*tooth // every site's tooth, there or not
	former  *tooth            // what stood at the first fixture's site; nil = long healed
	granule []granule
}

type granule struct {
	centre geom.Vec
	radius float64
}

// profile is the ridge's cross-section at one place: the hull of two discs in
// the plane of t and h.
type profile struct {
	crestT, crestH, crestR float64
	baseT, baseH, baseR    float64
	shell                  float64
}

const (
	profileStep = 0.5
	profileEnd  = 118.0
	sinusWall   = 1.1 // mm of bone around the sinus
	mucosa      = 0.8 // mm of lining within it
	lowerLast   = 60.0
	upperLast   = 62.0
)

// newJaw builds a jaw from its own random stream, yet without texture.
func newJaw(seed uint64, upper, edentulous bool, absent map[string]bool) *jaw {
	j := &jaw{upper: upper, sign: -1, arcLength: map[string]float64{}, shapes: map[string]*tooth{}}
	if upper {
		j.sign = 1
	}
	stream := j.stream()
	r := newRandomSource(seed, stream)
	half, depth := r.truncatedNormal(25, 0.9), r.truncatedNormal(37, 1.5)
	if upper {
		half, depth = r.truncatedNormal(26.5, 0.9), r.truncatedNormal(39, 1.5)
	}
	j.arch = newArch(half, depth, r.truncatedNormal(1, 0.025))
	if edentulous {
		j.resorbed = r.uniform(2.5, 5)
	}
	j.makeProfiles(newRandomSource(seed, stream+10))
	j.placeTeeth(newRandomSource(seed, stream+20), edentulous, absent)
	if upper {
		j.makeSinuses(newRandomSource(seed, stream+30))
	} else {
		j.makeCanals(newRandomSource(seed, stream+30))
	}
	return j
}

// stream keeps the two jaws' random numbers apart.
func (j *jaw) stream() uint64 {
	if j.upper {
		return 2
	}
	return 1
}

func (j *jaw) makeProfiles(r *randomSource) {
	crestT, crestH, crestR := newSmoothRandom(r, 0.5, 35), newSmoothRandom(r, 0.6, 26), newSmoothRandom(r, 0.5, 30)
	baseT, baseH, baseR := newSmoothRandom(r, 0.9, 45), newSmoothRandom(r, 1.2, 50), newSmoothRandom(r, 0.5, 40)
	shell := newSmoothRandom(r, 0.25, 28)
	deep := r.uniform(26, 31)
	j.shell = r.uniform(1.3, 1.8)
	if j.upper {
		deep = r.uniform(13, 16)
		j.shell = r.uniform(0.9, 1.3)
	}
	n := int(2*profileEnd/profileStep) + 1
	for i := range n {
		s := -profileEnd + profileStep*float64(i)
		back := smoothstep(12, 32, math.Abs(s)) // 0 in front, 1 at the molars
		p := profile{
			crestT: crestT.at(s),
			crestH: 10.2 + 1.6*(1-back) + j.resorbed + crestH.at(s),
			crestR: 3.4 + 1.3*back + crestR.at(s),
			baseT:  baseT.at(s),
			shell:  j.shell + shell.at(s),
		}
		if j.upper {
			p.baseT += 0.5
			p.baseR = 4.4 + 0.8*back + baseR.at(s)
			p.baseH = p.crestH - j.resorbed + deep + baseH.at(s)
		} else {
			// Behind the last molar the ridge climbs into the ramus.
			climb := smoothstep(lowerLast, lowerLast+24, math.Abs(s))
			p.crestH -= 45 * climb
			p.baseT += 1.5 * (1 - back)
			p.baseR = 5.2 + 0.5*back + baseR.at(s)
			p.baseH = 10.2 + deep + baseH.at(s) - 8*climb
		}
		j.profiles = append(j.profiles, p)
	}
}

// profileAt interpolates the cross-section at s.
func (j *jaw) profileAt(s float64) profile {
	u := max(0, min(float64(len(j.profiles))-1.001, (s+profileEnd)/profileStep))
	i := int(u)
	f := u - float64(i)
	p, q := &j.profiles[i], &j.profiles[i+1]
	mix := func(a, b float64) float64 { return a + f*(b-a) }
	return profile{
		mix(p.crestT, q.crestT), mix(p.crestH, q.crestH), mix(p.crestR, q.crestR),
		mix(p.baseT, q.baseT), mix(p.baseH, q.baseH), mix(p.baseR, q.baseR),
		mix(p.shell, q.shell),
	}
}

// placeTeeth places the teeth from the midline backwards, each with its own size
// and gap, and keeps the places of those that are absent.
func (j *jaw) placeTeeth(r *randomSource, edentulous bool, absent map[string]bool) {
	sizes := lowerSizes
	quadrants := [2]int{3, 4}
	if j.upper {
		sizes, quadrants = upperSizes, [2]int{2, 1}
	}
	for side, sign := range [2]float64{1, -1} {
		at := 0.1
		scale := r.truncatedNormal(1, 0.03)
		for number := 1; number <= 8; number++ {
			site := fmt.Sprintf("%d%d", quadrants[side], number)
			size := sizes[number]
			size.mesiodistal *= scale
			gap := max(0.1, r.truncatedNormal(0.25, 0.15))
			middle := at + size.mesiodistal/2
			at += size.mesiodistal + gap
			j.arcLength[site] = sign * middle
			level := size.crown + r.truncatedNormal(0, 0.35) // small steps in the bite
			t := newTooth(r, site, size, j.arch.frameAt(sign*middle, level, j.sign).tilted(0, j.rootLean(number)), sign*middle)
			j.shapes[site] = t
			lost := r.bernoulli(0.04) || number == 8 && r.bernoulli(0.7)
			if edentulous || absent[site] || lost {
				continue
			}
			j.teeth = append(j.teeth, t)
		}
	}
}

// rootLean is how far roots lean to buccal: front teeth stand proclined, so
// their roots lean to the tongue.
func (j *jaw) rootLean(number int) float64 {
	if number <= 3 {
		if j.upper {
			return -14
		}
		return -6
	}
	return 0
}

func (j *jaw) makeCanals(r *randomSource) {
	depth := newSmoothRandom(r, 0.8, 40)
	aside := newSmoothRandom(r, 0.6, 35)
	level := r.uniform(15.5, 18.5)
	for side := -1.0; side <= 1; side += 2 {
		radius := r.uniform(1.2, 1.6)
		dh := r.uniform(-0.7, 0.7)
		mental := r.uniform(22, 26)
		var path []geom.Vec
		for i := 0; i <= 14; i++ {
			s := mental + 4.6*float64(i)
			p := j.profileAt(side * s)
			up := smoothstep(0, 7, float64(i)*4.6)
			t := p.crestT + (1-up)*(p.crestR+1.5) - up*(0.8+aside.at(side*s))
			h := 10.2 + level + dh + depth.at(side*s) - 1.5*(1-up)
			h -= 26 * smoothstep(lowerLast, lowerLast+32, s)
			c, along := j.arch.pointAt(side * s)
			path = append(path, geom.Vec{X: c.X + along.Y*t, Y: c.Y - along.X*t, Z: j.sign * h})
		}
		var chain []cone
		for i := 1; i < len(path); i++ {
			chain = append(chain, newCone(path[i-1], path[i], radius, radius))
		}
		j.canals = append(j.canals, chain)
		j.canalR = append(j.canalR, radius)
	}
}

func (j *jaw) makeSinuses(r *randomSource) {
	for side := -1.0; side <= 1; side += 2 {
		p := j.profileAt(side * 45)
		c, along := j.arch.pointAt(side * 45)
		t := -r.uniform(1, 2.5)
		radii := geom.Vec{X: r.uniform(10, 12.5), Y: r.uniform(14, 18), Z: r.uniform(13, 17)}
		floor := p.crestH - j.resorbed + r.uniform(9, 13)
		j.sinuses = append(j.sinuses, ellipsoid{
			centre: geom.Vec{X: c.X + along.Y*t, Y: c.Y - along.X*t + r.uniform(-2, 3), Z: floor + radii.Z},
			radii:  radii,
		})
		j.nose = append(j.nose, ellipsoid{
			centre: geom.Vec{X: side * r.uniform(6.2, 7), Y: 0, Z: 38},
			radii:  geom.Vec{X: 5, Y: 22, Z: r.uniform(11, 13)},
		})
	}
}

// crest is the ridge's top centre at s, and the frame there.
func (j *jaw) crest(s float64) frame {
	p := j.profileAt(s)
	f := j.arch.frameAt(s, p.crestH, j.sign)
	f.origin = r3.Add(f.origin, r3.Scale(p.crestT, f.b))
	return f
}

// boneDistance is the signed distance to the jaw bone's outside and the
// cortical thickness at a point of the jaw's frame.
func (j *jaw) boneDistance(p geom.Vec) (d, shell float64) {
	s, t := j.arch.coordinates(p.X, p.Y)
	h := j.sign * p.Z
	c := j.profileAt(s)
	d = roundCone2(t, h, c.crestT, c.crestH+c.crestR, c.baseT, c.baseH-c.baseR, c.crestR, c.baseR)
	deep := clamp01((h - c.crestH) / (c.baseH - c.crestH))
	shell = c.shell
	if j.upper {
		d = max(d, math.Abs(s)-upperLast)
		d = min(d, j.palateDistance(p, t, h))
		for i := range j.sinuses {
			air := j.sinuses[i].distance(p)
			d = min(d, air-sinusWall)
		}
		for i := range j.nose {
			d = min(d, j.nose[i].distance(p)-0.9)
		}
	} else {
		shell += 0.9 * deep
	}
	// Small bumps, so that no stretch of the jaw is like the next.
	d += 0.28 * j.texture[1].at(p.X*0.21, p.Y*0.21, p.Z*0.21)
	return d, shell
}

// palateDistance is the signed distance to the hard palate's plate, which spans the
// arch and rises to the midline.
func (j *jaw) palateDistance(p geom.Vec, t, h float64) float64 {
	rise := 17 + 7*smoothstep(2, 19, -t)
	plate := math.Abs(h-rise)*0.85 - 1.4
	return max(plate, t, p.Y-22)
}

// cavityDistance is the signed distance to the nearest air-filled cavity and its
// lining.
func (j *jaw) cavityDistance(p geom.Vec) float64 {
	d := math.Inf(1)
	for i := range j.sinuses {
		d = min(d, j.sinuses[i].distance(p))
	}
	for i := range j.nose {
		d = min(d, j.nose[i].distance(p))
	}
	return d
}

// spongyBoneGrey is the grey value of spongy bone: struts about half a millimetre wide
// over a density that changes by the centimetre.
func (j *jaw) spongyBoneGrey(p geom.Vec) float64 {
	// Fixed turns keep the cells' axes out of the scan's.
	u := 0.80*p.X + 0.36*p.Y - 0.48*p.Z
	v := -0.60*p.X + 0.48*p.Y - 0.64*p.Z
	w := 0.80*p.Y + 0.60*p.Z
	fine := j.texture[0].at(u*1.9, v*1.9, w*1.9)
	mid := j.texture[1].at(v*0.8, w*0.8, u*0.8)
	coarse := j.texture[2].at(p.X*0.13, p.Y*0.13, p.Z*0.13)
	struts := 0.75*fine + 0.65*mid
	if struts > 0 {
		struts *= 1.5
	}
	return max(-90, greyMarrow+90*coarse+150*struts)
}
