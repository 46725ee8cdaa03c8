//go:build accuracy && linux

package series

import (
	"fmt"
	"path/filepath"
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
