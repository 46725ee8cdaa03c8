package dentalarch

import (
	"fmt"
	"math"
	"strings"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

const (
	// otherSide is how far on the wrong side of the midline an entry point lies
	// for certain, mm: the midline is found to a millimetre or two, and central
	// incisors reach across it where it is not straight.
	otherSide = 4.0
	// offRidge is how far beside the arch an entry point lies for certain, mm:
	// more than half the widest ridge.
	offRidge = 8.0
	// misnumbered is how far along the arch from its usual place, or from a tooth
	// beside it, no tooth of that number stands, mm: two premolars, the most that is
	// commonly taken out and closed up. Common practice, no source.
	misnumbered = 15.0
)

// fault is what is wrong with where a fixture is planned.
type fault = measurement.Code

const (
	noFault     fault = ""
	wrongJaw    fault = measurement.CodeApexPointsAway
	wrongSide   fault = measurement.CodePlanOnOtherSide
	besideRidge fault = measurement.CodePlanOffRidge
	wrongNumber fault = measurement.CodePlanAtOtherTooth
)

// check finds what is wrong with a fixture planned at p, with a sentence.
func (v *view) check(n tooth.Number, p geom.Pose) (fault, string) {
	if a := p.Axis(); a.Z > 0 != (n.Jaw() == tooth.Upper) {
		return wrongJaw, fmt.Sprintf("a fixture in the %s jaw has its apex %s its platform, but the planned one points the other way", n.Jaw(), map[tooth.Jaw]string{tooth.Upper: "above", tooth.Lower: "below"}[n.Jaw()])
	}
	if v.line == nil {
		return noFault, ""
	}
	at, beside := place(v.line, p.Entry)
	arc, usual := float64(at), arcOf(n)
	switch {
	case beside > offRidge:
		return besideRidge, fmt.Sprintf("the planned entry point lies %.0f mm beside the dental arch that the planning scan shows", beside)
	case arc*usual < 0 && math.Abs(arc) > otherSide:
		side := tooth.Right
		if arc > 0 {
			side = tooth.Left
		}
		return wrongSide, fmt.Sprintf("tooth %s is on the patient's %s, but the planned entry point lies on the %s side of the arch that the planning scan shows", n, n.Side(), side)
	}
	off := fmt.Sprintf("the planned entry point lies %.0f mm along the arch from where tooth %s usually stands", math.Abs(arc-usual), n)
	if other := standingAt(arc, n); other != n {
		return wrongNumber, fmt.Sprintf("%s, and nearer to where %s does", off, other)
	}
	if math.Abs(arc-usual) > misnumbered { // behind the last tooth
		return wrongNumber, off
	}
	return noFault, ""
}

// standingAt is the tooth whose usual place along the arch fits plainly better than a
// given one's of its jaw, which is given back where none does.
func standingAt(arc float64, n tooth.Number) tooth.Number {
	best, least := n, math.Abs(arc-arcOf(n))-plainlyNearer
	for _, m := range tooth.All() {
		if off := math.Abs(arc - arcOf(m)); m.Jaw() == n.Jaw() && off < least {
			best, least = m, off
		}
	}
	return best
}

// misplaced flags a plan that cannot be meant as it stands, with what to change;
// nil where it can. A tooth far from its usual place on the right side is no more than
// worth a look.
func (s *site) misplaced() *measurement.Flag {
	f := s.plan.Fixtures[s.index]
	kind, what := s.view.check(f.Site, f.Planned)
	if kind == noFault {
		return nil
	}
	level, remedy := measurement.Doubt, ""
	switch kind {
	case wrongNumber:
		level = measurement.Notice
	case wrongJaw:
		remedy = s.turnedRound()
	}
	if remedy == "" {
		remedy = s.remedy()
	}
	return &measurement.Flag{Code: kind, Level: level,
		Message: fmt.Sprintf("site %s: %s; %s", f.Site, what, remedy)}
}

// turnedRound is what to do with a fixture whose number fits the arch once its entry and
// apex are exchanged; empty where it does not.
func (s *site) turnedRound() string {
	f := s.plan.Fixtures[s.index]
	if kind, _ := s.view.check(f.Site, geom.Pose{Entry: f.Planned.Apex, Apex: f.Planned.Entry}); kind != noFault && kind != wrongNumber {
		return ""
	}
	return "either entry and apex are exchanged, or the tooth number is one of the other jaw"
}

// remedy says which other reading of the case's coordinates puts all its
// fixtures where their numbers say.
func (s *site) remedy() string {
	mirrored := func(p geom.Vec) geom.Vec {
		p = s.written.Frame.ToLPS(p, s.pre.Grid)
		p.X = -p.X
		return p
	}
	var fit []string
	for _, frame := range []casefile.Frame{casefile.LPS, casefile.RAS, casefile.Corner} {
		if frame != s.written.Frame && s.fits(func(p geom.Vec) geom.Vec { return frame.ToLPS(p, s.pre.Grid) }) {
			fit = append(fit, fmt.Sprintf("frame = %q", string(frame)))
		}
	}
	orMirror := ""
	if s.fits(mirrored) {
		orMirror = ", and whether the scans are mirror images"
		fit = append(fit, "the sign of the first coordinates changed (left and right exchanged)")
	}
	if len(fit) == 0 {
		return fmt.Sprintf("check the tooth number, entry and apex, and that frame = %q is what the planning program exports", string(s.written.Frame))
	}
	return fmt.Sprintf("with %s it would lie where the tooth number says, so check which coordinates the planning program exports%s", strings.Join(fit, ", or with "), orMirror)
}

// fits reports whether a reading of the coordinates puts every fixture of this jaw
// where its number says.
func (s *site) fits(toLPS func(geom.Vec) geom.Vec) bool {
	jaw := s.plan.Fixtures[s.index].Site.Jaw()
	for _, f := range s.written.Fixtures {
		if f.Site.Jaw() != jaw {
			continue
		}
		p := geom.Pose{Entry: toLPS(f.Planned.Entry), Apex: toLPS(f.Planned.Apex)}
		if !s.pre.Contains(p.Entry) || !s.pre.Contains(p.Apex) {
			return false
		}
		if kind, _ := s.view.check(f.Site, p); kind != noFault {
			return false
		}
	}
	return true
}
