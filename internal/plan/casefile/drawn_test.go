package casefile

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
)

// toFind asks the planning scan for two structures, with a remark and a margin.
const toFind = minimal + `
[[structure]]
# the left one
name    = "canal"
kind    = "nerve"
find    = "canal"
through = [[-30.1, 20.2, -6.0],
           [-25.0, 14.1, -5.5]]
margin  = 1.5

# what comes next
[[structure]]
name = "sinus"
kind = "sinus"
find = "sinus"
`

func TestWhatIsToBeFound(t *testing.T) {
	c := parsed(t, toFind)
	margin := 1.5
	assert.Equal(t, []Structure{
		{Name: "canal", Kind: Nerve, Find: FindCanal, Through: []geom.Vec{vec(-30.1, 20.2, -6), vec(-25, 14.1, -5.5)}, Margin: &margin},
		{Name: "sinus", Kind: Sinus, Find: FindSinus},
	}, c.Structures)
	c.Frame = RAS
	pre := box(vec(-50, -50, -50), vec(50, 50, 50))
	located, _, err := c.Locate(pre, pre)
	require.NoError(t, err)
	assert.Equal(t, vec(30.1, -20.2, -6), located.Structures[0].Through[0])

	for _, w := range []struct{ from, to, says string }{
		{`find    = "canal"`, `find = "nerve"`, `expected "sinus", "nasal-floor" or "canal"`},
		{`kind    = "nerve"`, `kind = "sinus"`, `find = "canal" finds one of kind "nerve"`},
		{`margin  = 1.5`, `radius = 1.4`, "the planning scan is to say it"},
		{`margin  = 1.5`, `drawn_uncertainty = 0.4`, "the planning scan is to say it"},
		{`find = "sinus"`, `surface = "a.stl"` + "\n" + `through = [[1, 2, 3], [4, 5, 6]]`, `it goes with find = "canal"`},
		{`find = "sinus"`, `find = "sinus"` + "\n" + `through = [[1, 2, 3], [4, 5, 6]]`, `it goes with find = "canal"`},
		{",\n           [-25.0, 14.1, -5.5]]", "]", "it has 1 point; a canal takes 2 or more"},
		{"through = [[-30.1, 20.2, -6.0],\n           [-25.0, 14.1, -5.5]]", "", "it is missing"},
		{"[[-30.1, 20.2, -6.0],\n           [-25.0, 14.1, -5.5]]", "[]", "expected a list of points"},
	} {
		text := strings.Replace(toFind, w.from, w.to, 1)
		require.NotEqual(t, toFind, text, w.from)
		_, err := parse("case.toml", []byte(text))
		assert.Contains(t, asFault(t, err).Message, w.says)
	}
}

// What was found takes the place of what asked for it; all else stays, byte for byte.
func TestStructuresAreEntered(t *testing.T) {
	margin := 1.5
	canal := Structure{Name: "canal", Kind: Nerve, Path: []geom.Vec{vec(-30, 20, -6), vec(-25, 14, -5.5)}, Radius: []float64{1.4, 1.3}, Margin: &margin, DrawnUncertainty: 0.15}
	other := Structure{Name: "nasal floor", Kind: OtherStructure, Surface: "nasal-floor.stl", DrawnUncertainty: 0.2}
	for _, ending := range []string{"\n", "\r\n"} {
		text := strings.ReplaceAll(toFind, "\n", ending)
		out, err := WithStructures("case.toml", []byte(text), []Structure{canal, other})
		require.NoError(t, err)
		got, err := parse("case.toml", out)
		require.NoError(t, err)
		require.Len(t, got.Structures, 3)
		other.Surface = got.Structures[2].Surface
		assert.Equal(t, []Structure{canal, {Name: "sinus", Kind: Sinus, Find: FindSinus}, other}, got.Structures)
		other.Surface = "nasal-floor.stl"

		before, after, _ := strings.Cut(text, "[[structure]]")
		assert.True(t, strings.HasPrefix(string(out), before))
		_, after, _ = strings.Cut(after, "margin  = 1.5")
		assert.Contains(t, string(out), after)
		assert.Contains(t, string(out), "# the left one"+ending)
		assert.Equal(t, strings.Count(string(out), "\n"), strings.Count(string(out), ending))
	}
	inline := minimal + "\nx = 1\n"
	_, err := WithStructures("case.toml", []byte(inline), nil)
	require.Error(t, err, "it is no case file")
	one := "structure = [{name = \"canal\", kind = \"nerve\", path = [[1, 2, 3]], radius = 1}]\n" + minimal
	_, err = WithStructures("case.toml", []byte(one), []Structure{canal})
	assert.Contains(t, asFault(t, err).Message, "in no table of its own")
}
