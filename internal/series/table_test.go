package series

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/tooth"
)

const least = "case,placed,clinician,site,entry_mm\n"

func TestReadCSVAsASpreadsheetWritesIt(t *testing.T) {
	for name, text := range map[string]string{
		"commas":                least + "C-1,2026-03-03,a,36,1.25\n",
		"semicolons":            strings.ReplaceAll(least+"C-1,2026-03-03,a,36,1.25\n", ",", ";"),
		"mark and carriage":     "\ufeff" + strings.ReplaceAll(least+"C-1,2026-03-03,a,36,1.25\n", "\n", "\r\n"),
		"another order, quotes": "entry_mm,x_mood,site,clinician,placed,case,jaw\n1.25,glad,36,\"a\",2026-03-03,\"C-1\",lower\n",
		"universal":             "numbering," + least + "universal,C-1,2026-03-03,a,19,1.25\n",
		"a row left out":        "status," + least + "measured,C-1,2026-03-03,a,36,1.25\nleft-out,C-2,2026-03-03,a,,\n",
	} {
		rows, err := ReadCSV(strings.NewReader(text))
		require.NoError(t, err, name)
		require.Len(t, rows, 1, name)
		want := Row{Case: "C-1", Placed: "2026-03-03", Clinician: "a", Site: "36"}
		want.Deviation[measurement.Entry] = number(1.25)
		assert.Equal(t, want, rows[0], name)
	}
}

func TestReadCSVSaysWhatIsWrong(t *testing.T) {
	row := "C-1,2026-03-03,a,36,1.25\n"
	for text, says := range map[string]string{
		"":                                                            "line 1: the table is empty",
		least:                                                         "line 1: the table has no row",
		"case,placed,clinician\n":                                     "line 1, column site: the column is missing",
		"entri_mm," + least + "1," + row:                              "line 1, column entri_mm: there is no such column",
		"entry_mm," + least + "1," + row:                              "line 1, column entry_mm: the column comes twice",
		least + row + "C-1,2026-03-03,a,36,1\n":                       "line 3, column site: case and site are already on line 2",
		least + row + "C-1,2026-03-04,a,37,1\n":                       "line 3, column case: another date",
		least + "C-1,03.03.2026,a,36,1\n":                             "line 2: date of surgery",
		least + "C-1,2026-03-03,a,16x,1\n":                            `line 2, column site: tooth "16x"`,
		least + "C-1,2026-03-03,a,36,\"1,2\"\n":                       "line 2, column entry_mm: \"1,2\" has a comma",
		least + "C-1,2026-03-03,a,36,NaN\n":                           "is not a number",
		least + "C-1,2026-03-03,a,36,1 mm\n":                          "is not a number",
		least + "C-1,2026-03-03,a,36,-1\n":                            "cannot be negative",
		least + "C-1,2026-03-03,a,36,1000\n":                          "expected at most 100",
		least + "C-1,2026-03-03,a,36,\n":                              "no figure",
		least + ",2026-03-03,a,36,1\n":                                "case: it is empty",
		least + "C-1,2026-03-03,a,36\n":                               "line 2: it has another number of cells",
		least + "C-1,2026-03-03,a,36,\"1\n":                           "line 2",
		"guidance," + least + "free," + row:                           "guidance \"free\" is not known",
		"evidence," + least + "seen," + row:                           "\"seen\" is neither scan nor surface",
		"doubt," + least + "yes," + row:                               "\"yes\" is not true or false",
		"u_entry_mm," + least + "-1," + row:                           "the uncertainty of entry_mm is -1",
		"floor95_apex_mm," + least + "1," + row:                       "come together or not at all",
		"nerve_margin_mm," + least + "2," + row:                       "the planned clearance is missing",
		"buccal_bone_at_most," + least + "planned," + row:             "\"planned\" is neither planned nor achieved with a figure",
		"buccal_bone_planned_mm," + least + "101," + row:              "the bone to buccal is 101 mm",
		"entry_lateral_mm,entry_depth_mm," + least + "0.3,0.2," + row: "make 0.36",
	} {
		rows, err := ReadCSV(strings.NewReader(text))
		require.Error(t, err, text)
		assert.Nil(t, rows, text)
		assert.ErrorContains(t, err, says, text)
		var e *TableError
		assert.ErrorAs(t, err, &e, text)
	}
}

