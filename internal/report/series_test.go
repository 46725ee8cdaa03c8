package report

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// writeSeries writes a series file of invented cases with all that can happen to
// a case, behind the records that are given.
func writeSeries(t *testing.T, n int, records ...series.Record) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "series.jsonl")
	at := time.Date(2026, 1, 2, 10, 0, 0, 0, time.UTC).Format(time.RFC3339)
	first := len(records) + 1
	add := func(r series.Record) {
		r.Time = at
		records = append(records, r)
	}
	for i, c := range phantom.DemoSeries(n, 1) {
		d, hash := c.Deviation, fmt.Sprintf("%064d", i)
		var u measurement.Uncertainty
		for f, v := range d.All() {
			u.Intervals[f] = &measurement.Interval{U: 0.05, Low: v - 0.1, High: v + 0.1}
			if f.Floored() {
				u.Floor[f] = new(0.0)
			}
		}
		m := measurement.Case{Schema: measurement.Schema, Case: c.Case, Placed: c.Placed, Clinician: c.Clinician, Inputs: measurement.Inputs{PlanSHA256: hash, PreSHA256: "pre"},
			Fixtures: []measurement.Fixture{{Site: c.Site, Guidance: c.Guidance, Deviation: d,
				Planned:     measurement.Placement{Diameter: 4.1, Length: 10, Apex: [3]float64{0, 0, 10}},
				Uncertainty: &u,
				Clearance:   []measurement.Clearance{{Structure: "canal", Kind: "nerve", Planned: 3, Achieved: pt(3 - *d[measurement.ApexDepth]), Margin: pt(0.2)}}}}}
		add(series.Record{Kind: series.Sealed, Case: c.Case, Plan: &series.Plan{SHA256: hash, Clinician: c.Clinician, Placed: c.Placed, Frame: "lps",
			Fixtures:   []series.PlannedFixture{{Site: c.Site, Guidance: c.Guidance, Apex: [3]float64{0, 0, 10}, Diameter: 4.1, Length: 10}},
			Structures: []series.PlannedStructure{}, PreSHA256: "pre"}})
		switch i {
		case 3:
			add(series.Record{Kind: series.LeftOut, Case: c.Case, Reason: "=no follow-up scan <b>"})
		case 5: // never measured
		case 6:
			m.Flags = measurement.Flags{{Code: "alignment-doubtful", Level: measurement.Doubt, Message: "parts disagree"}}
			add(series.Record{Kind: series.Measured, Case: c.Case, Measurement: &m})
		default:
			add(series.Record{Kind: series.Measured, Case: c.Case, Measurement: &m})
		}
		if i == 8 {
			add(series.Record{Kind: series.Remark, Case: c.Case, Author: "mentor-b", Text: "Seen with the operator. <script>x</script> שלום"})
		}
	}
	_, err := series.Append(path, records...)
	require.NoError(t, err)
	_, err = series.Append(path, series.Record{Time: at, Kind: series.Correction, Corrects: first + 1, Withdraw: true, Reason: "wrong scan"})
	require.NoError(t, err)
	return path
}

func readSeries(t *testing.T, path string) Series {
	t.Helper()
	f, err := series.Read(path)
	require.NoError(t, err)
	s := series.Summarise(f.Records, "2026-12-31")
	o := analysis.Defaults()
	o.Designs = s.Designs
	a, err := analysis.Analyse(s.Rows(), o)
	require.NoError(t, err)
	return Series{File: f, Summary: s, Analysis: a, Today: "2026-12-31", Version: "1.0.0"}
}

func TestSeriesReport(t *testing.T) {
	design := analysis.UsualDesign()
	design.Clinician = "clinician-a"
	s := readSeries(t, writeSeries(t, 18, series.Record{Time: "2020-01-02T10:00:00Z", Kind: series.Fixed, Design: &design}))
	d := s.Document(Options{})
	page := string(d.HTML())
	golden(t, "series.html", withoutDrawings(page))
	page = spaced(d)
	pdf, err := d.PDF(A4)
	require.NoError(t, err)
	text := pdfText(t, pdf)
	golden(t, "series.pdf.txt", text)
	assert.Less(t, len(pdf), 2<<20)
	wellFormed(t, page)
	assert.NotContains(t, page, "<script")
	assert.NotContains(t, page, `aria-label=""`)

	again, err := s.Document(Options{}).PDF(A4)
	require.NoError(t, err)
	assert.Equal(t, pdf, again)

	// Every case is there, with what became of it, and every figure of a measured
	// one.
	paper := oneLine(text)
	rows := 0
	for _, r := range s.Summary.Table() {
		assert.Contains(t, page, r.Case)
		assert.Contains(t, paper, r.Case)
		if v := r.Deviation[measurement.Apex]; v != nil {
			rows++
			cell := fmt.Sprintf("%.2f ± %.2f", *v, 2**r.U[measurement.Apex])
			assert.Contains(t, page, ">"+cell+"<")
			assert.Contains(t, paper, cell)
		}
	}
	assert.Equal(t, 16, rows, "with those of the case that was left out after measuring")
	for _, want := range []string{
		"■ left out (record 9): =no", "▲ sealed, never measured", "▲ measured, in doubt", "● kept", "mentor-b", "wrong scan",
		"Share outside your limits not yet shown to be under 20", "after 14 of 50 cases", "Fixed beforehand (record 1, 2020-01-02)", "Not counted, as there",
		s.File.Receipt(), "38 records, the chain is unbroken.", "Published references", "doi 10.1111/clr.13346",
	} {
		assert.Contains(t, page, want)
		assert.Contains(t, paper, want)
	}
	for _, m := range s.Analysis.Margins {
		assert.Contains(t, paper, fmt.Sprintf("%s %d %.1f mm", m.Towards, m.Bound.Cases, m.Bound.Rounded()))
	}
	assert.Contains(t, page, "Of your next 20 fixtures about one may end more than", "a margin from 14")
	for _, x := range s.Analysis.Answers.List() {
		assert.Contains(t, paper, x[0]+" "+x[1])
	}
}

func TestBrokenChainComesFirst(t *testing.T) {
	path := writeSeries(t, 12)
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(string(data), "wrong scan", "right scan", 1)), 0o644))
	page := spaced(readSeries(t, path).Document(Options{}))
	doubt := strings.Index(page, "Not to be relied on")
	require.Positive(t, doubt)
	assert.Less(t, doubt, strings.Index(page, "<h2>"))
	assert.Contains(t, page, "was edited")
	assert.Contains(t, page, "The chain is broken")
}

// With few cases there is a list of them and no statistics.
func TestFewCases(t *testing.T) {
	s := readSeries(t, writeSeries(t, 4))
	page := spaced(s.Document(Options{}))
	assert.Contains(t, page, "too few")
	for _, absent := range []string{"<h2>Learning", "Control charts", "NaN"} {
		assert.NotContains(t, page, absent)
	}
	assert.Contains(t, page, "S-001")
}
