// Package dentalarch finds which way is mesial and which is buccal at a planned
// fixture, and catches a plan that is written in other coordinates than it says.
//
// The mesial direction is the case's own where it gives one; else that of the
// teeth and fixtures beside the site whose number the case states, and that of
// the dental arch found in the planning scan, the horseshoe of dense tissue at
// the level of the platforms. Whatever there is, is checked against the rest,
// against the side of the tooth number and against the jaw.
//
// Conventions: planning frame, patient LPS, mm. The patient's head is taken to
// lie in the scan as its coordinates say, turned by no more than some 30°. Start
// with Find.
//
// Accuracy (TestAccuracyOnPhantoms): from the scan alone, on 216 synthetic scans of all
// regions, the 184 directions that promise 5° were off by 1.2° root mean square and 3.8°
// at most, in fields that show the whole arch as in those of 50 and 45 mm. The other 32
// were flagged, off by 3.9° root mean square and 12.6° at most: mostly second molars,
// with nothing behind them, and upper jaws without teeth. No direction was off by more than
// 2.6 times its own standard uncertainty. Neighbours alone were off by 2.5° on average
// and 5.6° at most on 24.
//
// Limits: the sides can be told apart only where the scan shows both branches of
// the arch. A tooth that stands outside the row has the direction of the row. In an
// upper jaw without teeth the palate passes for a part of the ridge and draws its middle
// inwards.
package dentalarch

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// Source says where a mesial direction comes from.
type Source string

const (
	Unknown           Source = ""
	Given             Source = "given"
	Neighbours        Source = "neighbours"
	Scan              Source = "scan"
	NeighboursAndScan Source = "neighbours and scan"
)

// Finding is what is known of the directions at one fixture.
type Finding struct {
	Directions *deviation.Directions // nil where they are not known or the plan is in doubt
	Source     Source
	Flags      []measurement.Flag
}

// Find gives the directions of every fixture of a case, in its order. plan is
// the case with its coordinates in the planning frame, written the same as its
// file has it; pre is the planning scan.
func Find(plan, written *casefile.Case, pre *volume.Volume) []Finding {
	out := make([]Finding, len(plan.Fixtures))
	views := map[tooth.Jaw]*view{}
	for i, f := range plan.Fixtures {
		jaw := f.Site.Jaw()
		if views[jaw] == nil {
			views[jaw] = newView(plan, pre, jaw)
		}
		s := site{plan: plan, written: written, pre: pre, view: views[jaw], index: i}
		out[i] = s.find()
		flag := s.outOfOrder()
		switch {
		case flag == nil || slices.ContainsFunc(out[i].Flags, doubted):
			continue
		case flag.Level == measurement.Doubt:
			out[i].Directions = nil
		case slices.ContainsFunc(out[i].Flags, func(f measurement.Flag) bool { return f.Code == flag.Code }):
			continue // the arch has told it
		}
		out[i].Flags = append(out[i].Flags, *flag)
	}
	return out
}

func doubted(f measurement.Flag) bool { return f.Level == measurement.Doubt }

const (
	// slabFrom and slabTo are the heights between which the scan is looked at,
	// mm apical of the platforms: the necks of the teeth, the crest of the ridge and
	// the beginning of the roots. Higher up the front teeth lean out of the row.
	slabFrom, slabTo = -4.0, 5.0
	// minContrast is the least contrast that counts as a ridge: a twentieth of what
	// lies between air and enamel.
	minContrast = 0.05
	// maxLineOffset is how far beside a form the ridge may run and still be its
	// ridge, mm.
	maxLineOffset = 2.0
	// checkedArc is how far from the midline the arch is looked at to decide whether
	// it was found, mm: the middle of the second molar.
	checkedArc = 50
	// minRidgeFraction of that stretch has to have a ridge. In noise the best form
	// that can be found has one along half of it and some more.
	minRidgeFraction = 0.65
)

// view is what the planning scan and the case show of a jaw.
type view struct {
	dense      *occlusal
	form       *form   // the arch; nil where it was not found as a whole
	line       []point // its points, from right to left
	neighbours []neighbour
}

func newView(plan *casefile.Case, pre *volume.Volume, jaw tooth.Jaw) *view {
	level, n := 0.0, 0.0
	for _, f := range plan.Fixtures {
		if f.Site.Jaw() == jaw {
			level += f.Planned.Entry.Z
			n++
		}
	}
	up := -1.0
	if jaw == tooth.Upper {
		up = 1
	}
	v := &view{dense: densityMap(pre, level/n, up, slabFrom, slabTo), neighbours: numbered(plan, plan.Numbering, jaw)}
	f := v.dense.find(jaw)
	if v.dense.ridgeFraction(f.draw()[:], -checkedArc, checkedArc) >= minRidgeFraction {
		f = v.dense.refine(f, jaw, nil, settled)
		v.form, v.line = &f, f.draw()[:]
	}
	return v
}

