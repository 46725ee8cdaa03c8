package reviewpack

import (
	"archive/zip"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// checkFile in the environment turns the test program into a check of that file.
const checkFile = "REVIEWPACK_TEST_CHECK"

func TestMain(m *testing.M) {
	if file := os.Getenv(checkFile); file != "" {
		_, _ = Check(file, options.Version, options.CheckLine)
		status, _ := os.ReadFile("/proc/self/status")
		os.Stdout.Write(status)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// highWater is the most memory that a process took, kB (proc_pid_status(5)). The
// figure of getrusage(2) would be that of this process, from before the exec.
var highWater = regexp.MustCompile(`VmHWM:\s+(\d+) kB`)

// peak is the most memory that a process takes to check an archive, MB.
func peak(t *testing.T, data []byte) int {
	t.Helper()
	path := filepath.Join(t.TempDir(), "pack.zip")
	require.NoError(t, os.WriteFile(path, data, 0o644))
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), checkFile+"="+path)
	out, err := c.Output()
	require.NoError(t, err)
	m := highWater.FindSubmatch(out)
	require.NotNil(t, m)
	kb, err := strconv.Atoi(string(m[1]))
	require.NoError(t, err)
	return kb >> 10
}

// noise is text that deflate packs some hundred times smaller, as much as is let
// through.
func noise(n int) []byte {
	out := make([]byte, n)
	for i, x := 0, uint32(1); i < n; i += 150 {
		x = x*1664525 + 1013904223 // Numerical Recipes, "quick and dirty" generator
		out[i] = byte(x >> 24)
	}
	return out
}

// A check keeps to its bound of memory whatever an archive holds.
func TestMemoryIsBounded(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	clean := small(t)
	stored := func(files []File) []byte {
		return zipped(t, nil, func(z *zip.Writer) {
			for _, f := range files {
				member(t, z, zip.FileHeader{Name: f.Name, Method: zip.Store}, f.Data)
			}
		})
	}
	swelling := func(name, head, part, tail string, n int) []byte {
		text := head + strings.Repeat(part, n) + tail
		return stored(resealed(t, append(without(clean, name), File{name, []byte(text)}), func(m *Manifest) { m.Program = "another" }))
	}
	const stem, fixtures = "cases/002-S-002.json", `{"schema":"plumbline/measurement/1","fixtures":[`
	for name, data := range map[string][]byte{
		"large members": zipped(t, clean, func(z *zip.Writer) {
			for i := range 3 {
				member(t, z, zip.FileHeader{Name: fmt.Sprint(i), Method: zip.Deflate}, noise(mostMember-1))
			}
		}),
		"many members":          zipped(t, nil, func(z *zip.Writer) { numbered(t, z, 40000, "%d") }),
		"a line without end":    swelling(seriesName, "", "x", "", mostSeries),
		"lines without text":    swelling(seriesName, "", "\n", "", mostRecords),
		"a line of fixtures":    swelling(seriesName, `{"measurement":`+fixtures, "{},", "{}]}}\n", mostObjects-10),
		"a manifest of files":   stored([]File{{manifestName, []byte(`{"files":[` + strings.Repeat("0,", mostManifest/2-10) + `{}]}`)}}),
		"a list of fixtures":    swelling(stem, fixtures, "{},", "{}]}", mostObjects-10),
		"a list of numbers":     swelling(stem, fixtures, "0,", "0]}", mostCase/2-100),
		"a table of commas":     swelling(tableName, "case,site,status", ",", "\n", mostRecord-100),
		"a line of numbers":     swelling(seriesName, `{"measurement":`+fixtures, "0,", "0]}}\n", mostCommas-10),
		"a list below bounds":   swelling(stem, fixtures, "0,", "0]}", mostCommas-10),
		"a table of empty rows": swelling(tableName, "case,site,status\n", ",,measured\n", "", mostTable/12),
		"a table of quotes":     swelling(tableName, "case,site,status\n\"", "\n", "\"", mostTable-100),
		"records full of text":  stored(flagged(t, clean)),
	} {
		mb := peak(t, data)
		t.Logf("%s: %d MB", name, mb)
		assert.LessOrEqual(t, mb, Memory, name)
	}
}

// flagged is the files with a series file, whose chain is whole, of cases with as
// many qualities of alignment and flags as a line holds.
func flagged(t *testing.T, clean []File) []File {
	path := filepath.Join(t.TempDir(), "series.jsonl")
	var records []series.Record
	for i := range 20 {
		c := &measurement.Case{Schema: measurement.Schema, Case: fmt.Sprint(i), Placed: "2026-01-02", Clinician: "c",
			Alignment: measurement.Alignment{Quality: map[string]float64{}}, Fixtures: []measurement.Fixture{{Site: "36"}}}
		for j := range 30000 {
			c.Alignment.Quality[fmt.Sprint(j)] = 1
		}
		for j := range 3000 {
			c.Flags = append(c.Flags, measurement.Flag{Code: fmt.Sprint(j), Message: "m", Level: measurement.Notice})
		}
		records = append(records, series.Record{Kind: series.Measured, Time: "2026-01-02T10:00:00Z", Case: c.Case, Measurement: c})
	}
	_, err := series.Append(path, records...)
	require.NoError(t, err)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	f, err := series.Read(path)
	require.NoError(t, err)
	return resealed(t, append(without(clean, seriesName), File{seriesName, text}), func(m *Manifest) { m.Receipt = f.Receipt() })
}
