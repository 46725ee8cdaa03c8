package casefile

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

// full uses every field of the case format.
const full = `case      = "C-007"
placed    = 2026-03-14
clinician = "clinician-a"
frame     = "lps"
numbering = "iso3950"
pre       = "pre"
post      = "scans/post"

[[fixture]]
site     = "36"
entry    = [-24.10, 11.32, 8.05]
apex     = [-24.62, 12.01, -1.91]
diameter = 4.1
length   = 10
guidance = "full-guide"
mesial   = [0.62, -0.78, 0.05]
placed_diameter = 4.3
placed_length   = 8.0

[[fixture]]
site     = "37"
entry    = [-30.0, 20.0, 8.0]
apex     = [-30.0, 20.0, -2.0]
diameter = 4.1

[[structure]]
name   = "left mandibular canal"
kind   = "nerve"
path   = [[-30.1, 20.2, -6.0],
          [-25.0, 14.1, -5.5]]
radius = 1.4
margin = 2.0

[[structure]]
name   = "root 35"
kind   = "root"
path   = [[-20, 5, 7], [-20, 5, -6]]
radius = [2.4, 0.9]

[[structure]]
name   = "sinus"
kind   = "sinus"
surface = "sinus.stl"

[alignment]
method = "landmarks"
landmarks = [{pre = [0, 0, 0], post = [1, 2, 3]},
             {pre = [10, 0, 0], post = [11, 2, 3]},
             {pre = [0, 10, 0], post = [1, 12, 3]}]
refine = true
`

// minimal has only what a case file must have.
const minimal = `case = "C-1"
placed = 2026-03-14
clinician = "clinician-a"
numbering = "universal"
pre = "pre"
post = "post"
[[fixture]]
site = "19"
entry = [0, 0, 0]
apex = [0, 0, -10]
diameter = 4.1
`

func parsed(t *testing.T, text string) *Case {
	t.Helper()
	c, err := parse("case.toml", []byte(text))
	require.NoError(t, err)
	return c
}

func TestFullFile(t *testing.T) {
	c := parsed(t, full)
	sum := sha256.Sum256([]byte(full))
	assert.Equal(t, hex.EncodeToString(sum[:]), c.PlanSHA256)
	assert.Equal(t, "C-007", c.Name)
	assert.Equal(t, "2026-03-14", c.Placed)
	assert.Equal(t, "clinician-a", c.Clinician)
	assert.Equal(t, LPS, c.Frame)
	assert.Equal(t, tooth.ISO3950, c.Numbering)
	assert.Equal(t, "pre", c.Pre)
	assert.Equal(t, filepath.Join("scans", "post"), c.Post)

	require.Len(t, c.Fixtures, 2)
	f := c.Fixtures[0]
	assert.Equal(t, tooth.Number(36), f.Site)
	assert.Equal(t, geom.Vec{X: -24.10, Y: 11.32, Z: 8.05}, f.Planned.Entry)
	assert.Equal(t, geom.Vec{X: -24.62, Y: 12.01, Z: -1.91}, f.Planned.Apex)
	assert.Equal(t, 4.1, f.Diameter)
	assert.Equal(t, 10.0, f.Length)
	assert.Equal(t, FullGuide, f.Guidance)
	require.NotNil(t, f.Mesial)
	norm := math.Sqrt(0.62*0.62 + 0.78*0.78 + 0.05*0.05)
	assert.InDelta(t, 0.62/norm, f.Mesial.X, 1e-15)
	assert.Equal(t, 4.3, f.PlacedDiameter)
	assert.Equal(t, 8.0, f.PlacedLength)

	bare := c.Fixtures[1]
	assert.Equal(t, 10.0, bare.Length, "the distance of entry and apex")
	assert.Equal(t, 10.0, bare.PlacedLength)
	assert.Equal(t, 4.1, bare.PlacedDiameter)
	assert.Nil(t, bare.Mesial)
	assert.Empty(t, bare.Guidance)

	require.Len(t, c.Structures, 3)
	canal := c.Structures[0]
	assert.Equal(t, Nerve, canal.Kind)
	assert.Equal(t, []float64{1.4, 1.4}, canal.Radius)
	assert.Equal(t, geom.Vec{X: -25, Y: 14.1, Z: -5.5}, canal.Path[1])
	require.NotNil(t, canal.Margin)
	assert.Equal(t, 2.0, *canal.Margin)
	assert.Equal(t, []float64{2.4, 0.9}, c.Structures[1].Radius)
	assert.Nil(t, c.Structures[1].Margin)
	assert.Equal(t, "sinus.stl", c.Structures[2].Surface)

	assert.Equal(t, FromLandmarks, c.Alignment.Method)
	assert.True(t, c.Alignment.Refine)
	require.Len(t, c.Alignment.Landmarks, 3)
	assert.Equal(t, Landmark{Pre: geom.Vec{Y: 10}, Post: geom.Vec{X: 1, Y: 12, Z: 3}}, c.Alignment.Landmarks[2])
	assert.Nil(t, c.Alignment.PostToPre)
}