func drawRow(t *rapid.T) Row {
	name := rapid.StringMatching(`[=+\-@'A-Za-z0-9éあ][A-Za-z0-9 =;,"'é-]{0,6}[A-Za-z0-9]`)
	r := Row{
		Case: name.Draw(t, "case"), Clinician: name.Draw(t, "clinician"), Placed: "2026-03-03",
		Site:     tooth.All()[rapid.IntRange(0, 31).Draw(t, "site")].String(),
		Guidance: rapid.SampledFrom([]string{"", "full-guide", "freehand"}).Draw(t, "guidance"),
		Evidence: rapid.SampledFrom([]string{"", "scan", "surface"}).Draw(t, "evidence"),
		Doubt:    rapid.Bool().Draw(t, "doubt"),
	}
	r.Deviation[measurement.Angle] = number(3)
	for f := range measurement.FigureCount {
		if f == measurement.Entry || f == measurement.Apex {
			continue // else the parts would have to add up
		}
		if low := map[bool]float64{true: -50}[f.Signed()]; rapid.Bool().Draw(t, "has") {
			r.Deviation[f] = number(rapid.Float64Range(low, 50).Draw(t, "figure"))
			r.U[f] = number(rapid.Float64Range(0, 5).Draw(t, "u"))
		}
	}
	if rapid.Bool().Draw(t, "floor") {
		r.Floor = &measurement.Values{measurement.Entry: new(.1), measurement.Apex: new(.2), measurement.Angle: new(rapid.Float64Range(0, 3).Draw(t, "floor"))}
	}
	if rapid.Bool().Draw(t, "nerve") {
		r.Clearance = []measurement.Clearance{{Structure: "nerve", Kind: "nerve", Planned: rapid.Float64Range(-3, 9).Draw(t, "planned"), Margin: number(2)}}
	}
	if rapid.Bool().Draw(t, "bone") {
		r.Bone = &BuccalBone{Planned: number(rapid.Float64Range(-3, 9).Draw(t, "bone planned")), PlannedAtMost: rapid.Bool().Draw(t, "bound")}
	}
	return r
}

func TestTableRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		row := drawRow(t)
		var b bytes.Buffer
		require.NoError(t, WriteCSV(&b, []TableRow{{Row: row, Status: StatusMeasured, Seal: SealKept, Record: 3}}))
		back, err := ReadCSV(&b)
		require.NoError(t, err)
		require.Equal(t, []Row{row}, back)
		text, err := json.Marshal(row)
		require.NoError(t, err)
		var again Row
		require.NoError(t, json.Unmarshal(text, &again))
		require.Equal(t, row, again)
	})
}

func TestNoCellIsAFormula(t *testing.T) {
	r := Row{Case: "=1+1", Clinician: "@a", Placed: "2026-03-03", Site: "36"}
	r.Deviation[measurement.EntryDepth] = number(-0.25)
	var b bytes.Buffer
	require.NoError(t, WriteCSV(&b, []TableRow{
		{Row: r, Status: StatusMeasured},
		{Row: Row{Case: "-2"}, Status: StatusLeftOut, Reason: "+cmd|' /C calc'!A0"},
	}))
	cells, err := csv.NewReader(&b).ReadAll()
	require.NoError(t, err)
	require.Equal(t, columnNames(), cells[0])
	seen := 0
	for _, line := range cells[1:] {
		for i, c := range line {
			if c == "" || !strings.ContainsRune("=+-@\t\r\n", rune(c[0])) {
				continue
			}
			assert.Equal(t, "-0.25", c, cells[0][i])
			seen++
		}
	}
	assert.Equal(t, 1, seen, "the one negative number")
	assert.Equal(t, "'=1+1", cells[1][0])
}

func TestColumnsAreDocumented(t *testing.T) {
	seen := map[string]bool{}
	for _, c := range Columns() {
		assert.NotEmpty(t, c.Meaning, c.Name)
		assert.False(t, seen[c.Name], c.Name)
		seen[c.Name] = true
	}
	assert.Len(t, seen, 24+2*int(measurement.FigureCount)+3+3*len(casefile.Kinds)+3)
	for _, name := range leftColumns {
		assert.True(t, seen[name], name)
	}
}

