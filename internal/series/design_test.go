package series

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
)

func usualDesign() Design {
	return Design{Clinician: "a", Limits: severity.UsualLimits, Acceptable: .1, Unacceptable: .2, ErrorRate: .05, Cases: 3}
}

// dated is an import of one case.
func dated(name, placed string) Record {
	v := 1.0
	r := Row{Case: name, Placed: placed, Clinician: "a", Site: "36"}
	r.Deviation[measurement.Apex] = &v
	return Record{Kind: Imported, Case: name, Rows: []Row{r}, Source: &Source{File: "t.csv", SHA256: strings.Repeat("0", 64)}}
}

// ledgerOn reads a file on a day.
func ledgerOn(t *testing.T, path, day string) *Ledger {
	t.Helper()
	now, err := time.Parse(time.DateOnly, day)
	require.NoError(t, err)
	f := &File{Path: path}
	if _, err := os.Stat(path); err == nil {
		f, err = Read(path)
		require.NoError(t, err)
		require.NoError(t, f.Sound())
	}
	return NewLedger(f, now)
}

// A design counts what comes after it: neither figures that the file had, nor surgery
// before its day, and in the order in which figures were recorded.
func TestDesignCounts(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.jsonl")
	add := func(day string, r ...Record) {
		t.Helper()
		_, err := ledgerOn(t, path, day).Add(r...)
		require.NoError(t, err)
	}
	add("2026-02-01", dated("known", "2026-03-05"))
	_, err := ledgerOn(t, path, "2026-03-01").AddDesign(usualDesign())
	require.NoError(t, err)
	add("2026-04-01", dated("before", "2026-02-28"), dated("second", "2026-03-20"))
	add("2026-04-02", dated("first-day", "2026-03-01"), Record{Kind: LeftOut, Case: "second", Reason: "lost"})
	add("2026-04-03", dated("earlier-surgery", "2026-03-02"), dated("drawn-back", "2026-03-21"))
	l := ledgerOn(t, path, "2026-04-04")
	add("2026-04-04", Record{Kind: Correction, Corrects: l.Case("drawn-back").Measurement, Withdraw: true, Reason: "typing"})

	d := Summarise(ledgerOn(t, path, "2026-05-01").File().Records, "2026-05-01").Designs
	require.Len(t, d, 1)
	assert.Equal(t, []string{"first-day", "earlier-surgery"}, d[0].Counted)
	assert.Equal(t, []string{"second", "drawn-back"}, d[0].Without)
	assert.Equal(t, 2, d[0].Record)

	// A second design waits until the first has had its cases, or was withdrawn.
	_, err = ledgerOn(t, path, "2026-05-02").AddDesign(usualDesign())
	var stands *DesignStandsError
	require.ErrorAs(t, err, &stands)
	assert.Equal(t, DesignStandsError{path, 2, "a", 1}, *stands)
	other := usualDesign()
	other.Clinician = "b"
	_, err = ledgerOn(t, path, "2026-05-02").AddDesign(other)
	require.NoError(t, err)
	of, err := SummariseOf("a", ledgerOn(t, path, "2026-05-02").File().Records, "2026-05-02")
	require.NoError(t, err)
	assert.Len(t, of.Designs, 1)
	add("2026-05-03", dated("third", "2026-04-20"))
	_, err = ledgerOn(t, path, "2026-05-04").AddDesign(usualDesign())
	require.NoError(t, err, "the first has run out")
	all := ledgerOn(t, path, "2026-05-05")
	last := all.File().Records[len(all.File().Records)-1]
	add("2026-05-05", Record{Kind: Correction, Corrects: last.Number, Withdraw: true, Reason: "wrong limits"})
	s := Summarise(ledgerOn(t, path, "2026-05-06").File().Records, "2026-05-06")
	assert.Len(t, s.Designs, 2)
	w := s.Withdrawals[len(s.Withdrawals)-1]
	assert.Equal(t, "the design for clinician a: 2 mm, 2 mm and 8°, 10 % against 20 % of misses in 3 cases", w.Held)
	for _, c := range s.Cases {
		assert.NotEmpty(t, c.Case, "a design is no case")
	}
}

func TestDesignRefusals(t *testing.T) {
	for says, change := range map[string]func(*Design){
		"clinician":    func(d *Design) { d.Clinician = "DOE^JANE" },
		"limits":       func(d *Design) { d.Limits.Apex = 0 },
		"limits of":    func(d *Design) { d.Limits.Angle = 400 },
		"acceptable":   func(d *Design) { d.Unacceptable = .1 },
		"error rate":   func(d *Design) { d.ErrorRate = 0 },
		"501 cases":    func(d *Design) { d.Cases = 501 },
		"is empty":     func(d *Design) { d.Clinician = "" },
		"a share of 0": func(d *Design) { d.Acceptable = 0 },
	} {
		d := usualDesign()
		change(&d)
		_, err := ledgerOn(t, filepath.Join(t.TempDir(), "s.jsonl"), "2026-01-01").AddDesign(d)
		assert.ErrorContains(t, err, says)
	}
	_, err := Append(filepath.Join(t.TempDir(), "s.jsonl"), Record{Kind: Fixed, Time: "2026-01-01T00:00:00Z"})
	assert.ErrorContains(t, err, "needs a design")
}
