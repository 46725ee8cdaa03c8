package pool

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// practice is the table of one clinician's cases, far from zero so that sums of squares
// would lose digits.
func practice(seed uint64, clinician string, n int) []series.TableRow {
	rng := rand.New(rand.NewPCG(seed, 1))
	var out []series.TableRow
	for i := range n {
		entry, angle := 1000+0.3*rng.NormFloat64(), 3+rng.Float64()
		r := series.Row{Case: fmt.Sprintf("C-%d-%d", seed, i), Placed: "2026-01-02", Clinician: clinician, Site: []string{"36", "11"}[i%2], Guidance: []string{"full-guide", "freehand"}[i/2%2]}
		r.Deviation[measurement.Entry], r.Deviation[measurement.Angle] = &entry, &angle
		r.Doubt = i%10 == 9
		out = append(out, series.TableRow{Row: r, Status: series.StatusMeasured, Seal: series.SealNone, Record: i + 1})
	}
	return out
}

func add(t *testing.T, a *Aggregates, data []byte) {
	t.Helper()
	require.NoError(t, a.Add(bytes.NewReader(data), int64(len(data))))
}

func csvOf(t *testing.T, rows []series.TableRow) []byte {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, series.WriteCSV(&b, rows))
	return b.Bytes()
}

// Aggregates of two practices joined are those of their rows, to 1e-9, and so is what is
// pooled; a clinician of both practices is one.
func TestAggregatesJoinedAreRowsJoined(t *testing.T) {
	first := append(practice(1, "a", 60), practice(2, "b", 80)...)
	second := append(practice(3, "c", 100), practice(4, "b", 40)...)
	rows, joined := New(), New()
	add(t, rows, csvOf(t, append(append([]series.TableRow{}, first...), second...)))
	for _, table := range [][]series.TableRow{first, second} {
		own := New()
		var parquet, out bytes.Buffer
		require.NoError(t, series.WriteParquet(&parquet, table))
		add(t, own, parquet.Bytes())
		require.NoError(t, own.Write(&out))
		assert.True(t, IsAggregates(bytes.NewReader(out.Bytes())))
		assert.NotContains(t, out.String(), "C-1-", "no row leaves")
		add(t, joined, out.Bytes())
	}
	require.Equal(t, 280-28, rows.Rows)
	require.Equal(t, 28, rows.Doubtful)
	require.Len(t, joined.Strata, len(rows.Strata))
	assert.Equal(t, []string{"b"}, joined.Shared())
	assert.Empty(t, rows.Shared())
	for s, want := range rows.Strata {
		got := joined.Strata[s]
		assert.Equal(t, want.N, got.N)
		assert.InDelta(t, want.Mean, got.Mean, 1e-9)
		assert.InDelta(t, want.M2, got.M2, 1e-9)
	}
	next := joined.results()
	for i, want := range rows.results() {
		got := next[i]
		require.NoError(t, want.Err)
		assert.Equal(t, want.Fixtures, got.Fixtures)
		assert.Equal(t, 3, got.Pooled.Groups)
		assert.InDelta(t, want.Pooled.Mean, got.Pooled.Mean, 1e-9)
		assert.InDelta(t, want.Pooled.SE, got.Pooled.SE, 1e-9)
		assert.InDelta(t, want.Pooled.Tau2, got.Pooled.Tau2, 1e-9)
	}
}

func (a *Aggregates) results() (out []Result) {
	for r := range a.Results() {
		out = append(out, r)
	}
	return out
}

// Strata of few figures do not leave, and their number does.
func TestSmallCellsAreWithheld(t *testing.T) {
	a := New()
	add(t, a, csvOf(t, practice(1, "=small", 9)))
	var b bytes.Buffer
	require.NoError(t, a.Write(&b))
	assert.NotContains(t, b.String(), "small")
	assert.Contains(t, b.String(), "withheld,,,,,8,,")
	again := New()
	add(t, again, b.Bytes())
	assert.Equal(t, 8, again.Withheld)
	assert.Empty(t, again.Strata)
}

func TestTablesThatCannotBePooled(t *testing.T) {
	head := strings.Join(header, ",") + "\n"
	for text, say := range map[string]string{
		"":           "no table",
		"a,b\n1,2\n": "no column clinician, or none of a figure",
		"status,clinician,entry_mm\nmeasured,a,x\n": `line 2, column entry_mm: "x" is no number`,
		"status,clinician,entry_mm\nmeasured,,1\n":  "has no clinician",
		head + ",entry_mm,a,,,0,1,1\n":              "expected a count",
		head + ",entry_mm,a,,,5,1,-1\n":             "expected numbers",
		head + ",nose_mm,a,,,5,1,1\n":               "is not known",
		"PAR1":                                      "Parquet",
	} {
		err := New().Add(strings.NewReader(text), int64(len(text)))
		assert.ErrorContains(t, err, say, text)
	}
}

func FuzzAdd(f *testing.F) {
	f.Add([]byte(strings.Join(header, ",") + "\n,entry_mm,a,,,5,1,0.5\n"))
	f.Add([]byte("status,clinician,entry_mm\nmeasured,a,1\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		a := New()
		if a.Add(bytes.NewReader(data), int64(len(data))) != nil {
			return
		}
		for r := range a.Results() {
			require.GreaterOrEqual(t, r.Fixtures, 0)
		}
	})
}
