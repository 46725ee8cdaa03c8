package series

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

func TestLedger(t *testing.T) {
	day := time.Date(2026, 4, 1, 12, 0, 0, 0, time.UTC)
	path := filepath.Join(t.TempDir(), "series.jsonl")
	l := NewLedger(&File{Path: path}, day)
	assert.Nil(t, l.Case("C-1"))
	assert.Nil(t, l.LastSeal("C-1"))
	assert.Empty(t, l.Receipt())

	_, err := l.Add(seal("C-1", "2026-05-01", "plan-a", ""), seal("C-1", "2026-05-01", "plan-b", ""))
	require.NoError(t, err)
	assert.Equal(t, 2, l.LastSeal("C-1").Number)
	assert.Equal(t, "plan-b", l.LastSeal("C-1").Plan.SHA256)
	assert.Equal(t, "2026-04-01T12:00:00Z", l.Record(1).Time)
	assert.Equal(t, StatusOpen, l.Case("C-1").Status)

	f, err := Read(path)
	require.NoError(t, err)
	again := NewLedger(f, day)
	assert.Equal(t, l.Receipt(), again.Receipt())
	assert.Equal(t, l.Case("C-1").Sealed, again.Case("C-1").Sealed)
}

// What counts as the same case, record by record.
func TestLedgerTellsCasesApart(t *testing.T) {
	figures := func(plan, pre, version string) Record {
		r := measured("C-1", "2026-03-14", plan, 1)
		r.Measurement.Inputs.PreSHA256 = pre
		r.Measurement.Program = measurement.Program{Version: version, Seed: 1}
		return r
	}
	rows := func(apex float64, clinician string) Record {
		row := Row{Case: "C-1", Placed: "2026-03-14", Clinician: clinician, Site: "36"}
		row.Deviation[measurement.Apex] = &apex
		return Record{Kind: Imported, Case: "C-1", Source: &Source{File: "t.csv", SHA256: "ab"}, Rows: []Row{row}}
	}
	for name, c := range map[string]struct {
		old, add   Record
		has, other bool
	}{
		"the same measurement":               {old: figures("p", "pre", "v1"), add: figures("p", "pre", "v1"), has: true},
		"measured by another program":        {old: figures("p", "pre", "v1"), add: figures("p", "pre", "v2")},
		"the plan was edited":                {old: figures("p", "pre", "v1"), add: figures("q", "pre", "v1")},
		"another planning scan":              {old: figures("p", "pre", "v1"), add: figures("p", "scan", "v1"), other: true},
		"the same rows":                      {old: rows(1.5, "clinician-a"), add: rows(1.5, "clinician-a"), has: true},
		"other rows":                         {old: rows(1.5, "clinician-a"), add: rows(1.6, "clinician-a"), other: true},
		"rows, now measured":                 {old: rows(1.5, "clinician-a"), add: figures("p", "pre", "v1")},
		"rows, measured of another":          {old: rows(1.5, "clinician-b"), add: figures("p", "pre", "v1"), other: true},
		"measured, and rows of a table":      {old: figures("p", "pre", "v1"), add: rows(1.5, "clinician-a"), other: true},
		"sealed only, then measured":         {old: seal("C-1", "2026-03-14", "p", ""), add: figures("p", "pre", "v1")},
		"a case that the file does not name": {old: seal("C-2", "2026-03-14", "p", ""), add: figures("p", "pre", "v1")},
	} {
		t.Run(name, func(t *testing.T) {
			l := NewLedger(&File{Path: filepath.Join(t.TempDir(), "s.jsonl")}, time.Date(2026, 4, 1, 12, 0, 0, 0, time.UTC))
			_, err := l.Add(c.old)
			require.NoError(t, err)
			has, err := l.Has(&c.add)
			lacking, all := l.Lacking([]Record{c.add})
			if c.other {
				var other *OtherCaseError
				require.ErrorAs(t, err, &other)
				assert.Equal(t, OtherCaseError{l.Path, "C-1", 1}, *other)
				assert.ErrorAs(t, all, &other)
				return
			}
			require.NoError(t, err)
			require.NoError(t, all)
			assert.Equal(t, c.has, has)
			assert.Equal(t, c.has, len(lacking) == 0)
		})
	}
}
