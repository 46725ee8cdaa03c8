package series

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// apart gives two copies of one series that went on by themselves.
func apart(t *testing.T, common, ours, theirs []Record) (path, other string) {
	t.Helper()
	dir := t.TempDir()
	path, other = filepath.Join(dir, "s.jsonl"), filepath.Join(dir, "copy.jsonl")
	write(t, path, common...)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(other, text, 0o644))
	write(t, path, ours...)
	write(t, other, theirs...)
	return path, other
}

// join takes the other copy in on a day, and gives what the records then say.
func join(t *testing.T, path, other, day string) Summary {
	t.Helper()
	f, err := Read(path)
	require.NoError(t, err)
	c, err := ReadCopy(other, f)
	require.NoError(t, err)
	records := c.Records()
	for i := range records {
		records[i].Time = day + "T12:00:00Z"
	}
	_, err = Append(path, records...)
	require.NoError(t, err)
	f, err = Read(path)
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	return Summarise(f.Records, "2026-06-01")
}

// A seal that comes in with another copy counts as one from before surgery where the
// copies were joined before it; joined after it, the copy's clock alone says so, as
// somebody could have made the copy then.
func TestASealThatCameLate(t *testing.T) {
	begin := []Record{remark("start")}
	sealing := []Record{seal("C-1", "2026-03-10", "p", noon)} // noon is of 2026-03-02
	for day, want := range map[string]Seal{"2026-03-09": SealWaiting, "2026-03-10": SealWaiting, "2026-03-11": SealUnknown} {
		path, other := apart(t, begin, nil, sealing)
		s := join(t, path, other, day)
		require.Len(t, s.Cases, 1)
		assert.Equal(t, want, s.Cases[0].Seal, day)
		write(t, path, measured("C-1", "2026-03-10", "p", 1))
		f, err := Read(path)
		require.NoError(t, err)
		assert.Equal(t, want == SealWaiting, Summarise(f.Records, "").Consecutive, day)
	}
	// Measured in this copy before the seal came.
	path, other := apart(t, begin, []Record{measured("C-1", "2026-03-10", "p", 1)}, sealing)
	s := join(t, path, other, "2026-03-10")
	assert.Equal(t, SealUnknown, s.Cases[0].Seal)
	assert.Contains(t, s.Cases[0].Flags[0].Message, "only a receipt of that copy shows")
	assert.False(t, s.Consecutive)
}

// Copies of copies: three machines, joined one after the other; corrections mean the
// records that they meant in their own copy.
func TestCopiesOfCopies(t *testing.T) {
	begin := []Record{remark("start")}
	path, second := apart(t, begin, []Record{remark("ours")}, []Record{remark("two")})
	third := filepath.Join(t.TempDir(), "third.jsonl")
	text, err := os.ReadFile(second)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(third, text, 0o644))
	write(t, third, remark("three"), Record{Kind: Correction, Time: noon, Corrects: 3, Reason: "typing", Text: "third"},
		Record{Kind: Correction, Time: noon, Corrects: 1, Reason: "typing", Text: "begin"})
	receipt := write(t, third, remark("last")).Receipt
	write(t, second, remark("more"))
	join(t, second, third, "2026-04-01")
	s := join(t, path, second, "2026-04-02")
	var said []string
	for _, r := range s.Remarks {
		said = append(said, r.Text)
	}
	assert.Equal(t, []string{"begin", "ours", "two", "more", "third", "last"}, said)
	v, err := Check(path, receipt)
	require.NoError(t, err)
	require.NotNil(t, v.Held)
	assert.True(t, v.Held.Same, v.Held.Message)
}

// A joined line that was changed does not match its own hash, whatever was done to the
// file around it.
func TestAJoinedLineIsHeldAgainstItsHash(t *testing.T) {
	path, other := apart(t, []Record{remark("start")}, nil, []Record{remark("two")})
	f, err := Read(path)
	require.NoError(t, err)
	c, err := ReadCopy(other, f)
	require.NoError(t, err)
	records := c.Records()
	records[0].Time = noon
	records[0].Copy = strings.Replace(records[0].Copy, "two", "six", 1)
	_, err = Append(path, records...)
	assert.ErrorContains(t, err, "needs a whole record of another copy")
}
