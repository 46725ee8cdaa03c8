package series

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A program that ends while a record is being written ends after it; what would begin later
// is not begun. In a process of its own, since Finish is for good.
func TestFinish(t *testing.T) {
	if path := os.Getenv("SERIES_TO_FINISH"); path != "" {
		appending.RLock() // as a record that is being written
		finished := make(chan bool)
		go func() {
			Finish()
			close(finished)
		}()
		select {
		case <-finished:
			t.Fatal("it did not wait")
		case <-time.After(50 * time.Millisecond):
		}
		appending.RUnlock()
		<-finished
		go func() { _, _ = Append(path, remark("later")) }()
		time.Sleep(50 * time.Millisecond)
		return
	}
	path := filepath.Join(t.TempDir(), "s.jsonl")
	c := exec.Command(os.Args[0], "-test.run", "^TestFinish$")
	c.Env = append(os.Environ(), "SERIES_TO_FINISH="+path)
	out, err := c.CombinedOutput()
	require.NoError(t, err, "%s", out)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Empty(t, text)
}
