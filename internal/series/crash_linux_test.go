package series

import (
	"os"
	"os/signal"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const helperLimit = "SERIES_TEST_LIMIT"

// limitFileSize makes the kernel refuse what goes beyond a file size, in the
// middle of a write, as a full disk does.
func limitFileSize() {
	limit, err := strconv.ParseUint(os.Getenv(helperLimit), 10, 64)
	if err != nil {
		return
	}
	signal.Ignore(syscall.SIGXFSZ)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: limit, Max: limit}); err != nil {
		panic(err)
	}
}

func TestFullDiskOfTheKernel(t *testing.T) {
	for _, limit := range []string{"100", "5000", "5001", "5123", "9999"} {
		path := filepath.Join(t.TempDir(), "s.jsonl")
		c := writer(path, "w", 1000, helperLimit+"="+limit)
		var said, wrong countingWriter
		c.Stdout, c.Stderr = &said, &wrong
		require.Error(t, c.Run(), "the limit was not met")
		assert.Contains(t, string(wrong), "nothing was added")
		f, err := Read(path)
		require.NoError(t, err)
		assert.True(t, clean(f))
		assert.Len(t, f.Records, said.lines())
		write(t, path, remark("after"))
	}
}

type countingWriter []byte

func (w *countingWriter) Write(p []byte) (int, error) { *w = append(*w, p...); return len(p), nil }

func (w *countingWriter) lines() int {
	n := 0
	for _, b := range *w {
		if b == '\n' {
			n++
		}
	}
	return n
}
