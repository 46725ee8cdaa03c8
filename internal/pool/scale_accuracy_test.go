//go:build accuracy

package pool

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/parquetfile"
	"plumbline/internal/series"
)

// Rows of 2,000 clinicians are pooled as a stream within a gigabyte: a million, or as many as
// POOLROWS asks for. The time is told and not held, since it strays with the machine's load.
func TestPoolAccuracyAtScale(t *testing.T) {
	n := 1_000_000
	if text := os.Getenv("POOLROWS"); text != "" {
		var err error
		n, err = strconv.Atoi(text)
		require.NoError(t, err)
	}
	path := filepath.Join(t.TempDir(), "table.parquet")
	f, err := os.Create(path)
	require.NoError(t, err)
	defer f.Close()
	columns := series.ParquetColumns()
	w, err := parquetfile.NewWriter(f, series.TableSchema, columns)
	require.NoError(t, err)
	at := map[string]int{}
	for i, c := range columns {
		at[c.Name] = i
	}
	rng := rand.New(rand.NewPCG(1, 2))
	cells := make([]string, len(columns))
	for i := range n {
		cells[at["status"]], cells[at["doubt"]], cells[at["region"]] = "measured", "false", []string{"anterior", "posterior"}[i%2]
		cells[at["clinician"]], cells[at["guidance"]] = "clinician-"+strconv.Itoa(i%2000), "full-guide"
		for _, name := range []string{"entry_mm", "apex_mm", "angle_deg"} {
			cells[at[name]] = strconv.FormatFloat(rng.ExpFloat64(), 'f', 3, 64)
		}
		require.NoError(t, w.Write(cells))
	}
	require.NoError(t, w.Close())
	info, err := f.Stat()
	require.NoError(t, err)
	began := time.Now()
	a := New()
	require.NoError(t, a.Add(f, info.Size()))
	for r := range a.Results() {
		require.NoError(t, r.Err)
	}
	took := time.Since(began)
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	t.Logf("%d rows in %v, %d MB from the system", n, took, m.Sys>>20)
	assert.Equal(t, n, a.Rows)
	assert.Less(t, m.Sys, uint64(1<<30))
}
