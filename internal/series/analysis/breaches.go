package analysis

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
	"plumbline/internal/stats/orderstat"
)

// Breaches counts the structures entered and the margins missed in the rows of a
// series. A fixture counts once for each kind of structure, by its gravest.
type Breaches struct {
	Fixtures   int          `json:"fixtures"` // that count
	Kinds      []KindBreach `json:"kinds"`    // those with a clearance, in the order of the table of kinds
	Entered    int          `json:"entered"`  // fixtures that entered any structure
	Missed     int          `json:"missed"`   // fixtures that missed a margin
	InDoubt    int          `json:"in_doubt"` // fixtures with either whose figures are in doubt
	NotChecked int          `json:"not_checked"`
	Bone       *LeastBone   `json:"buccal_bone,omitempty"` // nil where no fixture has both
	Aside      *AsideBreach `json:"aside,omitempty"`       // in rows that do not count; nil where there are none with figures
	Words      string       `json:"words"`
	Points     []string     `json:"-"` // Words, a point each; those about what was entered and missed first
}

// AsideBreach counts in rows that were withdrawn, replaced or left out.
type AsideBreach struct {
	Fixtures int `json:"fixtures"`
	Entered  int `json:"entered"`
	Missed   int `json:"missed"`
}

// LeastBone is what the least bone to buccal was over the fixtures that have it as planned
// and as placed, mm.
type LeastBone struct {
	Fixtures int        `json:"fixtures"`
	Planned  BoneSpread `json:"planned"`
	Achieved BoneSpread `json:"achieved"`
}

// BoneSpread is the least and the median of them, how many are outside the bone, and how many
// are but bounds.
type BoneSpread struct {
	Least   float64 `json:"least_mm"`
	Median  float64 `json:"median_mm"`
	Outside int     `json:"outside"`
	AtMost  int     `json:"at_most,omitempty"`
}

// KindBreach counts the breaches of one kind of structure.
type KindBreach struct {
	Kind     string `json:"kind"`
	Fixtures int    `json:"fixtures"` // with a distance to one
	Entered  Shares `json:"entered"`
	Missed   Shares `json:"missed"`
}

// Shares says whose breaches are; one of both's counts for the plan and for the
// transfer.
type Shares struct {
	All      int `json:"all"`
	Plan     int `json:"plan"`
	Transfer int `json:"transfer"`
}

func (s *Shares) add(by measurement.Blame) {
	s.All++
	if by != measurement.ByTransfer {
		s.Plan++
	}
	if by != measurement.ByPlan {
		s.Transfer++
	}
}

// CountBreaches counts over the rows of a series' table.
func CountBreaches(rows []series.TableRow) Breaches {
	b := Breaches{Kinds: []KindBreach{}}
	kinds := map[string]*KindBreach{}
	var aside AsideBreach
	var planned, achieved []float64
	var bounds [2]int
	for i := range rows {
		r := &rows[i]
		if r.Status != series.StatusMeasured {
			if len(r.Clearance) == 0 && r.Deviation == (measurement.Values{}) {
				continue
			}
			aside.Fixtures++
			switch r.Verdict().Code {
			case measurement.StructureEntered:
				aside.Entered++
			case measurement.MarginMissed:
				aside.Missed++
			}
			continue
		}
		b.Fixtures++
		if r.Bone != nil && r.Bone.Planned != nil && r.Bone.Achieved != nil {
			planned, achieved = append(planned, *r.Bone.Planned), append(achieved, *r.Bone.Achieved)
			for k, is := range []bool{r.Bone.PlannedAtMost, r.Bone.AchievedAtMost} {
				if is {
					bounds[k]++
				}
			}
		}
		v := r.Verdict()
		if v.By != "" && r.Doubt {
			b.InDoubt++
		}
		if len(v.NotChecked) > 0 || v.Code == measurement.NotChecked {
			b.NotChecked++
		}
		seen, entered, missed := map[string]bool{}, 0, 0
		for _, c := range severity.Ordered(r.Clearance) {
			if seen[c.Kind] {
				continue
			}
			seen[c.Kind] = true
			k := kinds[c.Kind]
			if k == nil {
				k = &KindBreach{Kind: c.Kind}
				kinds[c.Kind] = k
			}
			k.Fixtures++
			switch by := severity.Blame(c); severity.Breach(c) {
			case severity.Entered:
				k.Entered.add(by)
				entered = 1
			case severity.Missed:
				k.Missed.add(by)
				missed = 1
			}
		}
		b.Entered, b.Missed = b.Entered+entered, b.Missed+missed
	}
	for _, spec := range casefile.Kinds {
		if k := kinds[string(spec.Kind)]; k != nil {
			b.Kinds = append(b.Kinds, *k)
		}
	}
	if aside.Fixtures > 0 {
		b.Aside = &aside
	}
	if len(planned) > 0 {
		b.Bone = &LeastBone{len(planned), boneSpread(planned, bounds[0]), boneSpread(achieved, bounds[1])}
	}
	b.Points = b.points(false)
	b.Words = strings.Join(b.Points, " ")
	return b
}