// A table shows every case, also those without figures.
func TestTableHidesNoCase(t *testing.T) {
	s := Summarise(chained(t,
		seal("C-1", "2026-03-03", "p", noon), measured("C-1", "2026-03-03", "p", 1),
		seal("C-2", "2026-03-04", "p", noon),
		Record{Kind: LeftOut, Time: noon, Case: "C-3", Reason: "=lost"},
	), "2026-04-01")
	table := s.Table()
	require.Len(t, table, 3)
	assert.Equal(t, []Status{StatusLeftOut, StatusMeasured, StatusMissing}, []Status{table[0].Status, table[1].Status, table[2].Status})
	assert.Equal(t, "36", table[2].Site, "the site of the sealed plan")
	var b bytes.Buffer
	require.NoError(t, WriteCSV(&b, table))
	golden := "testdata/table.csv"
	if os.Getenv("UPDATE_GOLDEN") != "" {
		require.NoError(t, os.WriteFile(golden, b.Bytes(), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), b.String())
	rows, err := ReadCSV(&b)
	require.NoError(t, err)
	assert.Len(t, rows, 1)
}

func TestImportTable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "past.csv")
	require.NoError(t, os.WriteFile(path, []byte(least+"C-2,2025-02-02,a,36,1.25\nC-1,2025-01-02,a,36,1\nC-2,2025-02-02,a,37,1.5\n"), 0o644))
	records, err := ImportTable(path, noon)
	require.NoError(t, err)
	require.Len(t, records, 2)
	assert.Equal(t, "C-1", records[0].Case)
	assert.Len(t, records[1].Rows, 2)
	assert.Equal(t, "past.csv", records[0].Source.File)
	chain := filepath.Join(t.TempDir(), "s.jsonl")
	_, err = Append(chain, records...)
	require.NoError(t, err)
	f, err := Read(chain)
	require.NoError(t, err)
	s := Summarise(f.Records, "")
	assert.Len(t, s.Rows(), 3)
	assert.Equal(t, 2, s.Measured)
	_, err = ImportTable(filepath.Join(t.TempDir(), "none.csv"), noon)
	assert.Error(t, err)
}

func TestReadMeasurements(t *testing.T) {
	folder := t.TempDir()
	put := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), []byte(text), 0o644))
	}
	save := func(name string, m *measurement.Case) {
		text, err := json.Marshal(m)
		require.NoError(t, err)
		put(name, string(text))
	}
	save("a.json", measurementOf("C-2", "2026-03-09", "p", 2))
	save("b.JSON", measurementOf("C-1", "2026-03-03", "p", 1))
	put("notes.txt", "not looked at")
	put("other.json", `{"schema":"other/1"}`)
	put("list.json", `[1,2]`)
	cases, skipped, err := ReadMeasurements(folder)
	require.NoError(t, err)
	require.Len(t, cases, 2)
	assert.Equal(t, "C-1", cases[0].Case)
	assert.Equal(t, measurementOf("C-2", "2026-03-09", "p", 2), &cases[1])
	assert.Len(t, skipped, 2)

	save("c.json", measurementOf("C-1", "2026-03-03", "p", 1))
	_, _, err = ReadMeasurements(folder)
	assert.ErrorContains(t, err, "keep the one that counts")
	put("c.json", `{"schema":"plumbline/measurement/1","case":"C`)
	_, _, err = ReadMeasurements(folder)
	assert.ErrorContains(t, err, "c.json: it is not whole")
	save("c.json", measurementOf("C-3", "soon", "p", 1))
	_, _, err = ReadMeasurements(folder)
	assert.ErrorContains(t, err, "date of surgery")
	_, _, err = ReadMeasurements(filepath.Join(folder, "none"))
	assert.Error(t, err)
}

func FuzzReadCSV(f *testing.F) {
	f.Add(least + "C-1,2026-03-03,a,36,1.25\n")
	f.Add(strings.Join(columnNames(), ";") + "\nC-1;2026-03-03;a;36")
	f.Add("case\n\"")
	f.Fuzz(func(t *testing.T, text string) {
		rows, err := ReadCSV(strings.NewReader(text))
		if err != nil {
			if rows != nil {
				t.Fatal("rows and an error")
			}
			return
		}
		// What was read can be written and read again.
		table := make([]TableRow, len(rows))
		for i, r := range rows {
			table[i] = TableRow{Row: r, Status: StatusMeasured}
		}
		var b bytes.Buffer
		if err := WriteCSV(&b, table); err != nil {
			t.Fatal(err)
		}
		again, err := ReadCSV(&b)
		if err != nil {
			t.Fatal(err)
		}
		if !assert.Equal(t, rows, again) {
			t.FailNow()
		}
	})
}
