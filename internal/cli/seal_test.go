package cli

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

// makeWide makes, once, a case whose scans show the whole arch: a fixture at 44.
var makeWide = sync.OnceValue(func() outcome {
	return run("phantom", "--seed", "3", "--class", "easy", "--voxel", "1", "--field", "60", filepath.Join(phantomHome, "wide"))
})

// wide copies that case to the folder wide, without its follow-up scan, and makes the
// folder above it the working folder.
func wide(t *testing.T) {
	t.Helper()
	require.Equal(t, Done, makeWide().status, makeWide().stderr)
	from := filepath.Join(phantomHome, "wide")
	t.Chdir(t.TempDir())
	require.NoError(t, os.CopyFS("wide/pre", os.DirFS(filepath.Join(from, "pre"))))
	text, err := os.ReadFile(filepath.Join(from, "case.toml"))
	require.NoError(t, err)
	write(t, "wide/case.toml", string(text))
}

// written are coordinates as a frame writes them: the inverse of Frame.ToLPS.
func written(f casefile.Frame, p geom.Vec, pre volume.Grid) geom.Vec {
	origin := f.ToLPS(geom.Vec{}, pre)
	along := func(unit geom.Vec) float64 {
		return r3.Dot(r3.Sub(p, origin), r3.Sub(f.ToLPS(unit, pre), origin))
	}
	return geom.Vec{X: along(geom.Vec{X: 1}), Y: along(geom.Vec{Y: 1}), Z: along(geom.Vec{Z: 1})}
}

// triple is a point of a case file.
var triple = regexp.MustCompile(`\[(-?[0-9.]+), (-?[0-9.]+), (-?[0-9.]+)\]`)

// withPoints is a case file with every point passed through to.
func withPoints(t *testing.T, text string, to func(geom.Vec) geom.Vec) string {
	t.Helper()
	return triple.ReplaceAllStringFunc(text, func(s string) string {
		var x [3]float64
		for i, digits := range triple.FindStringSubmatch(s)[1:] {
			var err error
			x[i], err = strconv.ParseFloat(digits, 64)
			require.NoError(t, err)
		}
		p := to(geom.Vec{X: x[0], Y: x[1], Z: x[2]})
		return fmt.Sprintf("[%.5f, %.5f, %.5f]", p.X, p.Y, p.Z)
	})
}

// mixUp is a plan whose points are in one frame, with left and right exchanged or not,
// and whose case file names a frame.
type mixUp struct {
	is, said casefile.Frame
	mirrored bool
}

func (m mixUp) right() bool { return m.is == m.said && !m.mirrored }

// mixUps are all of them, with those that are right.
func mixUps() []mixUp {
	var out []mixUp
	for _, is := range casefile.Frames {
		for _, said := range casefile.Frames {
			out = append(out, mixUp{is, said, false}, mixUp{is, said, true})
		}
	}
	return out
}

// write writes the case file of a folder so.
func (m mixUp) write(t *testing.T, folder, text string, pre volume.Grid) {
	t.Helper()
	text = withPoints(t, text, func(p geom.Vec) geom.Vec {
		if m.mirrored {
			p.X = -p.X
		}
		return written(m.is, p, pre)
	})
	text = regexp.MustCompile(`(?m)^(frame|mesial) .*\n`).ReplaceAllString(text, "")
	write(t, filepath.Join(folder, "case.toml"), fmt.Sprintf("frame = %q\n", m.said)+text)
}

// Every mix-up of left and right, of LPS, RAS and corner coordinates is caught when the
// plan is sealed, with the structures and without them; none of the right ones is. (Two
// exchanges at once, left and right and LPS with RAS, put the plan before or behind its
// place on its own side, which takes the structures to see.)
func TestSealCatchesMixUps(t *testing.T) {
	wide(t)
	pre, err := scan.Open("wide/pre", scan.Options{})
	require.NoError(t, err)
	whole, err := os.ReadFile("wide/case.toml")
	require.NoError(t, err)
	bare, _, found := strings.Cut(string(whole), "[[structure]]")
	require.True(t, found)
	wrong, right := 0, 0
	for _, text := range []string{string(whole), bare} {
		for i, m := range mixUps() {
			lps := m.is != casefile.Corner && m.said != casefile.Corner
			if text == bare && m.mirrored && lps && m.is != m.said {
				continue
			}
			m.write(t, "wide", text, pre.Grid)
			series := fmt.Sprintf("s%d-%d.jsonl", len(text), i)
			got := runOn(t, "2026-01-02", "seal", "--series", series, "wide")
			about := fmt.Sprintf("%+v\n%s%s", m, got.stdout, got.stderr)
			if m.right() {
				right++
				assert.Equal(t, Done, got.status, about)
				assert.NotContains(t, got.stdout, "in doubt", about)
				assert.Contains(t, got.stdout, "at 44, the lower right first premolar", about)
				continue
			}
			wrong++
			assert.Equal(t, BadInput, got.status, about)
			assert.Contains(t, got.stderr, "nothing was sealed", about)
			assert.NoFileExists(t, series, about)
		}
	}
	assert.Equal(t, 6, right)
	assert.Equal(t, 28, wrong)
}

// A plan on the other side is refused with the reading that fits; with a reason it is
// sealed, in sight, and the status says so.
func TestSealDespiteADoubt(t *testing.T) {
	wide(t)
	pre, err := scan.Open("wide/pre", scan.Options{})
	require.NoError(t, err)
	text, err := os.ReadFile("wide/case.toml")
	require.NoError(t, err)
	mixUp{casefile.LPS, casefile.RAS, false}.write(t, "wide", string(text), pre.Grid)
	got := runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "wide")
	assert.Equal(t, BadInput, got.status)
	flat := strings.Join(strings.Fields(got.stdout), " ")
	assert.Contains(t, flat, `The plan is in doubt`)
	assert.Contains(t, flat, `the planned entry point lies 16 mm beside the dental arch that the planning scan shows; with frame = "lps"`)
	assert.Contains(t, flat, "(plan-off-ridge)")

	got = runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "--despite", "the scanner exchanges left and right", "wide")
	assert.Equal(t, InDoubt, got.status, got.stderr)
	assert.Contains(t, got.stdout, "Sealed: the plan of")
	flat = strings.Join(strings.Fields(run("series", "show", "s.jsonl").stdout), " ")
	assert.Contains(t, flat, "Sealed although the plan was in doubt (record 1:")
	assert.Contains(t, flat, "the reason given: the scanner exchanges left and right")
	assert.Equal(t, Done, run("series", "check", "s.jsonl").status)
}

// What is not given is named, and what is near is said with its margin.
func TestSealReadsThePlanBack(t *testing.T) {
	wide(t)
	got := runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "wide")
	require.Equal(t, Done, got.status, got.stderr)
	flat := strings.Join(strings.Fields(got.stdout), " ")
	assert.Contains(t, flat, "The plan, read back 3.5 × 12.0 mm at 44, the lower right first premolar: apex")
	assert.Contains(t, flat, "the right mandibular canal as drawn")
	assert.NotContains(t, flat, "Not checked")

	edit(t, "wide", `(?s)\[\[structure\]\].*`, "")
	got = runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "wide")
	require.Equal(t, Done, got.status, got.stderr)
	flat = strings.Join(strings.Fields(got.stdout), " ")
	assert.Contains(t, flat, "Not checked the distance of site 44 to a canal: the case gives none on that side")

	require.NoError(t, os.Remove("wide/pre/IM0010.dcm"))
	got = runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "wide")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "nothing was sealed, as the planning scan cannot be read: ")
}
