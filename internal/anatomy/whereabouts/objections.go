package whereabouts

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbline/internal/anatomy/dentalarch"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

const (
	// farOutside is the distance from the planning scan, mm, beyond which a
	// structure is not just on the other side of a small field: a jaw is some
	// 60 mm wide at its last molars.
	farOutside = 60
	// farAside is how far beside the midline the middle of a structure may lie, mm:
	// the joints of the lower jaw lie at some 50 mm.
	farAside = 60
	// acrossMidline is how far beyond the midline the middle of a structure must
	// lie to be on the other side, mm: the midline is known to some 5 mm.
	acrossMidline = 8
	// belowPlatform is how far on the wrong side of the platforms the middle of a
	// sinus or a canal must lie to be in the other jaw, mm.
	belowPlatform = 5
	// upright is the angle from the vertical, degrees, below which a centre line runs
	// as a root does and no canal, longestUpright how long a canal may do so, mm (the
	// loop before the mental foramen), and besideSite how near to a site its middle
	// must lie, mm: in the ramus a canal rises. Common practice, no source.
	upright, longestUpright, besideSite = 30.0, 8.0, 20.0
	// probeReach is how far to either side of a surface its border is looked for,
	// mm: a voxel or three.
	probeReach = 1.5
	// leastContrast is the step across a border in standard deviations of the
	// scan's grey values, and leastBordered the share of a sinus' surface that must
	// show it: 0.55 and more of 18 sinuses of synthetic cases do (plumbline phantom
	// --voxel 0.5, seeds 2, 3 and 6 of the kinds usual, edentulous, small-field and
	// coarse), 0.28 at most of one that is displaced by a centimetre or mirrored.
	leastContrast, leastBordered = 0.3, 0.4
	// fewestProbed is the number of points of a surface inside the scan that show
	// whether it follows a border, and leastProbed the share of all: a field that shows
	// less of a sinus cuts its edge off, where walls lie close together. Of a
	// synthetic sinus that was where it said, 3 % lay in the field, and 16 % of that showed a
	// border.
	fewestProbed, leastProbed = 50, 0.1
)

// judge holds what the structures of a case are held against.
type judge struct {
	plan    *casefile.Case
	frame   casefile.Frame // of the case file
	origin  geom.Vec       // of that frame
	bodies  []Body
	pre     *volume.Volume
	midline float64 // x, mm
	air     float64 // grey value that air does not reach
	spread  float64 // standard deviation of the scan's grey values
}

func newJudge(plan, written *casefile.Case, bodies []Body, pre *volume.Volume) *judge {
	j := &judge{plan: plan, frame: written.Frame, origin: written.Frame.ToLPS(geom.Vec{}, pre.Grid), bodies: bodies, pre: pre}
	for _, f := range plan.Fixtures {
		j.midline += (f.Planned.Entry.X - dentalarch.UsualAside(f.Site)) / float64(len(plan.Fixtures))
	}
	const samples = 20_000
	var greys []float64
	step := max(1, pre.Len()/samples)
	for at := 0; at < pre.Len(); at += step {
		i, rest := at%pre.Size[0], at/pre.Size[0]
		if g := pre.Grey(i, rest%pre.Size[1], rest/pre.Size[1]); !math.IsNaN(g) {
			greys = append(greys, g)
		}
	}
	j.spread = stat.StdDev(greys, nil)
	if slices.Sort(greys); len(greys) > 0 {
		// Half way from the darkest to the middle; where air fills more than half of the
		// scan, that is air, and none is told.
		j.air = (greys[len(greys)/100] + greys[len(greys)/2]) / 2
	}
	return j
}

// objections are the reasons, in words, why structure i cannot be this body.
func (j *judge) objections(i int, b Body) []string {
	st := j.plan.Structures[i]
	var out []string
	add := func(words string) {
		if words != "" {
			out = append(out, words)
		}
	}
	kind := st.Kind.Spec()
	whole := b.Surface || len(b.Points) > 1 && (st.Kind == casefile.Root || st.Kind == casefile.FixtureBody)
	if size := kind.Size; b.Size > size[1] || whole && b.Size < size[0] {
		return []string{fmt.Sprintf("it is %.3g mm across, where %s is %g to %g mm", b.Size, kind.Called, size[0], size[1])}
	}
	if gap := j.gap(b); gap > farOutside {
		return []string{fmt.Sprintf("it lies outside the planning scan, %.0f mm from it", gap)}
	}
	add(j.wrongSide(st, b))
	add(j.wrongHeight(st, b))
	add(j.standing(st, b))
	if bordered, probed := j.bordered(b); st.Kind == casefile.Sinus && probed >= fewestProbed && float64(probed) >= leastProbed*float64(len(b.Normals)) && bordered < leastBordered {
		add(fmt.Sprintf("only %.0f %% of it follow a border in the planning scan with the darker side inwards, as that of an aerated sinus does", 100*bordered))
	}
	if len(out) == 0 {
		add(j.elsewhere(st, b))
	}
	return out
}

// short reports whether a centre line is shorter than those of its kind are.
func (j *judge) short(i int, b Body) bool {
	return !b.Surface && len(b.Points) > 1 && b.Size < j.plan.Structures[i].Kind.Spec().Size[0]
}

// gap is the distance of a body's nearest point from the planning scan, 0 where
// one lies inside.
func (j *judge) gap(b Body) float64 {
	least := math.Inf(1)
	spacing := j.pre.Spacing()
	for _, p := range b.Points {
		x, y, z := j.pre.Index(p)
		d := 0.0
		for a, v := range [3]float64{x, y, z} {
			d = math.Hypot(d, spacing[a]*max(0, -0.5-v, v-float64(j.pre.Size[a])+0.5))
		}
		least = min(least, d)
	}
	return least
}

