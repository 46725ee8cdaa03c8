package parquetfile

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var columns = []Column{
	{Name: "name", Kind: Text, Definition: "a text", Codes: []string{"a", "b"}},
	{Name: "x_mm", Kind: Number, Unit: "mm", Definition: "a length"},
	{Name: "n", Kind: Whole},
	{Name: "doubt", Kind: Truth},
}

var rowsOf = [][]string{
	{"ä, with \"quotes\"", "0.1", "7", "true"}, {"", "", "", ""}, {"b", "-1e-300", "-9007199254740991", "false"}, {"b", "12345.678901234567", "0", "true"},
}

func file(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	w, err := NewWriter(&b, "test/1", columns)
	require.NoError(t, err)
	for _, r := range rowsOf {
		require.NoError(t, w.Write(r))
	}
	require.NoError(t, w.Close())
	return b.Bytes()
}

// What is written is read, in any choice of columns; a column that is not there is null.
func TestThereAndBack(t *testing.T) {
	data := file(t)
	assert.Equal(t, data, file(t), "the same bytes")
	f, err := Open(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	assert.Equal(t, "test/1", f.Schema)
	assert.Equal(t, []string{"name", "x_mm", "n", "doubt"}, f.Columns)
	var got [][]string
	for cells, err := range f.All([]string{"doubt", "none", "name", "n"}) {
		require.NoError(t, err)
		var row []string
		for _, c := range cells {
			row = append(row, c.String())
		}
		got = append(got, row)
	}
	var want [][]string
	for _, r := range rowsOf {
		want = append(want, []string{r[3], "", r[0], r[2]})
	}
	assert.Equal(t, want, got)
	for cells := range f.All([]string{"x_mm"}) {
		assert.Equal(t, 0.1, cells[0].Number)
		break // a stream that is left early
	}
}

// Engines for large tables read a file of this package alike: engines.json is what DuckDB
// 1.5.6 and hyparquet 1.33.0 say of engines.parquet, by engines.mjs, which compares them.
func TestAsEnginesReadIt(t *testing.T) {
	data := file(t)
	path := filepath.Join("testdata", "engines.parquet")
	if os.Getenv("UPDATE") != "" {
		require.NoError(t, os.WriteFile(path, data, 0o644))
	}
	frozen, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(frozen, data), "the file has changed: run this test with UPDATE=1, then engines.mjs")
	said, err := os.ReadFile(filepath.Join("testdata", "engines.json"))
	require.NoError(t, err)
	var got struct {
		Schema  string
		Columns []Column
		Rows    [][]any
	}
	require.NoError(t, json.Unmarshal(said, &got))
	assert.Equal(t, "test/1", got.Schema)
	assert.Equal(t, columns, got.Columns)
	assert.Equal(t, [][]any{
		{"ä, with \"quotes\"", 0.1, "7", true}, {nil, nil, nil, nil}, {"b", -1e-300, "-9007199254740991", false}, {"b", 12345.678901234567, "0", true},
	}, got.Rows)
}

func TestCellsThatAreNone(t *testing.T) {
	for i, bad := range []string{"", "1,5", "1.5", "yes"} {
		if bad == "" {
			continue
		}
		w, err := NewWriter(&bytes.Buffer{}, "test/1", columns)
		require.NoError(t, err)
		row := make([]string, 4)
		row[i] = bad
		require.ErrorContains(t, w.Write(row), columns[i].Name)
	}
	_, err := NewWriter(&bytes.Buffer{}, "test/1", []Column{{Name: "x"}})
	require.ErrorContains(t, err, "of no kind")
}

// FuzzOpen reads damaged files: an error, and no panic.
func FuzzOpen(f *testing.F) {
	data := file(f)
	f.Add(data)
	f.Add(data[:len(data)-9])
	f.Add([]byte(Mark + Mark))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Open(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return
		}
		n := 0
		_ = p.Rows(p.Columns, func(cells []Cell) error {
			for _, c := range cells {
				_ = c.String()
			}
			if n++; n > 10_000 {
				return os.ErrClosed
			}
			return nil
		})
	})
}

// A file that states more metadata than it has bytes is refused before memory is taken for it.
func TestMetadataIsHeldAgainstTheFile(t *testing.T) {
	data := bytes.Clone(file(t))
	binary.LittleEndian.PutUint32(data[len(data)-8:], 1<<31)
	_, err := Open(bytes.NewReader(data), int64(len(data)))
	require.ErrorContains(t, err, "states 2147483648 bytes of metadata")
	_, err = Open(bytes.NewReader(data[:5]), 5)
	require.ErrorContains(t, err, "too short")
}

// Only what cannot ask for memory without end is decompressed.
func TestCompressionsThatAreRead(t *testing.T) {
	written := func(codec compress.Codec) error {
		var b bytes.Buffer
		w := parquet.NewGenericWriter[struct{ Site string }](&b, parquet.Compression(codec))
		_, err := w.Write([]struct{ Site string }{{"36"}})
		require.NoError(t, err)
		require.NoError(t, w.Close())
		_, err = Open(bytes.NewReader(b.Bytes()), int64(b.Len()))
		return err
	}
	assert.NoError(t, written(&parquet.Snappy))
	assert.NoError(t, written(&parquet.Uncompressed))
	for _, codec := range []compress.Codec{&parquet.Zstd, &parquet.Gzip, &parquet.Brotli, &parquet.Lz4Raw} {
		assert.ErrorContains(t, written(codec), `the column "Site" is compressed with `)
	}
}
