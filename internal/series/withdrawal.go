package series

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"plumbline/internal/measurement"
)

// withdrawal is what a record held and how it was withdrawn.
func withdrawal(r, by *Record) Withdrawal {
	return Withdrawal{Record: r.Number, Time: r.Time, Kind: r.Kind, Case: r.Case, Held: held(r),
		By: by.Number, When: by.Time, Author: by.Author, Reason: by.Reason, rows: rowsOf(r), plan: r.Plan}
}

// Words says what was withdrawn, when, by whom and why.
func (w *Withdrawal) Words() string {
	by := w.Author
	if by == "" {
		by = "somebody who is not named"
	}
	return fmt.Sprintf("record %d of %s, which held %s, was withdrawn on %s by %s (record %d): %s", w.Record, dayOf(w.Time), w.Held, dayOf(w.When), by, w.By, w.Reason)
}

// of is the date of surgery and the clinician that a withdrawn record gives; empty
// where it has none.
func (w *Withdrawal) of() (placed, clinician string) {
	switch {
	case len(w.rows) > 0:
		return w.rows[0].Placed, w.rows[0].Clinician
	case w.plan != nil:
		return w.plan.Placed, w.plan.Clinician
	}
	return "", ""
}

// withdrawn reports whether nothing is in force of a case whose figures were
// withdrawn, or of which nothing else is known.
func (c *CaseState) withdrawn() bool {
	return len(c.Withdrawn) > 0 && (len(c.Sealed) == 0 || slices.ContainsFunc(c.Withdrawn, func(w Withdrawal) bool { return w.Kind != Sealed && w.Counts() }))
}

// dayOf is the day of a record's time.
func dayOf(text string) string {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return text
	}
	return t.Format(time.DateOnly)
}

// rowsOf are the fixtures that a record has figures of.
func rowsOf(r *Record) []Row {
	if r.Measurement != nil {
		return RowsOf(r.Measurement)
	}
	return r.Rows
}

// held says what a record holds.
func held(r *Record) string {
	switch r.Kind {
	case Sealed:
		var sites []string
		for _, f := range r.Plan.Fixtures {
			sites = append(sites, f.Site)
		}
		return "the sealed plan of site " + strings.Join(sites, ", ")
	case Measured, Imported:
		var parts []string
		for _, row := range rowsOf(r) {
			parts = append(parts, rowWords(&row))
		}
		return "figures of " + strings.Join(parts, "; ")
	case LeftOut:
		return fmt.Sprintf("the reason %q for leaving the case out", r.Reason)
	case Remark:
		return fmt.Sprintf("the remark %q of %s", r.Text, r.Author)
	case Fixed:
		return r.Design.words()
	case Correction:
		if r.Withdraw {
			return fmt.Sprintf("the withdrawal of record %d", r.Corrects)
		}
		return fmt.Sprintf("a correction of record %d", r.Corrects)
	}
	return "a record of kind " + string(r.Kind)
}

// heldBy is what the record of a number held when it was written; "" where there
// is none.
func heldBy(records []Record, number int) string {
	for i := range records {
		if records[i].Number == number {
			return held(&records[i])
		}
	}
	return ""
}

// rowWords are the whole figures of a fixture and its least clearance.
func rowWords(r *Row) string {
	var parts []string
	for _, f := range measurement.Wholes() {
		if v := r.Deviation[f]; v != nil {
			parts = append(parts, f.Spec().Label+" "+f.Unit().Behind(fmt.Sprintf("%.2f", *v)))
		}
	}
	if len(parts) == 0 {
		parts = append(parts, "no figures")
	}
	if words := r.Verdict().Title; words != "" {
		parts = append(parts, words)
	}
	return "site " + r.Site + " (" + strings.Join(parts, ", ") + ")"
}

// onlyTheProgram is said where a case was measured again from the same inputs.
const onlyTheProgram = "only the program or its settings"

// changedSince says what another measurement of a case changed.
func changedSince(was, is *Record) string {
	if was.Measurement == nil || is.Measurement == nil {
		return "the figures come from another source"
	}
	a, b := was.Measurement, is.Measurement
	var out []string
	if a.Inputs.PlanSHA256 != b.Inputs.PlanSHA256 {
		out = append(out, "plan changed after the first measurement"+plansDiffer(a, b))
	}
	for _, x := range []struct{ was, is, what string }{
		{a.Inputs.PreSHA256, b.Inputs.PreSHA256, "another planning scan"},
		{a.Inputs.PostSHA256, b.Inputs.PostSHA256, "another follow-up scan"},
		{a.Alignment.Method, b.Alignment.Method, fmt.Sprintf("aligned by %s, first by %s", b.Alignment.Method, a.Alignment.Method)},
	} {
		if x.was != x.is {
			out = append(out, x.what)
		}
	}
	if files := (measurement.Inputs{Files: a.Inputs.Files}); !files.Same(measurement.Inputs{Files: b.Inputs.Files}) {
		out = append(out, "other files beside the case file")
	}
	if d := transformsDiffer(a, b); d > samePlan {
		out = append(out, fmt.Sprintf("the alignment moves the fixtures by up to %.2f mm", d))
	}
	if len(out) == 0 {
		return onlyTheProgram
	}
	return strings.Join(out, ", ")
}

// plansDiffer says how planned fixtures differ, "" where they do not.
func plansDiffer(a, b *measurement.Case) string {
	var out []string
	for _, was := range a.Fixtures {
		i := slices.IndexFunc(b.Fixtures, func(f measurement.Fixture) bool { return f.Site == was.Site })
		if i < 0 {
			out = append(out, "site "+was.Site+" is gone")
			continue
		}
		is := b.Fixtures[i].Planned
		if d := math.Max(distance(was.Planned.Entry, is.Entry), distance(was.Planned.Apex, is.Apex)); d > samePlan {
			out = append(out, fmt.Sprintf("site %s moved by %.2f mm", was.Site, d))
		}
	}
	if len(out) == 0 {
		return ""
	}
	return " (" + strings.Join(out, ", ") + ")"
}

// transformsDiffer is how far apart, mm, two alignments put the same places of the
// follow-up scan: those at which the second found the fixtures, carried back with
// its own transform and forward with the first.
func transformsDiffer(a, b *measurement.Case) float64 {
	most := 0.0
	for _, f := range b.Fixtures {
		if f.Achieved == nil {
			continue
		}
		for _, p := range [][3]float64{f.Achieved.Entry, f.Achieved.Apex} {
			most = math.Max(most, distance(p, carried(a.Alignment.PostToPre, carriedBack(b.Alignment.PostToPre, p))))
		}
	}
	return most
}

// carried is a point after a rigid transform, row major; carriedBack before it.
func carried(m [16]float64, p [3]float64) (out [3]float64) {
	for i := range out {
		out[i] = m[4*i]*p[0] + m[4*i+1]*p[1] + m[4*i+2]*p[2] + m[4*i+3]
	}
	return out
}

func carriedBack(m [16]float64, p [3]float64) (out [3]float64) {
	for i := range out {
		for k := range 3 {
			out[i] += m[4*k+i] * (p[k] - m[4*k+3])
		}
	}
	return out
}

func distance(a, b [3]float64) float64 {
	return math.Hypot(math.Hypot(a[0]-b[0], a[1]-b[1]), a[2]-b[2])
}
