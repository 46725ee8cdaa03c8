package series

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/parquetfile"
)

// A table as Parquet gives the rows that it gives as CSV, formulas and figures that are not
// there included.
func TestParquetAndCSVAreOneTable(t *testing.T) {
	x, zero := 0.1+0.2, 0.0
	table := []TableRow{
		{Row: Row{Case: "=1+1", Placed: "2026-01-02", Clinician: "clinician-ä", Site: "36", Guidance: "full-guide", Deviation: measurement.Values{measurement.Entry: &x, measurement.Apex: &zero}},
			Status: StatusMeasured, Seal: SealKept, Record: 3},
		{Row: Row{Case: "C-2", Placed: "2026-01-03", Clinician: "b", Site: "11", Doubt: true, Deviation: measurement.Values{measurement.Angle: &x}}, Status: StatusMeasured, Seal: SealNone, Record: 4},
		{Row: Row{Case: "C-3", Placed: "2026-01-04", Clinician: "b"}, Status: StatusLeftOut, Seal: SealNone, Record: 5, Reason: "moved"},
	}
	var text, binary bytes.Buffer
	require.NoError(t, WriteCSV(&text, table))
	require.NoError(t, WriteParquet(&binary, table))
	want, err := ReadCSV(bytes.NewReader(text.Bytes()))
	require.NoError(t, err)
	got, err := ReadParquet(bytes.NewReader(binary.Bytes()), int64(binary.Len()))
	require.NoError(t, err)
	assert.Equal(t, want, got)
	assert.Len(t, got, 2)

	f, err := parquetfile.Open(bytes.NewReader(binary.Bytes()), int64(binary.Len()))
	require.NoError(t, err)
	assert.Equal(t, columnNames(), f.Columns)
	for cells := range f.All([]string{"case", "apex_mm", "entry_mm", "angle_deg", "doubt", "record"}) {
		assert.Equal(t, "=1+1", cells[0].String(), "text as it is")
		assert.Equal(t, x, cells[2].Number)
		assert.True(t, cells[1].There)
		assert.False(t, cells[3].There, "null, never zero")
		break
	}

	dir := t.TempDir()
	path := filepath.Join(dir, "table.parquet")
	require.NoError(t, os.WriteFile(path, binary.Bytes(), 0o600))
	records, err := ImportTable(path, "2026-02-01T00:00:00Z")
	require.NoError(t, err)
	assert.Len(t, records, 2)
	own, err := os.Open(path)
	require.NoError(t, err)
	defer own.Close()
	assert.True(t, IsParquetTable(own))
}

// Every column says what it is, and each that has few values lists them.
func TestColumnsOfTheSchema(t *testing.T) {
	for _, c := range ParquetColumns() {
		assert.NotEmpty(t, c.Definition, c.Name)
		assert.Equal(t, c.Kind == parquetfile.Number, c.Unit != "", c.Name)
		assert.Equal(t, strings.HasSuffix(c.Name, "_deg"), c.Unit == "deg", c.Name)
	}
	for name := range codeLists {
		assert.Contains(t, columnNames(), name)
	}
}

func TestTablesOfAnotherSchema(t *testing.T) {
	var b bytes.Buffer
	w, err := parquetfile.NewWriter(&b, "plumbline/table/9", ParquetColumns())
	require.NoError(t, err)
	require.NoError(t, w.Close())
	_, err = ReadParquet(bytes.NewReader(b.Bytes()), int64(b.Len()))
	require.ErrorContains(t, err, `its schema is "plumbline/table/9"`)
	_, err = ReadParquet(strings.NewReader("PAR1"), 4)
	require.ErrorContains(t, err, "no Parquet file, or damaged")

	b.Reset()
	w, err = parquetfile.NewWriter(&b, "", []parquetfile.Column{{Name: "case", Kind: parquetfile.Text}, {Name: "entry", Kind: parquetfile.Number}})
	require.NoError(t, err)
	require.NoError(t, w.Close())
	_, err = ReadParquet(bytes.NewReader(b.Bytes()), int64(b.Len()))
	require.ErrorContains(t, err, "there is no such column")
}