// around is the arch at a tooth's planned place: the whole one, or, where the
// scan shows too little of it, the piece there with what ties it to the tooth; nil
// where no ridge is found.
func (v *view) around(n tooth.Number, entry geom.Vec) (*form, *anchor) {
	if v.form != nil {
		return v.form, nil
	}
	a := anchor{at: point{entry.X, entry.Y}, arc: arcOf(n)}
	f := v.dense.near(a, n.Jaw())
	const piece = 20 // mm to both sides: two teeth
	s := int(math.Round(a.arc))
	if v.dense.ridgeFraction(f.draw()[:], s-piece, s+piece) < minRidgeFraction {
		return nil, nil
	}
	f = v.dense.refine(f, n.Jaw(), &a, settled)
	return &f, &a
}

// place projects a point onto an arch: its arc from the midline to the left, and
// its distance from the arch, mm.
func place(line []point, p geom.Vec) (arc int, beside float64) {
	beside = math.Inf(1)
	at := 0
	for i, q := range line {
		if d := math.Hypot(q.x-p.X, q.y-p.Y); d < beside {
			beside, at = d, i
		}
	}
	return at - formEnd, beside
}

// site is one fixture with all evidence of its directions.
type site struct {
	plan, written *casefile.Case
	pre           *volume.Volume
	view          *view
	index         int
}

const (
	// consistent is the angle between two readings below which both are right,
	// degrees: three times the error of either.
	consistent = 15.0
	// contradictory is the angle from which one of them must be wrong, degrees.
	contradictory = 45.0
	// wanted is how near a direction should be known, degrees: 5° change a part by
	// less than a tenth of the other one.
	wanted = 5.0
	// coverage makes a standard uncertainty the half width of a 95 % interval.
	coverage = 1.96
)

// reading is a mesial direction with its standard uncertainty about the
// fixture's axis, degrees.
type reading struct {
	mesial geom.Vec // unit
	u      float64
}

// with is the mean of two readings, weighted by their variances.
func (r reading) with(q reading) reading {
	v, w := 1/(r.u*r.u), 1/(q.u*q.u)
	return reading{r3.Unit(r3.Add(r3.Scale(v, r.mesial), r3.Scale(w, q.mesial))), 1 / math.Sqrt(v+w)}
}

// find gathers the readings of a site, reconciles them, and flags what is
// uncertain.
func (s *site) find() Finding {
	var out Finding
	if flag := s.misplaced(); flag != nil {
		out.Flags = append(out.Flags, *flag)
		if flag.Level == measurement.Doubt {
			return out
		}
	}
	f := s.plan.Fixtures[s.index]
	scan, neighbours := s.gather(&out)
	found, source, ok := s.reconcile(scan, neighbours, &out)
	if !ok {
		return out
	}
	mesial := found
	if f.Mesial != nil {
		mesial, source = &reading{mesial: *f.Mesial}, Given
		s.checkGiven(found, &out)
	} else if source == Neighbours && scan == nil && s.neighboursContradictTooth(neighbours, &out) {
		return out
	}
	if mesial == nil {
		s.flag(&out, measurement.Notice, measurement.CodeDirectionsNotKnown, "neither neighbouring teeth nor the planning scan show the mesial direction, so there are no mesiodistal and buccolingual parts; give mesial in the case file")
		return out
	}
	d, err := deviation.Site(f.Site, f.Planned, mesial.mesial)
	if err != nil {
		s.flag(&out, measurement.Notice, measurement.CodeDirectionsNotKnown, "%v; there are no mesiodistal and buccolingual parts", err)
		return out
	}
	if half := coverage * mesial.u; half > wanted && !slices.ContainsFunc(out.Flags, uncertain) {
		s.flag(&out, measurement.Notice, measurement.CodeMesialUncertain, "the mesial direction is known to ±%.0f° only (95 %%), which the intervals of the mesiodistal and buccolingual parts take in; give mesial in the case file for closer ones", half)
	}
	d.Uncertainty = geom.Radians(mesial.u)
	out.Directions, out.Source = &d, source
	return out
}

// flag adds a flag that names the site.
func (s *site) flag(out *Finding, level measurement.Level, code measurement.Code, format string, args ...any) {
	message := fmt.Sprintf("site %s: ", s.plan.Fixtures[s.index].Site) + fmt.Sprintf(format, args...)
	out.Flags = append(out.Flags, measurement.Flag{Code: code, Level: level, Message: message})
}

