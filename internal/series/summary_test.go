package series

import (
	"cmp"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

// chained gives records as a file would hold them.
func chained(t *testing.T, records ...Record) []Record {
	t.Helper()
	d := &disk{room: 1 << 24}
	for _, r := range records {
		_, err := appendTo(d, int64(len(d.text)), []Record{r}, named)
		require.NoError(t, err)
	}
	return parsed(t, d).Records
}

func codes(c CaseState) []string {
	var out []string
	for _, f := range c.Flags {
		out = append(out, f.Code)
	}
	return out
}

func TestWhatBecameOfACase(t *testing.T) {
	moved := measured("C", "2026-03-03", "edited", 1)
	moved.Measurement.Fixtures[0].Planned.Apex[0] += 0.25
	wider := measured("C", "2026-03-03", "edited", 1)
	wider.Measurement.Fixtures[0].Planned.Diameter = 4.8
	elsewhere := measured("C", "2026-03-03", "edited", 1)
	elsewhere.Measurement.Fixtures[0].Site = "37"
	corner := seal("C", "2026-03-03", "p", noon)
	corner.Plan.Frame = "corner"
	ras := seal("C", "2026-03-03", "p", noon)
	ras.Plan.Frame = "ras"
	ras.Plan.Fixtures[0].Entry, ras.Plan.Fixtures[0].Apex = [3]float64{-1, -2, 3}, [3]float64{-1, -2, -7}
	table := Record{Kind: Imported, Case: "C", Time: noon, Source: &Source{}, Rows: manyRows(0)}
	leftOut := Record{Kind: LeftOut, Case: "C", Time: noon, Reason: "moved away"}
	for name, c := range map[string]struct {
		records []Record
		today   string
		status  Status
		seal    Seal
		codes   []string
	}{
		"sealed and measured":   {[]Record{seal("C", "2026-03-03", "p", noon), measured("C", "2026-03-03", "p", 1)}, "", StatusMeasured, SealKept, nil},
		"sealed on the day":     {[]Record{seal("C", "2026-03-02", "p", noon), measured("C", "2026-03-02", "p", 1)}, "", StatusMeasured, SealKept, nil},
		"sealed a day late":     {[]Record{seal("C", "2026-03-01", "p", noon), measured("C", "2026-03-01", "p", 1)}, "", StatusMeasured, SealLate, []string{"sealed-late"}},
		"sealed after":          {[]Record{measured("C", "2026-03-03", "p", 1), seal("C", "2026-03-03", "p", noon)}, "", StatusMeasured, SealLate, []string{"sealed-late"}},
		"never sealed":          {[]Record{measured("C", "2026-03-03", "p", 1)}, "", StatusMeasured, SealNone, nil},
		"never measured":        {[]Record{seal("C", "2026-03-03", "p", noon)}, "2026-03-04", StatusMissing, SealWaiting, nil},
		"to come":               {[]Record{seal("C", "2026-03-03", "p", noon)}, "2026-03-03", StatusOpen, SealWaiting, nil},
		"date not known":        {[]Record{seal("C", "2026-03-03", "p", noon)}, "", StatusMissing, SealWaiting, nil},
		"comment edited":        {[]Record{seal("C", "2026-03-03", "p", noon), measured("C", "2026-03-03", "edited", 1)}, "", StatusMeasured, SealKept, []string{"case-file-edited"}},
		"plan moved":            {[]Record{seal("C", "2026-03-03", "p", noon), moved}, "", StatusMeasured, SealChanged, []string{"plan-changed"}},
		"another size":          {[]Record{seal("C", "2026-03-03", "p", noon), wider}, "", StatusMeasured, SealChanged, []string{"plan-changed"}},
		"another site":          {[]Record{seal("C", "2026-03-03", "p", noon), elsewhere}, "", StatusMeasured, SealChanged, []string{"plan-changed"}},
		"same in another frame": {[]Record{ras, measured("C", "2026-03-03", "edited", 1)}, "", StatusMeasured, SealKept, []string{"case-file-edited"}},
		"frame of a corner":     {[]Record{corner, measured("C", "2026-03-03", "edited", 1)}, "", StatusMeasured, SealUnknown, []string{"plan-unknown"}},
		"figures from a table":  {[]Record{seal("C", "2026-03-03", "p", noon), table}, "", StatusMeasured, SealUnknown, []string{"plan-unknown"}},
		"sealed again in time":  {[]Record{seal("C", "2026-03-03", "old", noon), seal("C", "2026-03-03", "p", noon), measured("C", "2026-03-03", "p", 1)}, "", StatusMeasured, SealKept, []string{"sealed-again"}},
		// A seal after surgery does not heal a plan that was changed.
		"sealed again too late": {[]Record{seal("C", "2026-03-03", "p", noon), seal("C", "2026-03-03", "edited", "2026-03-04T08:00:00+01:00"), moved}, "", StatusMeasured, SealChanged, []string{"plan-changed", "sealed-again"}},
		"left out":              {[]Record{seal("C", "2026-03-03", "p", noon), leftOut}, "", StatusLeftOut, SealWaiting, nil},
		"left out, measured":    {[]Record{seal("C", "2026-03-03", "p", noon), measured("C", "2026-03-03", "p", 1), leftOut}, "", StatusLeftOut, SealKept, []string{"left-out-measured"}},
		"measured again":        {[]Record{seal("C", "2026-03-03", "p", noon), measured("C", "2026-03-03", "p", 1), measured("C", "2026-03-03", "p", 2)}, "", StatusMeasured, SealKept, []string{"measured-again"}},
	} {
		t.Run(name, func(t *testing.T) {
			s := Summarise(chained(t, c.records...), c.today)
			require.Len(t, s.Cases, 1)
			got := s.Cases[0]
			assert.Equal(t, c.status, got.Status)
			assert.Equal(t, c.seal, got.Seal)
			assert.Equal(t, c.codes, codes(got))
			assert.Equal(t, "clinician-a", map[bool]string{true: "clinician-a", false: got.Clinician}[got.Clinician == "a"])
			assert.Equal(t, c.status == StatusMeasured && c.seal == SealKept, s.Consecutive, s.Words)
			wantRows := 0
			if c.status == StatusMeasured {
				wantRows = 1
			}
			assert.Len(t, s.Rows(), wantRows)
		})
	}
}

func TestSummaryInWords(t *testing.T) {
	s := Summarise(chained(t,
		seal("C-2", "2026-03-09", "p", noon), measured("C-2", "2026-03-09", "p", 1),
		measured("C-1", "2026-03-03", "p", 1),
		seal("C-3", "2026-03-04", "p", noon),
		seal("C-4", "2026-03-05", "p", noon), Record{Kind: LeftOut, Time: noon, Case: "C-4", Reason: "r"},
	), "2026-04-01")
	assert.Equal(t, "2 cases are measured. Nothing shows that these are all cases: 1 sealed and never measured (C-3); "+
		"1 not sealed before surgery (C-1); 1 left out with a reason (C-4).", s.Words)
	var order []string
	for _, c := range s.Cases {
		order = append(order, c.Case)
	}
	assert.Equal(t, []string{"C-1", "C-3", "C-4", "C-2"}, order)
	assert.Equal(t, "The one case was sealed before surgery and measured with the sealed plan.",
		Summarise(chained(t, seal("C", "2026-03-09", "p", noon), measured("C", "2026-03-09", "p", 1)), "").Words)
	assert.Equal(t, "No case is measured yet.", Summarise(nil, "").Words)
}

func TestCorrections(t *testing.T) {
	base := []Record{
		measured("C", "2026-03-03", "p", 1),                                                // 1
		remark("first words"),                                                              // 2
		{Kind: LeftOut, Time: noon, Case: "D", Reason: "lost"},                             // 3
		{Kind: Imported, Case: "C", Time: noon, Source: &Source{}, Rows: manyRows(0)},      // 4
		{Kind: Correction, Time: noon, Corrects: 4, Reason: "wrong table", Withdraw: true}, // 5
	}
	apex := func(s Summary) float64 { return *s.Rows()[0].Deviation[measurement.Apex] }
	s := Summarise(chained(t, base...), "")
	assert.Equal(t, 1, s.Cases[1].Measurement, "a case without a date comes first")
	assert.Equal(t, 1.125, apex(s))
	assert.Len(t, s.Corrections, 1)

	better := measurementOf("C", "2026-03-03", "p", 8)
	s = Summarise(chained(t, append(base,
		Record{Kind: Correction, Time: noon, Corrects: 1, Reason: "other scan", Measurement: better}, // 6
		Record{Kind: Correction, Time: noon, Corrects: 2, Reason: "typing", Text: "second words"},    // 7
		Record{Kind: Correction, Time: noon, Corrects: 3, Reason: "typing", Text: "lost to us"},      // 8
	)...), "")
	assert.Equal(t, 2.0, apex(s))
	assert.Equal(t, "second words", s.Remarks[0].Text)
	assert.Equal(t, "lost to us", s.Cases[0].Reason)

	s = Summarise(chained(t, append(base,
		Record{Kind: Correction, Time: noon, Corrects: 1, Reason: "other scan", Measurement: better}, // 6
		Record{Kind: Correction, Time: noon, Corrects: 6, Reason: "it was right", Withdraw: true},    // 7
		Record{Kind: Correction, Time: noon, Corrects: 5, Reason: "table right", Withdraw: true},     // 8
		Record{Kind: Correction, Time: noon, Corrects: 3, Reason: "scan found", Withdraw: true},      // 9
	)...), "")
	require.Len(t, s.Cases, 2)
	assert.Equal(t, StatusWithdrawn, s.Cases[0].Status, "the case that was left out has nothing else, and stays")
	assert.Equal(t, 4, s.Cases[1].Measurement)
	require.Len(t, s.Cases[1].Earlier, 1)
	assert.Equal(t, 1, s.Cases[1].Earlier[0].Record)
	assert.Equal(t, "the figures come from another source", s.Cases[1].Earlier[0].Changed)
	assert.Len(t, s.Withdrawals, 3, "a correction, a withdrawal and a reason")
	assert.Nil(t, s.Rows()[0].Deviation[measurement.Apex])
}

func TestRowsOfAMeasurement(t *testing.T) {
	m := measurementOf("C", "2026-03-03", "p", 1)
	m.Flags = []measurement.Flag{{Code: "a", Level: measurement.Notice}}
	m.Alignment.Flags = []measurement.Flag{{Code: "b", Level: measurement.Notice}}
	m.Fixtures = append(m.Fixtures, measurement.Fixture{Site: "11", Flags: []measurement.Flag{{Code: "not-found", Level: measurement.Doubt}}})
	rows := RowsOf(m)
	require.Len(t, rows, 2)
	assert.Equal(t, -0.4, *rows[0].Deviation[measurement.EntryMesial])
	assert.Equal(t, 0.0, *rows[0].Deviation[measurement.EntryBuccal], "a figure of zero is there")
	assert.Nil(t, rows[0].Deviation[measurement.TiltMesial], "a figure that is not there is not zero")
	assert.Equal(t, 0.05, *rows[0].U[measurement.EntryMesial])
	assert.Equal(t, []string{"a", "b"}, rows[0].Flags)
	assert.False(t, rows[0].Doubt)
	assert.True(t, rows[1].Doubt)
	assert.Equal(t, measurement.Values{}, rows[1].Deviation)
	assert.Equal(t, []string{"a", "b", "not-found"}, rows[1].Flags)
	assert.Equal(t, []string{"lower", "posterior", "upper", "anterior"}, []string{rows[0].Jaw(), rows[0].Region(), rows[1].Jaw(), rows[1].Region()})
	assert.Equal(t, 2.5, rows[0].Nearest("nerve").Planned)
	assert.Nil(t, rows[0].Nearest("sinus"))
	// One doubtful scan makes every fixture of the case doubtful.
	m.Alignment.Flags[0].Level = measurement.Doubt
	assert.True(t, RowsOf(m)[0].Doubt)
}

// Cases of one day are in the order in which one counts.
func TestNamesAreCounted(t *testing.T) {
	names := []string{"C-1", "C-2", "C-9", "C-10", "C-10a", "C-11", "D-1", "D-01b", "x"}
	for i := range names {
		for j := range names {
			assert.Equal(t, cmp.Compare(i, j), compareNames(names[i], names[j]), "%s and %s", names[i], names[j])
		}
	}
	assert.Negative(t, compareNames("C-01", "C-1"), "alike in number, told apart all the same")
	assert.Zero(t, compareNames("C-1", "C-1"))
}
