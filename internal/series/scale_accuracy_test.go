//go:build accuracy && linux

package series

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// spent is the processor time of this program so far, which other programs on
// the machine do not lengthen much.
func spent(t *testing.T) time.Duration {
	t.Helper()
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// 100,000 records are written, checked and made into rows in seconds of
// processor time, linear in their number.
func TestHundredThousandRecords(t *testing.T) {
	took := map[int]time.Duration{}
	for _, n := range []int{25_000, 50_000, 100_000} {
		path := filepath.Join(t.TempDir(), "s.jsonl")
		records := make([]Record, n)
		for i := range records {
			records[i] = measured(fmt.Sprintf("C-%06d", i), "2026-03-03", "p", i)
		}
		_, err := Append(path, records...)
		require.NoError(t, err)
		start := spent(t)
		f, err := Read(path)
		require.NoError(t, err)
		require.NoError(t, f.Sound())
		s := Summarise(f.Records, "")
		require.Len(t, s.Rows(), n)
		took[n] = spent(t) - start
		start = spent(t)
		_, err = Append(path, remark("one more"))
		require.NoError(t, err)
		t.Logf("%d records: read, checked and summarised in %v, one more appended in %v", n, took[n], spent(t)-start)
	}
	assert.Less(t, took[100_000], 30*time.Second)
	assert.Less(t, took[100_000], 8*took[25_000])
}

// A table of a million rows is imported within 20 s of processor time, and no
// slower per row than a tenth of it.
func TestMillionRows(t *testing.T) {
	took := map[int]time.Duration{}
	for _, n := range []int{100_000, 1_000_000} {
		dir := t.TempDir()
		var b strings.Builder
		b.WriteString("case,placed,clinician,site,entry_mm,apex_mm,angle_deg\n")
		for i := range n {
			// Cases of two fixtures, their rows apart and not in the order of surgery.
			c := (i * 7919) % (n / 2)
			fmt.Fprintf(&b, "C-%07d,20%02d-%02d-%02d,a,%d,%.2f,%.2f,%.1f\n", c, c%25, c%12+1, c%28+1, 35+i/(n/2), 1+float64(i%100)/100, 1.2, 2.5)
		}
		table := filepath.Join(dir, "t.csv")
		require.NoError(t, os.WriteFile(table, []byte(b.String()), 0o644))
		start := spent(t)
		records, err := ImportTable(table, noon)
		require.NoError(t, err)
		l := NewLedger(&File{Path: filepath.Join(dir, "s.jsonl")}, time.Date(2026, 4, 1, 12, 0, 0, 0, time.UTC))
		lacking, err := l.Lacking(records)
		require.NoError(t, err)
		_, err = l.Add(lacking...)
		require.NoError(t, err)
		took[n] = spent(t) - start
		t.Logf("%d rows: imported in %v", n, took[n])
	}
	assert.Less(t, took[1_000_000], 20*time.Second)
	assert.Less(t, took[1_000_000], 20*took[100_000])
}
