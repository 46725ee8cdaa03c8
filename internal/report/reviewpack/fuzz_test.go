package reviewpack

import (
	"archive/zip"
	"bytes"
	"os"
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// mostFuzzed bounds what the check of a small archive allocates in all, bytes,
// garbage included: fonts and PDFs take some 100 MB.
const mostFuzzed = 512 << 20

// checkFuzzed holds a check against what is true of each.
func checkFuzzed(t *testing.T, data []byte) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	v, err := check(bytes.NewReader(data), int64(len(data)), options.Version, options.CheckLine)
	runtime.ReadMemStats(&after)
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(mostFuzzed))
	require.True(t, (v == nil) != (err == nil))
	if v == nil {
		return
	}
	for _, line := range append(v.Faults, v.Findings...) {
		for _, c := range []string{"\n", "\r", "\x1b", "\u202e"} {
			assert.NotContains(t, line, c)
		}
	}
}

// FuzzCheck checks any bytes as an archive.
func FuzzCheck(f *testing.F) {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	w, _ := z.Create(manifestName)
	_, _ = w.Write([]byte(`{"schema": "plumbline/pack/1", "paper": "A4", "files": [{"name": "a", "bytes": 1, "sha256": "x"}]}`))
	w, _ = z.Create(seriesName)
	_, _ = w.Write([]byte("{}\n"))
	_ = z.Close()
	f.Add(b.Bytes())
	f.Add([]byte("PK"))
	f.Fuzz(checkFuzzed)
}

// FuzzContents checks archives whose zip is whole: of a manifest, a series file, a
// measurement and a table.
func FuzzContents(f *testing.F) {
	path := writeSeries(f, 2)
	series, err := os.ReadFile(path)
	require.NoError(f, err)
	for _, relative := range []bool{false, true} {
		o := options
		o.RelativeDates = relative
		files, err := Make(path, o)
		require.NoError(f, err)
		of := map[string][]byte{}
		for _, file := range files {
			of[file.Name] = file.Data
		}
		f.Add(of[manifestName], series, of["cases/001-S-001.json"], of[tableName], "cases/001-S-001.html")
	}
	f.Fuzz(func(t *testing.T, manifest, series, measurement, table []byte, name string) {
		var b bytes.Buffer
		require.NoError(t, Write(&b, []File{{manifestName, manifest}, {seriesName, series}, {"cases/001-S-001.json", measurement}, {tableName, table}, {name, nil}}))
		checkFuzzed(t, b.Bytes())
	})
}