// middle is the mean of a body's points.
func middle(b Body) geom.Vec {
	var sum geom.Vec
	for _, p := range b.Points {
		sum = r3.Add(sum, p)
	}
	return r3.Scale(1/float64(len(b.Points)), sum)
}

// side is where a structure must lie, in words, by its name, by a tooth number in
// it, or because it is the only canal or sinus of a case whose sites all lie on
// one side; empty where nothing says.
func (j *judge) side(st casefile.Structure) (side tooth.Side, why string) {
	words := strings.FieldsFunc(strings.ToLower(st.Name), func(r rune) bool { return r < 'a' || r > 'z' })
	left, right := slices.Contains(words, "left"), slices.Contains(words, "right")
	if left != right {
		side = tooth.Right
		if left {
			side = tooth.Left
		}
		return side, "its name says " + string(side)
	}
	site := j.plan.Fixtures[0].Site
	for _, f := range j.plan.Fixtures {
		if f.Site.Side() != site.Side() {
			site = 0
			break
		}
	}
	if n, ok := dentalarch.NumberIn(st.Name, j.plan.Numbering, j.plan.Fixtures[0].Site.Jaw()); ok && (st.Kind == casefile.Root || st.Kind == casefile.FixtureBody) {
		return n.Side(), fmt.Sprintf("tooth %s is on the %s", n.Label(j.plan.Numbering), n.Side())
	}
	if site == 0 || left || st.Kind != casefile.Nerve && st.Kind != casefile.Sinus {
		return "", ""
	}
	for _, other := range j.plan.Structures {
		if other.Kind == st.Kind && other.Name != st.Name {
			return "", ""
		}
	}
	return site.Side(), fmt.Sprintf("site %s is on the %s and it is the only %s given", site.Label(j.plan.Numbering), site.Side(), st.Kind)
}

func (j *judge) wrongSide(st casefile.Structure, b Body) string {
	side, why := j.side(st)
	beyond := middle(b).X - j.midline // to the patient's left
	if aside := math.Abs(beyond); aside > farAside {
		return fmt.Sprintf("its middle lies %.0f mm beside the midline, where a jaw ends after %d mm", aside, farAside)
	}
	found := tooth.Left
	if beyond < 0 {
		found = tooth.Right
	}
	if side == "" || side == found || math.Abs(beyond) < acrossMidline {
		return ""
	}
	return fmt.Sprintf("it lies on the patient's %s, but %s", found, why)
}

// wrongHeight tells a sinus below the platforms of an upper jaw, or a canal above
// those of a lower one.
func (j *judge) wrongHeight(st casefile.Structure, b Body) string {
	platform := 0.0
	for _, f := range j.plan.Fixtures {
		platform += f.Planned.Entry.Z / float64(len(j.plan.Fixtures))
	}
	over := middle(b).Z - platform
	jaw := j.plan.Fixtures[0].Site.Jaw()
	switch {
	case st.Kind == casefile.Sinus && jaw == tooth.Upper && over < -belowPlatform:
		return fmt.Sprintf("its middle lies %.0f mm below the platforms, where a sinus lies above them", -over)
	case st.Kind == casefile.Nerve && jaw == tooth.Lower && over > belowPlatform:
		return fmt.Sprintf("its middle lies %.0f mm above the platforms, where a canal lies below them", over)
	}
	return ""
}

// standing tells a canal that runs up and down beside a site, as roots do.
func (j *judge) standing(st casefile.Structure, b Body) string {
	if st.Kind != casefile.Nerve || b.Surface || len(b.Points) < 2 {
		return ""
	}
	along := r3.Sub(b.Points[len(b.Points)-1], b.Points[0])
	angle := geom.Degrees(math.Atan2(math.Hypot(along.X, along.Y), math.Abs(along.Z)))
	if r3.Norm(along) < longestUpright || angle > upright {
		return ""
	}
	for _, f := range j.plan.Fixtures {
		if to := r3.Sub(f.Planned.Entry, middle(b)); math.Hypot(to.X, to.Y) < besideSite {
			return fmt.Sprintf("it runs up and down beside site %s, %.0f° from the vertical, as a root does and no canal", f.Site.Label(j.plan.Numbering), angle)
		}
	}
	return ""
}

// bordered is the share of a closed surface's points inside the scan, of which
// there are probed, at which the grey value rises outwards.
func (j *judge) bordered(b Body) (share float64, probed int) {
	rising := 0
	for i, n := range b.Normals {
		out, in := j.grey(r3.Add(b.Points[i], r3.Scale(probeReach, n))), j.grey(r3.Sub(b.Points[i], r3.Scale(probeReach, n)))
		if math.IsNaN(out) || math.IsNaN(in) {
			continue
		}
		probed++
		if out-in > leastContrast*j.spread {
			rising++
		}
	}
	return float64(rising) / float64(max(1, probed)), probed
}

// grey is the grey value of the voxel at a point, NaN outside.
func (j *judge) grey(p geom.Vec) float64 {
	if !j.pre.Contains(p) {
		return math.NaN()
	}
	x, y, z := j.pre.Index(p)
	at := func(v float64, axis int) int { return min(max(0, int(math.Round(v))), j.pre.Size[axis]-1) }
	return j.pre.Grey(at(x, 0), at(y, 1), at(z, 2))
}