func boneSpread(mm []float64, bounds int) BoneSpread {
	out := BoneSpread{Least: slices.Min(mm), Median: orderstat.Median(mm), AtMost: bounds}
	for _, x := range mm {
		if x < 0 {
			out.Outside++
		}
	}
	return out
}

// BesideAnswer are the points without what the answer to TooNear has: the counts.
func (b *Breaches) BesideAnswer() []string { return b.points(true) }

// points are sentences; answered says that TooNear is answered beside them.
func (b *Breaches) points(answered bool) []string {
	if b.Fixtures == 0 && b.Aside == nil {
		return []string{"No fixture is measured, so there are no breaches to count."}
	}
	var out []string
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	entered, missed := b.byKind(func(k KindBreach) Shares { return k.Entered }), b.byKind(func(k KindBreach) Shares { return k.Missed })
	switch {
	case answered:
		if entered != "" {
			say("Structures entered, by kind: %s.", entered)
		}
		if missed != "" {
			say("Margins missed, by kind: %s.", missed)
		}
	case len(b.Kinds) == 0:
		say("Not checked: no structure was given for any of %s, so that breaches could not be looked for.", fixtures(b.Fixtures))
	default:
		say("Structures entered: at %d of %s%s.", b.Entered, fixtures(b.Fixtures), bracketed(entered))
		say("Margins missed: at %d of %s%s.", b.Missed, fixtures(b.Fixtures), bracketed(missed))
	}
	if b.InDoubt > 0 {
		say("With figures in doubt among these: %d.", b.InDoubt)
	}
	if b.NotChecked > 0 && len(b.Kinds) > 0 {
		const due = "no structure was given, or not the one that is due behind the canines: the nerve in the lower jaw, the sinus in the upper."
		if answered {
			say("Not checked means that near the site " + due)
		} else {
			say("Not checked: %d of %d. Near their sites "+due, b.NotChecked, b.Fixtures)
		}
	}
	if l := b.Bone; l != nil {
		say("Bone to buccal of %s, in the planning scan: the least is %.1f mm as planned and %.1f mm as placed, the median %.1f and %.1f mm. The wall lies outside the bone at %d as planned and at %d as placed.",
			fixtures(l.Fixtures), l.Planned.Least, l.Achieved.Least, l.Planned.Median, l.Achieved.Median, l.Planned.Outside, l.Achieved.Outside)
		if l.Planned.AtMost+l.Achieved.AtMost > 0 {
			say("Of these, %d as planned and %d as placed are but bounds: there may be less bone.", l.Planned.AtMost, l.Achieved.AtMost)
		}
	}
	if a := b.Aside; a != nil {
		say("Not counted, as their figures were withdrawn, replaced or left out: %s, at %d of them a structure entered, at %d a margin missed.", fixtures(a.Fixtures), a.Entered, a.Missed)
	}
	return out
}

func fixtures(n int) string {
	if n == 1 {
		return "1 fixture"
	}
	return fmt.Sprintf("%d fixtures", n)
}

// byKind words the breaches of each kind; "" where there are none.
func (b *Breaches) byKind(of func(KindBreach) Shares) string {
	var parts []string
	for _, k := range b.Kinds {
		if s := of(k); s.All > 0 {
			parts = append(parts, fmt.Sprintf("%s %d: %d by the plan, %d by the transfer", k.Kind, s.All, s.Plan, s.Transfer))
		}
	}
	return strings.Join(parts, "; ")
}

// bracketed puts words behind others.
func bracketed(words string) string {
	if words == "" {
		return ""
	}
	return " (" + words + ")"
}
