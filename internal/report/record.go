package report

import (
	"fmt"
	"math"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/report/drawing"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// mostViews bounds one drawing of a record to half a page; a longer record has several.
const mostViews = 112

// everyCase draws every case small, those that cannot be drawn as a word.
func (d *Document) everyCase(rows []series.TableRow) {
	names := named(rows)
	var views []drawing.CaseView
	troubled := 0
	for i := range rows {
		if rows[i].Status == series.StatusReplaced {
			continue
		}
		v := caseView(&rows[i])
		v.Case, v.Name = rows[i].Case, names[i]
		if v.Mark != "" {
			troubled++
		}
		views = append(views, v)
	}
	if len(views) == 0 {
		return
	}
	d.add(heading{Level: 2, Text: "Every case, in the order of surgery"},
		paragraph{Small: true, Text: "Dashed: as planned; solid: as placed, to scale, turned so that the way the apex went lies in the page, to the right. Bold: " + marks[severity.Entered] + " a structure entered, " + marks[severity.Missed] + " a margin missed, ? in doubt, or a case that is missing."})
	for from := 0; from < len(views); from += mostViews {
		part := views[from:min(from+mostViews, len(views))]
		alt := fmt.Sprintf("%s, each as planned and as placed, from %s to %s. The table of all cases has their figures.", counted(len(part), "fixture"), part[0].Name, part[len(part)-1].Name)
		if from == 0 {
			alt += fmt.Sprintf(" Of all %d, %d have a mark.", len(views), troubled)
		}
		record := drawing.Record{Cases: part, Alt: alt}
		narrow := record.Draw(drawing.NarrowRecordSlots)
		d.add(pictures{Across: 1, Items: []picture{{Drawing: record.Draw(drawing.RecordSlots), Narrow: &narrow}}})
	}
}

// named are the names of rows: that of the case, with the site where it has several.
func named(rows []series.TableRow) []string {
	of := map[string]int{}
	for i := range rows {
		of[rows[i].Case]++
	}
	out := make([]string, len(rows))
	for i := range rows {
		out[i] = rows[i].Case
		if of[rows[i].Case] > 1 && rows[i].Site != "" {
			out[i] += "·" + rows[i].Site
		}
	}
	return out
}

// missingWords are what stands in place of a fixture that was not measured, or no longer
// counts.
var missingWords = map[series.Status]string{
	series.StatusOpen: "to come", series.StatusMissing: "not measured", series.StatusLeftOut: "left out", series.StatusWithdrawn: "withdrawn",
}

// caseView draws a row beside its plan.
func caseView(r *series.TableRow) drawing.CaseView {
	v := drawing.CaseView{Instead: missingWords[r.Status], Mark: breachMark(r)}
	if v.Instead != "" {
		if r.Status != series.StatusOpen {
			v.Mark = "○"
		}
		return v
	}
	if v.Mark == "" && r.Doubt {
		v.Mark = "?"
	}
	need := [8]*float64{r.PlannedLength, r.PlannedDiameter, r.Deviation[measurement.EntryMesial], r.Deviation[measurement.EntryBuccal], r.Deviation[measurement.EntryDepth],
		r.Deviation[measurement.ApexMesial], r.Deviation[measurement.ApexBuccal], r.Deviation[measurement.ApexDepth]}
	for _, x := range need {
		if x == nil {
			v.Instead = "not drawn"
			return v
		}
	}
	v.Length, v.Width = *need[0], *need[1]
	entry, apex := [2]float64{*need[2], *need[3]}, [2]float64{*need[5], *need[6]}
	far := math.Hypot(apex[0], apex[1])
	way := [2]float64{1, 0}
	if far > 0 {
		way = [2]float64{apex[0] / far, apex[1] / far}
	}
	v.Entry = [2]float64{entry[0]*way[0] + entry[1]*way[1], *need[4]}
	v.Apex = [2]float64{far, *need[7]}
	return v
}

// breachMark is the mark of the gravest breach of a row; "" where there is none.
func breachMark(r *series.TableRow) string {
	switch r.Verdict().Code {
	case measurement.StructureEntered:
		return marks[severity.Entered]
	case measurement.MarginMissed:
		return marks[severity.Missed]
	}
	return ""
}

// counts reports whether a row's figures count.
func counts(r *series.TableRow) bool { return r.Status == series.StatusMeasured }

// clearanceCharts show by how much each kind of structure was cleared.
func clearanceCharts(rows []series.TableRow) pictures {
	names := named(rows)
	out := pictures{Across: 1}
	var far []string
	for _, spec := range casefile.Kinds {
		var c drawing.ClearanceChart
		breached := 0
		for i := range rows {
			r := &rows[i]
			if !counts(r) {
				continue
			}
			var of []measurement.Clearance
			for _, x := range r.Clearance {
				if x.Kind == string(spec.Kind) && x.Achieved != nil {
					of = append(of, x)
				}
			}
			near := severity.Tightest(of)
			if near == nil {
				continue
			}
			p := drawing.ClearancePoint{Case: r.Case, Name: names[i], Planned: near.Planned, Achieved: *near.Achieved, Margin: near.Margin}
			if s := severity.Breach(*near); s == severity.Entered || s == severity.Missed {
				p.Breach = true
				breached++
			}
			c.Points = append(c.Points, p)
		}
		if len(c.Points) == 0 {
			continue
		}
		what := spec.Called
		if c.Far() {
			far = append(far, what)
			continue
		}
		c.Alt = fmt.Sprintf("Clearance to %s of %s in the order of surgery, planned and placed, with the margin; entered or margin missed: %d. The table of all cases has the figures.", what, counted(len(c.Points), "fixture"), breached)
		said := "none entered it or missed its margin"
		if breached > 0 {
			said = fmt.Sprintf("%d of them entered it or missed its margin", breached)
		}
		caption := fmt.Sprintf("Distance to %s: %s, %s.", what, counted(len(c.Points), "fixture"), said)
		if c.Cut() {
			caption += fmt.Sprintf(" What is farther off than %g mm stands at its edge.", drawing.FarClearance)
		}
		out.Items = append(out.Items, atWidths(c.Draw, caption))
	}
	if n := len(out.Items); n > 0 && len(far) > 0 {
		out.Items[n-1].Caption += fmt.Sprintf(" More than %g mm from every fixture, and not drawn: %s.", drawing.FarClearance, strings.Join(far, ", "))
	}
	return out
}

// shareChart shows what the plan and the placing did to the tightest margin of each fixture;
// nil where no margin was asked for.
func shareChart(rows []series.TableRow) *picture {
	names := named(rows)
	var c drawing.ShareChart
	for i := range rows {
		r := &rows[i]
		if !counts(r) {
			continue
		}
		near := severity.Tightest(r.Clearance)
		if near == nil {
			continue
		}
		share := severity.Share(*near)
		if share == nil || share.Plan == nil || share.Transfer == nil {
			continue
		}
		c.Points = append(c.Points, drawing.SharePoint{Case: r.Case, Name: names[i], Plan: *share.Plan, Transfer: *share.Transfer, Breach: breachMark(r) != ""})
	}
	if len(c.Points) == 0 {
		return nil
	}
	c.Alt = fmt.Sprintf("Two bars for each of %s: what the plan left over the margin, and what placing added or took away.", counted(len(c.Points), "fixture"))
	p := atWidths(c.Draw, "The structure that is nearest relative to its margin. A light bar under the line is the plan's fault, a dark one is lost in placing.")
	return &p
}

// room is the page about distances: the charts, and the margin that the record supports.
func (d *Document) room(a *analysis.Analysis, rows []series.TableRow) {
	charts, share := clearanceCharts(rows), shareChart(rows)
	if len(charts.Items) == 0 && share == nil && len(a.Margins) == 0 {
		return
	}
	d.add(heading{Level: 2, Text: "How near, and whose share", Page: len(charts.Items) > 0 && len(a.Figures) > 0})
	if len(charts.Items) > 0 {
		d.add(charts)
	}
	if share != nil {
		d.add(heading{Level: 3, Text: "Plan and placing"}, pictures{Across: 1, Items: []picture{*share}})
	}
	if t := breachTable(analysis.CountBreaches(rows)); len(t.Rows) > 0 {
		d.add(t)
	}
	d.margins(a)
}

// strips show the whole figures of a few cases, each by itself.
func (d *Document) strips(a *analysis.Analysis) {
	group := pictures{Across: 2}
	for _, x := range measurement.Wholes() {
		unit := x.Unit().Symbol()
		s := drawing.Strip{Unit: unit, Alt: x.Heading() + " of each case:"}
		for i := range a.Cases {
			c := &a.Cases[i]
			v := c.Mean[x]
			if v == nil {
				continue
			}
			dot := drawing.StripDot{Name: c.Case, Value: *v, Low: *v, High: *v}
			if u := c.U[x]; u != nil {
				dot.Low, dot.High = max(0, *v-1.96**u), *v+1.96**u
			}
			s.Dots = append(s.Dots, dot)
			s.Alt += fmt.Sprintf(" %s %.2f %s;", c.Case, *v, unit)
		}
		if len(s.Dots) > 0 {
			group.Items = append(group.Items, picture{Drawing: s.Draw(), Caption: x.Heading() + ", " + unit + "; a dot is a case, its bar the 95 % interval of the measurement."})
		}
	}
	if len(group.Items) > 0 {
		d.add(heading{Level: 2, Text: "Each case by itself"}, group)
	}
}

// habitPictures are all cases seen along the planned axis, at the entry and at the apex.
func habitPictures(a *analysis.Analysis) pictures {
	group := pictures{Across: 2}
	for i := range a.Habits {
		h := &a.Habits[i]
		if h.Place == "tilt" || h.Side || h.Group != "" {
			continue
		}
		s := drawing.Habit{Apex: h.Place == "apex", Alt: "All cases at the " + h.Place + ", mesial to the right and buccal up at every site. " + h.Words}
		for _, c := range a.Cases {
			m, b := c.Mean[measurement.EntryMesial], c.Mean[measurement.EntryBuccal]
			if s.Apex {
				m, b = c.Mean[measurement.ApexMesial], c.Mean[measurement.ApexBuccal]
			}
			if m != nil && b != nil {
				s.Shots = append(s.Shots, drawing.NamedShot{Name: c.Case, Mesial: *m, Buccal: *b})
			}
		}
		if len(s.Shots) == 0 {
			continue
		}
		if e := h.MeanEllipse; e != nil {
			s.Mean = &drawing.Region{Mesial: e.Centre[0], Buccal: e.Centre[1], Long: e.Major, Short: e.Minor, Turn: e.Turn}
		}
		if e := h.NextEllipse; e != nil {
			s.Next = &drawing.Region{Mesial: e.Centre[0], Buccal: e.Centre[1], Long: e.Major, Short: e.Minor, Turn: e.Turn}
		}
		group.Items = append(group.Items, picture{Drawing: s.Draw(), Caption: "Every case at the " + h.Place + ", seen along the planned axis; the farthest are named."})
	}
	return group
}

// answerTable has what is asked of a series first, and which cases are missing.
func answerTable(s *Series, others bool) table {
	a := &s.Analysis
	t := table{Columns: []column{{Head: "asked", Share: 24}, {Head: "what the cases say", Share: 110}}}
	if a.Answers != nil {
		for _, x := range a.Answers.List() {
			if a.Answers.Worst != "" && x[0] == analysis.TooNear { // the box over the table says it
				continue
			}
			t.Rows = append(t.Rows, row{Cells: []string{x[0], outside(x[1])}})
		}
	}
	missing := outside(s.Summary.Words)
	if others {
		missing += " The file has cases of other clinicians, too: this answer is about all of them, all else about " + outside(a.Clinician) + "."
	}
	t.Rows = append(t.Rows, row{Cells: []string{"Which cases are missing?", missing}})
	return t
}