// gather takes the readings of the scan and of the neighbours, nil where there is
// none.
func (s *site) gather(out *Finding) (scan, neighbours *reading) {
	f := s.plan.Fixtures[s.index]
	entry := f.Planned.Entry
	if line, tie := s.view.around(f.Site, entry); line != nil {
		along, u := s.view.dense.direction(*line, f.Site.Jaw(), tie, point{entry.X, entry.Y})
		m := mesialOf(along, f.Site)
		scan = &reading{geom.Vec{X: m.x, Y: m.y}, u}
	}
	if s.view.line == nil {
		s.flag(out, measurement.Notice, measurement.CodeSideNotChecked, "the planning scan shows too little of the arch to tell left from right or one tooth from the next; make sure that the tooth number is right and the plan's coordinates are what frame says")
	}
	if r, ok := byNeighbours(f.Site, entry, s.view.neighbours); ok {
		neighbours = &r
	}
	return scan, neighbours
}

// reconcile is the best reading that does not come from the case's author, nil
// where there is none; ok is false where the scan and the neighbours contradict
// each other.
func (s *site) reconcile(scan, neighbours *reading, out *Finding) (best *reading, source Source, ok bool) {
	switch {
	case scan != nil && neighbours != nil:
		apart := across(s.plan.Fixtures[s.index].Planned, scan.mesial, neighbours.mesial)
		if apart < consistent {
			m := scan.with(*neighbours)
			return &m, NeighboursAndScan, true
		}
		if apart < contradictory {
			s.flag(out, measurement.Notice, measurement.CodeMesialUncertain, "the neighbouring teeth and the arch in the scan show mesial directions %.0f° apart; the neighbours' is taken", apart)
			// Anything between the two may be right: a uniform distribution.
			return &reading{neighbours.mesial, max(neighbours.u, apart/math.Sqrt(12))}, Neighbours, true
		}
		s.flag(out, measurement.Doubt, measurement.CodeMesialContradicted, "the neighbouring teeth and the arch in the scan show mesial directions %.0f° apart, so there are no mesiodistal and buccolingual parts; check the tooth numbers in the structures' names and the frame of the coordinates", apart)
		return nil, Unknown, false
	case neighbours != nil:
		return neighbours, Neighbours, true
	case scan != nil:
		return scan, Scan, true
	}
	return nil, Unknown, true
}

// checkGiven compares the case's own mesial direction with the best reading, or,
// where there is none, with the usual direction of the tooth.
func (s *site) checkGiven(found *reading, out *Finding) {
	f := s.plan.Fixtures[s.index]
	check, of := UsualMesial(f.Site), "the usual one of this tooth"
	if found != nil {
		check, of = found.mesial, "what neighbours and scan show"
	}
	switch apart := across(f.Planned, *f.Mesial, check); {
	case apart >= contradictory && apart < 180-contradictory:
		s.flag(out, measurement.Doubt, measurement.CodeMesialContradicted, "the given mesial direction is %.0f° from %s; check mesial in the case file", apart, of)
	case apart >= contradictory:
		s.flag(out, measurement.Doubt, measurement.CodeMesialContradicted, "the given mesial direction points to distal, %.0f° from %s; check its sign, and whether it is in the frame of the other coordinates", apart, of)
	case apart >= consistent && found != nil:
		s.flag(out, measurement.Notice, measurement.CodeMesialUncertain, "the given mesial direction is %.0f° from %s", apart, of)
	}
}

// neighboursContradictTooth reports whether the neighbours' reading is at least a
// right angle from the usual direction of the tooth, and flags it.
func (s *site) neighboursContradictTooth(neighbours *reading, out *Finding) bool {
	f := s.plan.Fixtures[s.index]
	apart := across(f.Planned, neighbours.mesial, UsualMesial(f.Site))
	if apart < 2*contradictory {
		return false
	}
	s.flag(out, measurement.Doubt, measurement.CodeMesialContradicted, "the neighbouring teeth put mesial %.0f° from where it usually is, so there are no mesiodistal and buccolingual parts; check the tooth numbers in the structures' names and the frame of the coordinates", apart)
	return true
}

func uncertain(f measurement.Flag) bool { return f.Code == measurement.CodeMesialUncertain }

// across is the angle between two directions projected along a fixture's axis,
// degrees.
func across(p geom.Pose, u, v geom.Vec) float64 {
	a := p.Axis()
	return geom.Degrees(geom.Angle(deviation.Lateral(a, u), deviation.Lateral(a, v)))
}

// UsualAside is how far to the patient's left of the midline a tooth stands in the usual
// arch, mm, negative on the right.
func UsualAside(n tooth.Number) float64 {
	middle, _ := usual(n.Jaw())
	return middle.draw()[usualIndex(n)].x - middle.front.x
}

// usualIndex is a tooth's point of a drawn form.
func usualIndex(n tooth.Number) int { return formEnd + int(math.Round(arcOf(n))) }

// UsualMesial is the mesial direction of a tooth in a head that lies straight.
func UsualMesial(n tooth.Number) geom.Vec {
	middle, _ := usual(n.Jaw())
	line := middle.draw()
	m := mesialOf(along(line[:], usualIndex(n)), n)
	return geom.Vec{X: m.x, Y: m.y}
}
