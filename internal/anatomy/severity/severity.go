// Package severity says what counts most of a measured fixture: a structure
// entered, a margin missed, a doubt about the figures, a deviation outside the
// stated limits, nothing against it, or not checked, in this order; and whose a
// missed margin is, the plan's or the transfer's.
//
// Conventions: a clearance is a distance in mm, negative inside a structure, as in
// package measurement. Everything here follows from stored figures, so that a
// stored measurement of any age has a verdict. Start with Fixture or Case.
//
// Limits: a distance holds for the structure as drawn. That a structure was given
// does not show that it is drawn at its place.
package severity

import (
	"slices"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// Standing is how a distance stands to its structure.
type Standing int

// The standings, the gravest first.
const (
	Entered  Standing = iota // the distance is zero or less
	Missed                   // less than the margin asked for
	Unsure                   // the margin is kept, but not by the whole interval
	Kept                     // the margin is kept
	Unasked                  // not entered, and no margin is asked for
	NotKnown                 // no distance
)

// Achieved is how a fixture as placed stands to a structure.
func Achieved(c measurement.Clearance) Standing {
	switch {
	case c.Achieved == nil:
		return NotKnown
	case *c.Achieved <= 0:
		return Entered
	case c.Margin == nil:
		return Unasked
	case *c.Achieved < *c.Margin:
		return Missed
	case c.Low != nil && *c.Low < *c.Margin:
		return Unsure
	}
	return Kept
}

// Planned is how a fixture as planned stands to a structure.
func Planned(c measurement.Clearance) Standing {
	switch {
	case c.Planned <= 0:
		return Entered
	case c.Margin == nil:
		return Unasked
	case c.Planned < *c.Margin:
		return Missed
	}
	return Kept
}

// breach is the graver of two standings that is one; ok is false where neither is.
func breach(c measurement.Clearance) (s Standing, ok bool) {
	achieved, planned := Achieved(c), Planned(c)
	switch {
	case achieved <= Missed:
		return achieved, true
	case planned > Missed:
		return achieved, false
	case achieved == NotKnown:
		return planned, true
	}
	return Missed, true // the plan's, although the placed fixture keeps it
}

// Breach is the standing that a clearance is told by: Entered or Missed, as placed or
// else as planned, or, where it is neither, as placed.
func Breach(c measurement.Clearance) Standing {
	s, _ := breach(c)
	return s
}

// Share parts a clearance into the plan's share and the transfer's.
func Share(c measurement.Clearance) *measurement.Share {
	var s measurement.Share
	if c.Margin != nil {
		s.Plan = new(c.Planned - *c.Margin)
	}
	if c.Achieved != nil {
		s.Transfer = new(*c.Achieved - c.Planned)
	}
	if s == (measurement.Share{}) {
		return nil
	}
	return &s
}

// Blame says whose a breach is; empty where there is none. What was planned too
// near is the plan's; where placing lost more besides, by more than the interval
// of the distance allows for, it is both's.
func Blame(c measurement.Clearance) measurement.Blame {
	if _, ok := breach(c); !ok {
		return ""
	}
	if Planned(c) > Missed {
		return measurement.ByTransfer
	}
	surely := c.Achieved // the least that placing may have lost
	if c.High != nil {
		surely = c.High
	}
	if Achieved(c) <= Missed && *surely < c.Planned {
		return measurement.ByBoth
	}
	return measurement.ByPlan
}

// left is what an achieved distance leaves over the margin, the planned one where
// there is no other; a structure without a margin has to be kept out of.
func left(c measurement.Clearance) float64 {
	d := c.Planned
	if c.Achieved != nil {
		d = *c.Achieved
	}
	if c.Margin != nil {
		d -= *c.Margin
	}
	return d
}

// distance is the achieved distance, the planned one where there is no other.
func distance(c measurement.Clearance) float64 {
	if c.Achieved != nil {
		return *c.Achieved
	}
	return c.Planned
}

// rank is 0 for a structure entered, 1 for a margin missed, 2 for all else.
func rank(c measurement.Clearance) int {
	if s, ok := breach(c); ok {
		return int(s)
	}
	return int(Unsure)
}

// Ordered are clearances with the gravest first: structures entered, margins
// missed, then the others by what is left over their margin.
func Ordered(list []measurement.Clearance) []measurement.Clearance {
	out := slices.Clone(list)
	slices.SortStableFunc(out, graver)
	return out
}

func graver(a, b measurement.Clearance) int {
	if d := rank(a) - rank(b); d != 0 {
		return d
	}
	return compare(left(a), left(b))
}

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// Tightest is the clearance that is nearest relative to its margin, a breach
// before all others; nil where there is none.
func Tightest(list []measurement.Clearance) *measurement.Clearance { return least(list, graver) }

// Nearest is the least clearance; nil where there is none.
func Nearest(list []measurement.Clearance) *measurement.Clearance {
	return least(list, func(a, b measurement.Clearance) int { return compare(distance(a), distance(b)) })
}

func least(list []measurement.Clearance, by func(a, b measurement.Clearance) int) *measurement.Clearance {
	if len(list) == 0 {
		return nil
	}
	c := slices.MinFunc(list, by)
	return &c
}

// Reach is the distance, mm, beyond which a structure is named without its figures: the
// largest usual margin of any kind and the largest published deviation, 3.0 + 7.1 mm. To miss
// the margin of one that was planned farther off, a fixture would have to go farther astray
// than any in the reviews, and such a one is in doubt anyhow. Were it less, a breach that has
// happened to others could be one without a figure.
func Reach() float64 {
	most := 0.0
	for _, k := range casefile.Kinds {
		if k.Usual != nil {
			most = max(most, k.Usual.MM)
		}
	}
	return most + measurement.LargestPublishedApex
}

// Beyond reports whether a structure lies beyond Reach, as planned and as placed, or, where
// the case asks for a larger margin than the usual ones, beyond that and the largest
// published deviation.
func Beyond(c measurement.Clearance) bool {
	far := Reach()
	if c.Margin != nil {
		far = max(far, *c.Margin+measurement.LargestPublishedApex)
	}
	return c.Achieved != nil && min(c.Planned, *c.Achieved) > far
}

// CheckedWithin is the distance, mm, within which a structure is this site's own.
// The canal of one side lies at most some 15 mm below a fixture at its own side,
// and at least some 25 mm from one on the other; sinuses likewise. Common
// practice, no source.
const CheckedWithin = 20.0

// due is the kind of structure that has to be checked at a site: the nerve in the
// lower jaw behind the canines, the sinus in the upper jaw behind the canines;
// empty at others.
func due(site string) casefile.Kind {
	n, err := tooth.Parse(site, tooth.ISO3950)
	switch {
	case err != nil || n.Anterior():
		return ""
	case n.Jaw() == tooth.Lower:
		return casefile.Nerve
	}
	return casefile.Sinus
}

// NotChecked are the kinds of structure that are due at a site and to none of which
// near it the achieved distance is known. One on the other side of the jaw does not
// count.
func NotChecked(site string, list []measurement.Clearance) []string {
	return notNear(site, list, func(c measurement.Clearance) bool {
		return c.Achieved != nil && min(c.Planned, *c.Achieved) <= CheckedWithin
	})
}

// NotPlanned is NotChecked for the distances of a plan, which has no achieved ones.
func NotPlanned(site string, list []measurement.Clearance) []string {
	return notNear(site, list, func(c measurement.Clearance) bool { return c.Planned <= CheckedWithin })
}

// notNear are the kinds that are due at a site and of which none is near.
func notNear(site string, list []measurement.Clearance, near func(measurement.Clearance) bool) []string {
	kind := due(site)
	if kind == "" || slices.ContainsFunc(list, func(c measurement.Clearance) bool { return casefile.Kind(c.Kind) == kind && near(c) }) {
		return nil
	}
	return []string{string(kind)}
}

// Limits are the largest deviations that are not spoken against, all three of them.
type Limits struct {
	Entry float64 `json:"entry_mm"`
	Apex  float64 `json:"apex_mm"`
	Angle float64 `json:"angle_deg"`
}

// UsualLimits hold where no others are stated.
var UsualLimits = Limits{Entry: 2, Apex: 2, Angle: 8}

// LimitsSource says where UsualLimits come from.
const LimitsSource = "2 mm is the margin that Tahmaseb and others (Clin Oral Implants Res 2018) ask to be kept. Single guided fixtures lay 0.97 ± 0.44 mm off at the entry and 1.28 ± 0.46 mm at the apex (30; Kaewsiri and others, Clin Oral Implants Res 2019), and 0.99 ± 0.63 mm, 1.50 ± 0.75 mm and 3.07° ± 2.18° (20 in fresh sockets; Feng and others, Int J Implant Dent 2022): if that is normal, 99 and 95 of 100 are within 2 mm at the entry, 94 and 75 at the apex, and nearly all within 8°. Of 52 freehand ones, with 1.62 ± 0.87 mm and 8.7° ± 4.8° (Schnutenhaus and others, Dent J 2021), a third lies beyond 2 mm at the entry and more than half beyond 8°. State limits of your own where your board has them."

// Outside are the figures that are beyond their limit.
func (l Limits) Outside(d *measurement.Values) []measurement.Figure {
	var out []measurement.Figure
	for figure, most := range l.All() {
		if d != nil && d[figure] != nil && *d[figure] > most {
			out = append(out, figure)
		}
	}
	return out
}

// All gives each limited figure with its limit.
func (l Limits) All() func(yield func(measurement.Figure, float64) bool) {
	return func(yield func(measurement.Figure, float64) bool) {
		_ = yield(measurement.Entry, l.Entry) && yield(measurement.Apex, l.Apex) && yield(measurement.Angle, l.Angle)
	}
}
