package cli

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A mentor's remark is written on the mentor's machine and taken in by the owner, once.
func TestRemarksAreTakenIn(t *testing.T) {
	t.Chdir(t.TempDir())
	measuredCases(t, "results", inventedCase("C-1", "2026-03-02", "p", 0.7, 2.2))
	typed(t, "2026-04-01", Done, "series import results s.jsonl")
	text, err := os.ReadFile("s.jsonl")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile("mentors-copy.jsonl", text, 0o644))

	said := typed(t, "2026-04-02", Done, "series remark --into remarks.jsonl --case C-1 --by mentor-a mentors-copy.jsonl --text", "look at the apex")
	assert.Regexp(t, "The remark is in remarks.jsonl, with its own hash [0-9a-f]{64}.", said)
	typed(t, "2026-04-03", Done, "series remark --into remarks.jsonl --by mentor-a --text", "well kept")
	after, err := os.ReadFile("mentors-copy.jsonl")
	require.NoError(t, err)
	assert.Equal(t, text, after, "nothing is added to the copy")

	said = typed(t, "2026-04-05", Done, "series take --look remarks.jsonl s.jsonl")
	assert.Contains(t, said, "remarks.jsonl has 2 remarks, each as it was written; 2 not in s.jsonl yet")
	said = typed(t, "2026-04-05", Done, "series take remarks.jsonl s.jsonl")
	assert.Contains(t, said, "2026-04-02T12:00:00Z, by mentor-a on C-1: look at the apex")
	assert.NotContains(t, said, "does not hold")
	assert.Contains(t, said, "Taken in: 2 records, to record 3 of s.jsonl.")
	said = typed(t, "2026-04-06", Done, "series take remarks.jsonl s.jsonl")
	assert.Contains(t, said, "Nothing to take in: s.jsonl has it all.")
	said = typed(t, "2026-04-06", Done, "series show --json s.jsonl")
	assert.Contains(t, said, `"case": "C-1", "author": "mentor-a", "written": "2026-04-02T12:00:00Z", "from": "remarks.jsonl", "text": "look at the apex"`)
	assert.Contains(t, typed(t, "2026-04-06", Done, "series show s.jsonl"), "look at")

	// What was edited on the way is refused, and so is a case that is not known.
	edited, err := os.ReadFile("remarks.jsonl")
	require.NoError(t, err)
	write(t, "edited.jsonl", strings.Replace(string(edited), "well kept", "badly kept", 1))
	got := runOn(t, "2026-04-06", "series", "take", "edited.jsonl", "s.jsonl")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "edited.jsonl: line 2 was edited since it was written")
	write(t, "cut.jsonl", string(edited[:len(edited)-5]))
	assert.Equal(t, BadInput, runOn(t, "2026-04-06", "series", "take", "cut.jsonl", "s.jsonl").status)
	typed(t, "2026-04-06", Done, "series remark --into stray.jsonl --case C-9 --by mentor-a --text who")
	got = runOn(t, "2026-04-06", "series", "take", "stray.jsonl", "s.jsonl")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "a remark on a case C-9, which s.jsonl does not know; nothing was taken")
	for _, line := range []string{"series take s.jsonl", "series take none.jsonl s.jsonl", "series remark --into remarks.jsonl --by mentor-a",
		"series remark --into t.txt --by mentor-a --text x", "series remark --into remarks.jsonl --by mentor-a --text x --case C-9 s.jsonl"} {
		write(t, "t.txt", "a text")
		assert.Equal(t, BadInput, runOn(t, "2026-04-06", strings.Fields(line)...).status, line)
	}
}

// Two copies of one series that grew apart are recognised, shown and joined without
// losing a record of either; receipts of both hold afterwards.
func TestCopiesAreJoined(t *testing.T) {
	t.Chdir(t.TempDir())
	measuredCases(t, "one", inventedCase("C-1", "2026-03-02", "p", 0.7, 2.2))
	measuredCases(t, "two", inventedCase("C-2", "2026-03-09", "p", 0.8, 2.1))
	measuredCases(t, "three", inventedCase("C-3", "2026-03-16", "p", 3.1, 1.5))
	typed(t, "2026-04-01", Done, "series import one s.jsonl")
	text, err := os.ReadFile("s.jsonl")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile("copy.jsonl", text, 0o644))
	ours := receiptForm.FindString(typed(t, "2026-04-02", Done, "series import two s.jsonl"))
	typed(t, "2026-04-03", Done, "series import three copy.jsonl")
	typed(t, "2026-04-03", Done, "series remark --case C-3 --by mentor-a --text frist copy.jsonl")
	theirs := receiptForm.FindString(typed(t, "2026-04-04", Done, "series correct --record 3 --text first --reason typing copy.jsonl"))

	said := typed(t, "2026-04-05", Done, "series take --look copy.jsonl s.jsonl")
	assert.Contains(t, said, "Both begin with the same 1 record. s.jsonl goes on with 1 record: record 2, 2026-04-02T12:00:00Z, measured on C-2 copy.jsonl goes on with 3 records: record 2, 2026-04-03T12:00:00Z, measured on C-3")
	said = typed(t, "2026-04-05", Done, "series take copy.jsonl s.jsonl")
	assert.Contains(t, said, "Taken in: 3 records, to record 5 of s.jsonl.")
	said = typed(t, "2026-04-06", Done, "series take copy.jsonl s.jsonl")
	assert.Contains(t, said, "3 records of copy.jsonl were taken in before. Nothing to take in: s.jsonl has it all.")

	said = typed(t, "2026-04-06", Done, "series show --all s.jsonl")
	for _, want := range []string{"3 cases are measured", "C-2 2026-03-09", "C-3 2026-03-16", "first", "Margins missed: at 1 of 3 fixtures", "Records that came here with another copy of the series, as they stand there: 3."} {
		assert.Contains(t, said, want)
	}
	assert.NotContains(t, said, "mentor-a C-3 frist", "the correction is of the copy's own third record")
	typed(t, "2026-04-06", Done, "series check --receipt "+ours+" s.jsonl")
	said = typed(t, "2026-04-06", Done, "series check --receipt "+theirs+" s.jsonl")
	assert.Contains(t, said, "all 4 records that the copy held then are here, unchanged")

	// A joined record can be corrected by its number here, and the copy goes on.
	typed(t, "2026-04-07", Done, "series correct --record 3 --withdraw --by clinician-a --reason wrong s.jsonl")
	assert.Contains(t, typed(t, "2026-04-07", Done, "series show s.jsonl"), "1 with a seal or figures withdrawn (C-3)")
	typed(t, "2026-04-08", Done, "series remark --by mentor-b --text later copy.jsonl")
	assert.Contains(t, typed(t, "2026-04-08", Done, "series take copy.jsonl s.jsonl"), "Taken in: 1 record, to record 7 of s.jsonl.")

	typed(t, "2026-04-01", Done, "series import two other.jsonl")
	got := runOn(t, "2026-04-08", "series", "take", "other.jsonl", "s.jsonl")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "it is another series, not a copy of this one")
	edited, err := os.ReadFile("copy.jsonl")
	require.NoError(t, err)
	write(t, "copy.jsonl", strings.Replace(string(edited), "frist", "worst", 1))
	assert.Equal(t, BadInput, runOn(t, "2026-04-08", "series", "take", "copy.jsonl", "s.jsonl").status, "an edited copy")
}
