package cli

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/plan/casefile"
)

// A canal that the case asks for is shown and entered as a drawn one, about where the
// phantom has it; a sealed plan stays as it is.
func TestAnatomy(t *testing.T) {
	wide(t)
	const file = "wide/case.toml"
	text := readAll(t, file)
	whole, err := casefile.ReadPlan("wide")
	require.NoError(t, err)
	nerve := whole.Structures[0]
	require.Equal(t, casefile.Nerve, nerve.Kind)
	from, to := nerve.Path[0], nerve.Path[6]
	asked := fmt.Sprintf("[[structure]]\nname = %q\nkind = \"nerve\"\nfind = \"canal\"\nthrough = [[%g, %g, %g], [%g, %g, %g]]\n", nerve.Name, from.X, from.Y+0.5, from.Z, to.X, to.Y, to.Z-0.5)
	before, rest, found := strings.Cut(text, "[[structure]]")
	require.True(t, found)
	_, rest, found = strings.Cut(rest, "[[structure]]")
	require.True(t, found)
	asking := before + asked + "\n[[structure]]" + rest
	write(t, file, asking)

	got := run("anatomy", "--report", "out.html", "wide")
	require.Contains(t, []int{Done, InDoubt}, got.status, got.stderr)
	assert.Contains(t, got.stdout, nerve.Name+": followed over")
	assert.Regexp(t, regexp.MustCompile(nerve.Name+`\s+as\s+the\s+scan\s+shows\s+it`), got.stdout)
	assert.Equal(t, asking, readAll(t, file), "only shown")
	page := readAll(t, "out.html")
	assert.Contains(t, page, "Step through the buccolingual cuts")
	assert.Contains(t, page, nerve.Name)
	assert.Equal(t, BadInput, run("anatomy", "--report", "out.dcm", "wide").status)

	got = run("anatomy", "--write", "wide")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "--series is missing")

	got = run("anatomy", "--write", "--series", "s.jsonl", "wide")
	require.Contains(t, []int{Done, InDoubt}, got.status, got.stderr)
	assert.NoFileExists(t, "s.jsonl")
	drawn, err := casefile.ReadPlan("wide")
	require.NoError(t, err)
	require.Len(t, drawn.Structures, len(whole.Structures))
	st := drawn.Structures[0]
	assert.Equal(t, nerve.Name, st.Name)
	assert.Empty(t, st.Find)
	assert.Greater(t, len(st.Path), 8)
	assert.Greater(t, st.DrawnUncertainty, 0.05)
	assert.InDelta(t, nerve.Radius[0], st.Radius[4], 0.3)
	assert.True(t, strings.HasPrefix(readAll(t, file), before))

	write(t, file, asking)
	sealed := run("seal", "--series", "s.jsonl", "--despite", "a test", "wide")
	require.Contains(t, []int{Done, InDoubt}, sealed.status, sealed.stdout+sealed.stderr)
	got = run("anatomy", "--write", "--series", "s.jsonl", "wide")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "is sealed in s.jsonl and is left as it is")
	assert.Equal(t, asking, readAll(t, file))
}