func TestMinimalFile(t *testing.T) {
	c := parsed(t, minimal)
	assert.Equal(t, tooth.Number(36), c.Fixtures[0].Site, "universal 19")
	assert.Equal(t, LPS, c.Frame)
	assert.Equal(t, FromScans, c.Alignment.Method)
	assert.Empty(t, c.Structures)
}

func TestMatrix(t *testing.T) {
	c := parsed(t, minimal+"[alignment]\nmethod = \"matrix\"\nmatrix = [0,-1,0,5, 1,0,0,6, 0,0,1,7, 0,0,0,1]\n")
	require.NotNil(t, c.Alignment.PostToPre)
	assert.Equal(t, geom.Vec{X: 5, Y: 7, Z: 7}, c.Alignment.PostToPre.Apply(geom.Vec{X: 1}))
}

func TestByteOrderMarkAndWindowsLineEndings(t *testing.T) {
	c := parsed(t, "\xef\xbb\xbf"+strings.ReplaceAll(full, "\n", "\r\n"))
	assert.Equal(t, parsed(t, full).Fixtures, c.Fixtures)
	assert.Equal(t, parsed(t, full).lines, c.lines)
}

// edit replaces one line of the full file, given by a part of it.
type edit struct{ old, new string }

func TestFaults(t *testing.T) {
	for _, c := range []struct {
		edit
		line  int
		field string
		say   string // part of the message that says what is wrong and what to do
	}{
		// Unknown fields, in every table.
		{edit{`clinician =`, "surgeon ="}, 3, "", `unknown field "surgeon"; the fields here are case, placed,`},
		{edit{`guidance =`, "guide ="}, 15, "fixture 1", `unknown field "guide"; the fields here are site,`},
		{edit{`kind   = "root"`, "type = 1"}, 36, "structure 2", `unknown field "type"`},
		{edit{`refine =`, "weights ="}, 50, "alignment", `unknown field "weights"`},
		{edit{`{pre = [10, 0, 0], post`, "{pre = [10, 0, 0], mid"}, 48, "alignment, landmarks, pair 2", `unknown field "mid"; the fields here are pre, post`},

		// Missing fields.
		{edit{`numbering = "iso3950"`, ""}, 0, "numbering", "it is missing"},
		{edit{`clinician = "clinician-a"`, ""}, 0, "clinician", "it is missing"},
		{edit{`entry    = [-30.0, 20.0, 8.0]`, ""}, 20, "fixture 2, entry", "it is missing"},
		{edit{`radius = 1.4`, ""}, 26, "structure 1, radius", "it is missing"},
		{edit{`{pre = [10, 0, 0], post = [11, 2, 3]}`, "{pre = [10, 0, 0]}"}, 48, "alignment, landmarks, pair 2, post", "it is missing"},

		// Types.
		{edit{`site     = "36"`, "site = 36"}, 10, "fixture 1, site", `expected text in quotes, as in site = "36"; found a number`},
		{edit{`diameter = 4.1` + "\nlength", `diameter = "4.1"` + "\nlength"}, 13, "fixture 1, diameter", "expected a number without quotes; found text"},
		{edit{`entry    = [-24.10, 11.32, 8.05]`, "entry = -24"}, 11, "fixture 1, entry", "expected a list of numbers in square brackets"},
		{edit{`entry    = [-24.10, 11.32, 8.05]`, "entry = [-24.10, \n \"11.32\", 8.05]"}, 12, "fixture 1, entry, number 2", "expected a number without quotes"},
		{edit{`entry    = [-24.10, 11.32, 8.05]`, "entry = [-24.10, 11.32]"}, 11, "fixture 1, entry", "expected three numbers [x, y, z] in mm; found 2"},
		{edit{`refine = true`, `refine = "yes"`}, 50, "alignment, refine", "expected true or false"},
		{edit{"[alignment]", "[[alignment]]"}, 45, "alignment", "expected one table headed [alignment]; found a list"},
		{edit{`path   = [[-20, 5, 7], [-20, 5, -6]]`, `path = "canal"`}, 37, "structure 2, path", "expected a list of points"},
		{edit{`path   = [[-20, 5, 7], [-20, 5, -6]]`, `path = [-20, 5, 7]`}, 37, "structure 2, path, point 1", "expected a list of numbers"},
		{edit{`radius = [2.4, 0.9]`, `radius = "2"`}, 38, "structure 2, radius", "expected a number"},

		// Values that are no numbers.
		{edit{`diameter = 4.1` + "\nlength", "diameter = nan\nlength"}, 13, "fixture 1, diameter", "NaN; expected a finite number"},
		{edit{`apex     = [-24.62, 12.01, -1.91]`, "apex = [-24.62, 12.01, -inf]"}, 12, "fixture 1, apex, number 3", "-Inf; expected a finite number"},
		{edit{`margin = 2.0`, "margin = inf"}, 32, "structure 1, margin", "+Inf"},
		{edit{`entry    = [-24.10, 11.32, 8.05]`, "entry = [-24.10, 11.32, 8e9]"}, 11, "fixture 1, entry", "at most ±20000 mm"},

		// Sizes.
		{edit{`length   = 10`, "length = 3.9"}, 14, "fixture 1, length", "it is 3.9 mm; expected 4 to 60 mm"},
		{edit{`length   = 10`, "length = 60.5"}, 14, "fixture 1, length", "it is 60.5 mm; expected 4 to 60 mm"},
		{edit{`length   = 10`, "length = 11.5"}, 14, "fixture 1, length", "entry and apex lie 10.00 mm apart; they may differ by 0.5 mm"},
		{edit{`apex     = [-30.0, 20.0, -2.0]`, "apex = [-30, 20, 4.1]"}, 23, "fixture 2, apex", "3.90 mm apart; expected a planned fixture of 4 to 60 mm"},
		{edit{`apex     = [-30.0, 20.0, -2.0]`, "apex = [-30, 20, -52.1]"}, 23, "fixture 2, apex", "60.10 mm apart"},
		{edit{`diameter = 4.1` + "\nlength", "diameter = 41\nlength"}, 13, "fixture 1, diameter", "it is 41 mm; expected 1 to 10 mm"},
		{edit{`placed_length   = 8.0`, "placed_length = 80"}, 18, "fixture 1, placed_length", "expected 4 to 60 mm"},
		{edit{`placed_diameter = 4.3`, "placed_diameter = 0"}, 17, "fixture 1, placed_diameter", "expected 1 to 10 mm"},
		{edit{`radius = 1.4`, "radius = -1.4"}, 31, "structure 1, radius", "expected 0 to 100 mm"},
		{edit{`radius = [2.4, 0.9]`, "radius = [2.4, -0.9]"}, 38, "structure 2, radius, number 2", "expected 0 to 100 mm"},
		{edit{`margin = 2.0`, "drawn_uncertainty = 30"}, 32, "structure 1, drawn_uncertainty", "expected 0 to 5 mm"},
		{edit{`margin = 2.0`, "margin = -2"}, 32, "structure 1, margin", "expected 0 to 50 mm"},

		// Teeth.
		{edit{`site     = "36"`, `site = "39"`}, 10, "fixture 1, site", `tooth "39" does not exist in ISO 3950`},
		{edit{`site     = "36"`, `site = "19"`}, 10, "fixture 1, site", `write numbering = "universal"`},
		{edit{`numbering = "iso3950"`, `numbering = "universal"`}, 10, "fixture 1, site", `write numbering = "iso3950"`},
		{edit{`site     = "37"`, `site = "36"`}, 21, "fixture 2, site", "tooth 36 is also the site of fixture 1"},
		{edit{`entry    = [-30.0, 20.0, 8.0]`, "entry = [-24.10, 11.32, 8.05]\nlength = 18.5"}, 23, "fixture 2, length", "lie 14.5"},

		// Choices.
		{edit{`frame     = "lps"`, `frame = "LPS"`}, 4, "frame", `"LPS" is not known; expected "lps", "ras" or "corner"`},
		{edit{`numbering = "iso3950"`, `numbering = "fdi"`}, 5, "numbering", `expected "iso3950" or "universal"`},
		{edit{`guidance = "full-guide"`, `guidance = "guided"`}, 15, "fixture 1, guidance", `expected "full-guide", "pilot-guide", "freehand" or "navigated"`},
		{edit{`kind   = "nerve"`, `kind = "canal"`}, 28, "structure 1, kind", `expected "nerve", "sinus", "root", "fixture", "cortex" or "other"`},
		{edit{`method = "landmarks"`, `method = "points"`}, 46, "alignment, method", `expected "scans", "landmarks", "matrix" or "same-frame"`},

		// Dates.
		{edit{`placed    = 2026-03-14`, `placed = "2026-03-14"`}, 2, "placed", "expected a date without quotes or time"},
		{edit{`placed    = 2026-03-14`, `placed = 2026-03-14T10:00:00Z`}, 2, "placed", "expected a date without quotes or time"},
		{edit{`placed    = 2026-03-14`, `placed = 2026-02-30`}, 2, "", "impossible date"},
		{edit{`placed    = 2026-03-14`, `placed = 14.03.2026`}, 2, "", "not valid TOML"},
		{edit{`placed    = 2026-03-14`, `placed = 0206-03-14`}, 2, "placed", "the year is 206; expected 1990 to 2099"},

		// Texts.
		{edit{`"C-007"`, `""`}, 1, "case", "it is empty"},
		{edit{`"C-007"`, `"  "`}, 1, "case", "it is empty"},
		{edit{`"C-007"`, `" C-007"`}, 1, "case", "begins or ends with a space"},
		{edit{`"C-007"`, `"Doe^John"`}, 1, "case", "write a pseudonym"},
		{edit{`"C-007"`, `"C\n7"`}, 1, "case", "cannot be printed"},
		{edit{`"C-007"`, `"` + strings.Repeat("x", 101) + `"`}, 1, "case", "longer than 100 characters"},
		{edit{`name   = "root 35"`, `name = "sinus"`}, 41, "structure 3, name", "structure 2 has the same name"},

		// Paths.
		{edit{`"pre"`, `"../pre"`}, 6, "pre", "it leaves the case folder"},
		{edit{`"pre"`, `"/data/pre"`}, 6, "pre", "it leaves the case folder"},
		{edit{`"pre"`, `"scans/../../pre"`}, 6, "pre", "it leaves the case folder"},
		{edit{`"pre"`, `"C:/data/pre"`}, 6, "pre", "it leaves the case folder"},
		{edit{`"pre"`, `'scans\pre'`}, 6, "pre", `write / and not \`},
		{edit{`"pre"`, `"scans/./post"`}, 7, "post", "the same folder or file"},
		{edit{`"sinus.stl"`, `"../sinus.stl"`}, 43, "structure 3, surface", "it leaves the case folder"},

		// Structures.
		{edit{`surface = "sinus.stl"`, "surface = \"sinus.stl\"\nradius = 2"}, 43, "structure 3, surface", "both a surface and a path or radius"},
		{edit{`surface = "sinus.stl"`, ""}, 40, "structure 3, path", "neither a path nor a surface"},
		{edit{`radius = [2.4, 0.9]`, "radius = [2.4, 0.9, 0.5]"}, 38, "structure 2, radius", "3 radii for 2 points"},
		{edit{`radius = [2.4, 0.9]`, "radius = []"}, 38, "structure 2, radius", "0 radii for 2 points"},
		{edit{`path   = [[-20, 5, 7], [-20, 5, -6]]`, "path = []"}, 37, "structure 2, path", "found an empty list"},
		{edit{`path   = [[-20, 5, 7], [-20, 5, -6]]`, "path = [[-20, 5, 7],\n [-20, 5]]"}, 38, "structure 2, path, point 2", "expected three numbers"},

		// Directions.
		{edit{`mesial   = [0.62, -0.78, 0.05]`, "mesial = [-20, 5, 7]"}, 16, "fixture 1, mesial", "expected a direction of length 1"},
		{edit{`mesial   = [0.62, -0.78, 0.05]`, "mesial = [0, 0, 0]"}, 16, "fixture 1, mesial", "expected a direction of length 1"},
		{edit{`mesial   = [0.62, -0.78, 0.05]`, "mesial = [0, 0, 1]"}, 16, "fixture 1, mesial", "it points along the fixture (175°"},

		// Alignment.
		{edit{`method = "landmarks"`, `method = "scans"`}, 47, "alignment, landmarks", `the method is "scans", which does not use it`},
		{edit{`method = "landmarks"`, `method = "matrix"`}, 47, "alignment, landmarks", "does not use it"},
		{edit{"             {pre = [0, 10, 0], post = [1, 12, 3]}]", "]"}, 47, "alignment, landmarks", "it has 2 pairs; a rigid transform takes 3 or more"},
		{edit{`method = "landmarks"`, "method = \"landmarks\"\nfile = \"reg.dcm\""}, 47, "alignment, file", `write method = "matrix"`},

		// TOML itself.
		{edit{`diameter = 4.1` + "\nlength", "diameter = 4,1\nlength"}, 13, "", "numbers have a decimal point"},
		{edit{`site     = "36"`, "site = “36”"}, 10, "", "straight quotes"},
		{edit{`site     = "36"`, "site = \"36\"\nsite = \"36\""}, 11, "", "already defined"},
	} {
		t.Run(fmt.Sprintf("line %d %s %s", c.line, c.field, c.new), func(t *testing.T) {
			require.Equal(t, 1, strings.Count(full, c.old), "the edit must hit one place: %q", c.old)
			_, err := parse("case.toml", []byte(strings.Replace(full, c.old, c.new, 1)))
			fault := asFault(t, err)
			assert.Equal(t, c.line, fault.Line, "%v", err)
			assert.Equal(t, c.field, fault.Field)
			assert.Contains(t, fault.Message, c.say)
			assert.True(t, strings.HasPrefix(err.Error(), "case.toml"), err.Error())
		})
	}
}

func TestFaultsInOtherShapes(t *testing.T) {
	matrix := func(numbers string) string {
		return minimal + "[alignment]\nmethod = \"matrix\"\nmatrix = " + numbers + "\n"
	}
	for _, c := range []struct {
		text  string
		line  int
		field string
		say   string
	}{
		{"", 0, "case", "it is missing"},
		{strings.Replace(minimal, "[[fixture]]", "[fixture]", 1), 7, "fixture", "[[fixture]], with double brackets; found a single table"},
		{strings.SplitN(minimal, "[[", 2)[0], 0, "fixture", "it is missing"},
		{strings.SplitN(minimal, "[[", 2)[0] + "fixture = []\n", 7, "fixture", "it is empty"},
		{strings.SplitN(minimal, "[[", 2)[0] + "fixture = [1]\n", 7, "fixture 1", "double brackets; found a number"},
		{minimal + "[[fixture]]\nsite = \"18\"\nentry = [0, 0.5, 0]\napex = [0, 0.5, -10]\ndiameter = 4\n", 14, "fixture 2, entry", "within 1 mm of the entry of fixture 1"},
		{matrix("[1, 0, 0]"), 14, "alignment, matrix", "expected 16 numbers, row by row; found 3"},
		{matrix("[1,0,0,0, 0,1,0,0, 0,0,1,0, 0,0,0,nan]"), 14, "alignment, matrix, number 16", "finite"},
		{matrix("[2,0,0,0, 0,2,0,0, 0,0,2,0, 0,0,0,1]"), 14, "alignment, matrix", "scaled or sheared"},
		{matrix("[-1,0,0,0, 0,1,0,0, 0,0,1,0, 0,0,0,1]"), 14, "alignment, matrix", "mirrors left and right"},
		{matrix("[1,0,0,0, 0,1,0,0, 0,0,1,0, 5,6,7,1]"), 14, "alignment, matrix", "column by column"},
		{minimal + "[alignment]\nmethod = \"matrix\"\n", 12, "alignment, matrix", "it is missing"},
		{minimal + "[alignment]\nmethod = \"matrix\"\nfile = \"../reg.dcm\"\n", 14, "alignment, file", "it leaves the case folder"},
		{minimal + "[alignment]\nmethod = \"matrix\"\nfile = \"reg.dcm\"\nmatrix = [1,0,0,0, 0,1,0,0, 0,0,1,0, 0,0,0,1]\n", 14, "alignment, file", "both a matrix and a file"},
		{minimal + "[alignment]\nmethod = \"landmarks\"\n", 12, "alignment, landmarks", "it is missing"},
		{minimal + "[alignment]\nmethod = \"scans\"\nrefine = true\n", 14, "alignment, refine", "remove it"},
		{minimal + "[[alignment.landmarks]]\npre = [0,0,0]\npost = [0,0,0]\n", 12, "alignment, landmarks", `the method is "scans"`},
		{"\xff\xfec\x00", 1, "", "UTF-16"},
		{"case = \"C\"\nclinician = \"\xe9\"\n", 2, "", "UTF-8"},
		{strings.Repeat("[", 100000), 1, "", "not valid TOML"},
		{"a = " + strings.Repeat("[", 100000), 1, "", "not valid TOML"},
	} {
		_, err := parse("case.toml", []byte(c.text))
		fault := asFault(t, err)
		assert.Equal(t, c.line, fault.Line, "%v", err)
		assert.Equal(t, c.field, fault.Field, "%v", err)
		assert.Contains(t, fault.Message, c.say)
	}
}

func asFault(t *testing.T, err error) *Error {
	t.Helper()
	require.Error(t, err)
	var fault *Error
	require.True(t, errors.As(err, &fault), "%T", err)
	return fault
}

// A value that may be a person's name stays out of every message.
func TestMessagesKeepNamesToThemselves(t *testing.T) {
	for _, bad := range []string{`"Doe^Jane"`, `" Doe Jane"`, `"Doe\tJane"`} {
		for _, field := range []string{`"C-007"`, `"clinician-a"`} {
			_, err := parse("case.toml", []byte(strings.Replace(full, field, bad, 1)))
			require.Error(t, err)
			assert.NotContains(t, err.Error(), "Doe")
		}
	}
}

func TestMessageReadsAsOneSentence(t *testing.T) {
	_, err := parse("C-007/case.toml", []byte(strings.Replace(full, `site     = "36"`, `site = "39"`, 1)))
	assert.EqualError(t, err, `C-007/case.toml:10: fixture 1, site: tooth "39" does not exist in ISO 3950; expected 11-18, 21-28, 31-38 or 41-48`)
}

func TestReadFolderAndFile(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
	}
	_, err := Read(dir)
	assert.Contains(t, asFault(t, err).Message, "the folder has no case.toml")
	_, err = Read(filepath.Join(dir, "nowhere"))
	assert.Contains(t, asFault(t, err).Message, "no such file or folder")

	write("case.toml", full)
	_, err = Read(dir)
	assert.Equal(t, "pre", asFault(t, err).Field)
	assert.Equal(t, 6, asFault(t, err).Line)
	plan, err := ReadPlan(dir)
	require.NoError(t, err, "a plan needs no scan")
	assert.Equal(t, parsed(t, full).PlanSHA256, plan.PlanSHA256)
	write("pre/IM1", "")
	_, err = Read(dir)
	assert.Equal(t, "post", asFault(t, err).Field)
	write("scans/post", "")
	_, err = Read(dir)
	assert.Equal(t, "structure 3, surface", asFault(t, err).Field)
	assert.Equal(t, 43, asFault(t, err).Line)
	write("sinus.stl", "")

	byFolder, err := Read(dir)
	require.NoError(t, err)
	byFile, err := Read(filepath.Join(dir, "case.toml"))
	require.NoError(t, err)
	assert.Equal(t, byFolder, byFile)
	plan, err = ReadPlan(dir)
	require.NoError(t, err)
	assert.Equal(t, byFolder, plan)
	assert.Equal(t, filepath.Join(dir, "scans", "post"), byFolder.Post)

	write("case.toml", "# "+strings.Repeat("x", maxFileSize))
	_, err = Read(dir)
	assert.Contains(t, asFault(t, err).Message, "larger than 4 MiB")
}

func TestLongCentreLineKeepsItsPlaces(t *testing.T) {
	var b strings.Builder
	b.WriteString(minimal + "[[structure]]\nname = \"canal\"\nkind = \"nerve\"\nradius = 1\npath = [\n")
	const points = maxPath
	for i := range points {
		if i == points-1 {
			b.WriteString("[1, 2, nan],\n")
		} else {
			b.WriteString("[1, 2, 3],\n")
		}
	}
	b.WriteString("]\n")
	_, err := parse("case.toml", []byte(b.String()))
	fault := asFault(t, err)
	assert.Equal(t, 16+points, fault.Line)
	assert.Equal(t, fmt.Sprintf("structure 1, path, point %d, number 3", points), fault.Field)
}

func FuzzParse(f *testing.F) {
	f.Add(full)
	f.Add(minimal)
	f.Add(minimal + "[alignment]\nmethod = \"matrix\"\nmatrix = [0,-1,0,5, 1,0,0,6, 0,0,1,7, 0,0,0,1]\n")
	f.Add(strings.Replace(full, "[alignment]", "[[alignment]]", 1))
	f.Add("fixture = [{site = \"36\"}]\n\"a.b\".c[0] = 1")
	f.Add("[[structure]]\npath = [[]]\n[structure.x]\n")
	f.Fuzz(func(t *testing.T, text string) {
		c, err := parse("case.toml", []byte(text))
		if err != nil {
			var fault *Error
			if !errors.As(err, &fault) || fault.Message == "" {
				t.Fatalf("%T: %v", err, err)
			}
			if fault.Line > strings.Count(text, "\n")+1 {
				t.Fatalf("line %d is past the end: %v", fault.Line, err)
			}
			if c != nil {
				t.Fatal("a case beside an error")
			}
			return
		}
		for _, x := range c.Fixtures {
			if !x.Site.Valid() || !geom.Finite(x.Planned.Entry) || !geom.Finite(x.Planned.Apex) ||
				!(x.Length >= minLength && x.Length <= maxLength) || math.Abs(x.Length-x.Planned.Length()) > maxLengthGap {
				t.Fatalf("accepted %+v", x)
			}
		}
		for _, s := range c.Structures {
			if len(s.Path) != len(s.Radius) || (len(s.Path) == 0) == (s.Surface == "") {
				t.Fatalf("accepted %+v", s)
			}
		}
		if c.Alignment.Method == FromLandmarks && len(c.Alignment.Landmarks) < minLandmarks {
			t.Fatal("accepted too few landmarks")
		}
	})
}

// Coordinates in another unit are named.
func TestUnitsAreNamed(t *testing.T) {
	for apart, want := range map[float64]string{1.3: "centimetres", 0.5: "inches", 0.012: "metres", 12000: "micrometres"} {
		unit := UnitOf(apart, 0)
		require.NotNil(t, unit, apart)
		assert.Equal(t, want, unit.Name)
	}
	assert.Nil(t, UnitOf(4, 0), "a short one that may be meant")
	assert.Equal(t, "centimetres", UnitOf(0.5, 5).Name, "the length decides")
	assert.Nil(t, UnitOf(8, 10))

	small := strings.NewReplacer(
		"[-24.10, 11.32, 8.05]", "[-2.410, 1.132, 0.805]", "[-24.62, 12.01, -1.91]", "[-2.462, 1.201, -0.191]")
	text := small.Replace(full)
	require.NotEqual(t, full, text)
	_, err := parse("case.toml", []byte(text))
	assert.ErrorContains(t, err, "entry and apex lie 1.00 mm apart; the coordinates look like centimetres: multiply them by 10")
	_, err = parse("case.toml", []byte(strings.Replace(full, "diameter = 4.1", "diameter = 0.41", 1)))
	assert.ErrorContains(t, err, "it is 0.41 mm; expected 1 to 10 mm; if it is in centimetres, write 4.1")
}

func TestPersonsNamesAreRefused(t *testing.T) {
	for _, name := range []string{"Doe^John", "Müller, Hans", "MUELLER,HANS", "von Arx, Anna", "O'Neill, Mary Jane", "García López, Ana"} {
		assert.True(t, LooksLikeName(name), name)
		_, err := parse("case.toml", []byte(strings.Replace(full, `"C-007"`, strconv.Quote(name), 1)))
		assert.ErrorContains(t, err, "it looks like a person's name", name)
		assert.NotContains(t, err.Error(), name)
	}
	for _, name := range []string{"C-007", "clinician-a", "case 7, second", "A-1, B-2", "mentor-a", "7, 8"} {
		assert.False(t, LooksLikeName(name), name)
	}
	for name, refused := range map[string]bool{"Canal, Left": false, "tooth 36, mesial root": false, "Müller, Hans": true} {
		_, err := parse("case.toml", []byte(strings.Replace(full, `"left mandibular canal"`, strconv.Quote(name), 1)))
		assert.Equal(t, refused, err != nil, name)
	}
}
