package cli

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

// makePair makes, once, a small case with two fixtures side by side.
var makePair = sync.OnceValue(func() outcome {
	return run("phantom", "--seed", "1", "--class", "neighbour", "--voxel", "0.4", "--field", "32", filepath.Join(phantomHome, "pair"))
})

// pair copies that case to the folder pair, its true transform given.
func pair(t *testing.T) {
	t.Helper()
	require.Equal(t, Done, makePair().status, makePair().stderr)
	require.NoError(t, os.CopyFS("pair", os.DirFS(filepath.Join(phantomHome, "pair"))))
	require.NoError(t, os.Rename("pair/case-matrix.toml", "pair/case.toml"))
}

// align writes other lines of [alignment].
func align(t *testing.T, lines string) {
	t.Helper()
	edit(t, "pair", `(?s)\[alignment\].*`, "[alignment]\n"+lines+"\n")
}

func matrixLines(m geom.Rigid) string {
	var numbers []string
	for _, x := range m.Matrix() {
		numbers = append(numbers, fmt.Sprintf("%.9f", x))
	}
	return "method = \"matrix\"\nmatrix = [" + strings.Join(numbers, ", ") + "]"
}

// offAtFixture is the true transform, off by a shift, mm, and a turn, degrees, about
// the first fixture's platform.
func offAtFixture(c *casefile.Case, shift, turn geom.Vec) geom.Rigid {
	at := c.Fixtures[0].Planned.Entry
	off := geom.Rotation(r3.Scale(geom.Radians(1), turn))
	off.T = r3.Add(shift, r3.Sub(at, off.Rotate(at)))
	return off.After(*c.Alignment.PostToPre)
}

// saidOfPair makes a mistake in the case of two fixtures; change says what to write.
func saidOfPair(what string, change func(t *testing.T, c *casefile.Case), codes ...string) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		pair(t)
		c, err := casefile.Read("pair")
		require.NoError(t, err)
		change(t, c)
		says, status := flagsSaid(t, "pair", codes...)
		if len(says) == 0 {
			says = []string{"no flag about it"}
		}
		return says, status
	}}
}

var aboutAlignment = []string{"alignment-disagrees", "alignment-differs", "alignment-taken-as-exact", "alignment-not-checked", "alignment-barely-checked", "scans-mirrored"}

func wrongMatrix(what string, shift, turn geom.Vec) mistake {
	return saidOfPair(what, func(t *testing.T, c *casefile.Case) { align(t, matrixLines(offAtFixture(c, shift, turn))) }, aboutAlignment...)
}

// wrongObject is wrongMatrix with the transform in a DICOM registration object.
func wrongObject(what string, shift geom.Vec) mistake {
	return saidOfPair(what, func(t *testing.T, c *casefile.Case) {
		frame := func(path string) string {
			s, err := scan.Open(path, scan.Options{})
			require.NoError(t, err)
			return s.FrameOfReferenceUID
		}
		set := func(values map[tag.Tag]any) (d element.Dataset) {
			d = element.Dataset{}
			for k, v := range values {
				d.Set(k, v)
			}
			return d
		}
		m := offAtFixture(c, shift, geom.Vec{}).Matrix()
		data, err := element.Encode(uid.ExplicitVRLittleEndian, set(map[tag.Tag]any{
			tag.SOPClassUID: "1.2.840.10008.5.1.4.1.1.66.1", tag.SOPInstanceUID: "1.2.3", tag.FrameOfReferenceUID: frame(c.Pre),
			tag.RegistrationSequence: []element.Dataset{set(map[tag.Tag]any{
				tag.FrameOfReferenceUID: frame(c.Post),
				tag.MatrixRegistrationSequence: []element.Dataset{set(map[tag.Tag]any{
					tag.MatrixSequence: []element.Dataset{set(map[tag.Tag]any{
						tag.FrameOfReferenceTransformationMatrix: element.FormatDecimals(m[:]...), tag.FrameOfReferenceTransformationMatrixType: "RIGID",
					})},
				})},
			})},
		}))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile("pair/registration.dcm", data, 0o600))
		align(t, "method = \"matrix\"\nfile = \"registration.dcm\"")
	}, aboutAlignment...)
}

// rewritten writes a scan of the pair anew.
func rewritten(t *testing.T, name string, change func(*volume.Volume), o encode.Options) {
	t.Helper()
	dir := filepath.Join("pair", name)
	s, err := scan.Open(dir, scan.Options{})
	require.NoError(t, err)
	v := s.Volume
	change(&v)
	require.NoError(t, os.RemoveAll(dir))
	require.NoError(t, encode.Volume(dir, &v, o))
}

// sameFrame writes the follow-up scan where the patient's frame puts it, moved by a
// shift.
func sameFrame(shift geom.Vec) func(t *testing.T, c *casefile.Case) {
	return func(t *testing.T, c *casefile.Case) {
		m := *c.Alignment.PostToPre
		m.T = r3.Add(m.T, shift)
		rewritten(t, "pre", func(*volume.Volume) {}, encode.Options{FrameOfReferenceUID: "2.25.7"})
		rewritten(t, "post", func(v *volume.Volume) {
			v.Origin = m.Apply(v.Origin)
			for a := range v.Step {
				v.Step[a] = m.Rotate(v.Step[a])
			}
		}, encode.Options{FrameOfReferenceUID: "2.25.7"})
		align(t, `method = "same-frame"`)
	}
}

// landmarks gives four points near the fixtures, in the follow-up scan all off by a
// shift.
func landmarks(shift geom.Vec) func(t *testing.T, c *casefile.Case) {
	return func(t *testing.T, c *casefile.Case) {
		back := c.Alignment.PostToPre.Inverse()
		var pairs []string
		for _, d := range []geom.Vec{{}, {X: 9}, {Y: 9}, {Z: -8}} {
			p := r3.Add(c.Fixtures[0].Planned.Entry, d)
			q := r3.Add(back.Apply(p), shift)
			pairs = append(pairs, fmt.Sprintf("{pre = [%.2f, %.2f, %.2f], post = [%.2f, %.2f, %.2f]}", p.X, p.Y, p.Z, q.X, q.Y, q.Z))
		}
		align(t, "method = \"landmarks\"\nlandmarks = ["+strings.Join(pairs, ", ")+"]")
	}
}

// mirrorCase turns a whole case into its mirror image from left to right: both scans,
// the plan and the transform, as where a viewer loads the slices mirrored and the plan
// is made there.
func mirrorCase(t *testing.T, c *casefile.Case) {
	for _, name := range []string{"pre", "post"} {
		rewritten(t, name, func(v *volume.Volume) {
			v.Origin.X = -(v.Origin.X + float64(v.Size[0]-1)*v.Step[0].X)
			stored := make([]uint16, len(v.Stored))
			for i, s := range v.Stored {
				at := i % v.Size[0]
				stored[i-at+v.Size[0]-1-at] = s
			}
			v.Stored = stored
		}, encode.Options{})
	}
	edit(t, "pair", `(?s)\[\[structure\]\].*\[alignment\]`, "[alignment]")
	edit(t, "pair", `(?m)^mesial .*\n`, "")
	text, err := os.ReadFile("pair/case.toml")
	require.NoError(t, err)
	swapped := regexp.MustCompile(`(?m)^((?:entry|apex) +=) \[(-?)`).ReplaceAllStringFunc(string(text), func(s string) string {
		if positive, negative := strings.CutSuffix(s, "-"); negative {
			return positive
		}
		return s + "-"
	})
	require.NoError(t, os.WriteFile("pair/case.toml", []byte(swapped), 0o600))
	m := *c.Alignment.PostToPre
	for i := range 3 {
		for j := range 3 {
			if (i == 0) != (j == 0) {
				m.R[i][j] = -m.R[i][j]
			}
		}
	}
	m.T.X = -m.T.X
	align(t, matrixLines(m))
}

// stretchCase writes both scans with voxels that are larger than the machine's by a
// factor, and a plan that was made on them: with fixtures of their catalogue's size.
func stretchCase(by float64) func(t *testing.T, c *casefile.Case) {
	return func(t *testing.T, c *casefile.Case) {
		for _, name := range []string{"pre", "post"} {
			rewritten(t, name, func(v *volume.Volume) {
				v.Origin = r3.Scale(by, v.Origin)
				for a := range v.Step {
					v.Step[a] = r3.Scale(by, v.Step[a])
				}
			}, encode.Options{})
		}
		edit(t, "pair", `(?s)\[\[structure\]\].*\[alignment\]`, "[alignment]")
		for i, f := range c.Fixtures {
			entry := r3.Scale(by, f.Planned.Entry)
			apex := r3.Add(entry, r3.Scale(f.Length, f.Planned.Axis()))
			edit(t, "pair", fmt.Sprintf(`(site +)= "%s"\nentry .*\napex .*`, f.Site),
				fmt.Sprintf("${1}= \"%s\"\nentry = [%.4f, %.4f, %.4f]\napex = [%.4f, %.4f, %.4f]", c.Fixtures[i].Site, entry.X, entry.Y, entry.Z, apex.X, apex.Y, apex.Z))
		}
		m := *c.Alignment.PostToPre
		m.T = r3.Scale(by, m.T)
		align(t, matrixLines(m))
	}
}

var alignmentMistakes = []mistake{
	wrongMatrix("none: the true transform as a matrix", geom.Vec{}, geom.Vec{}),
	wrongMatrix("a matrix that is off by 0.3 mm at the fixture", geom.Vec{Y: 0.3}, geom.Vec{}),
	wrongMatrix("a matrix that is off by 1 mm", geom.Vec{X: 0.6, Y: 0.8}, geom.Vec{}),
	wrongMatrix("a matrix with one figure mistyped, off by 2 mm", geom.Vec{Z: 2}, geom.Vec{}),
	wrongMatrix("a matrix that is off by 3°", geom.Vec{}, geom.Vec{X: 3}),
	wrongMatrix("a matrix that is off by 3 mm and 10°", geom.Vec{Z: 3}, geom.Vec{Y: 10}),
	wrongObject("none: the true transform as a DICOM registration object", geom.Vec{}),
	wrongObject("a DICOM registration object that is off by 2 mm", geom.Vec{Y: 2}),
	saidOfPair("none: scans in one frame", sameFrame(geom.Vec{}), aboutAlignment...),
	saidOfPair("scans in one frame, and a patient who moved by 2.5 mm", sameFrame(geom.Vec{X: 1.5, Y: 2}), aboutAlignment...),
	saidOfPair("none: landmarks to a hundredth", landmarks(geom.Vec{}), aboutAlignment...),
	saidOfPair("landmarks that are all off by 2 mm the same way", landmarks(geom.Vec{Y: 2}), aboutAlignment...),
	saidOfPair("both scans mirrored left to right, the plan made on them", mirrorCase, aboutAlignment...),
	saidOfPair("both scans with voxels 12 % too large, the plan made on them", stretchCase(1.12), append(aboutAlignment, "fixtures-off-scale", "length-mismatch", "diameter-mismatch", "scale-mismatch")...),
}

// rename changes the sites of the pair.
func rename(first, second int) func(t *testing.T, c *casefile.Case) {
	return func(t *testing.T, c *casefile.Case) {
		for i, by := range []int{first, second} {
			edit(t, "pair", fmt.Sprintf(`site( +)= "%v"`, c.Fixtures[i].Site), fmt.Sprintf(`site$1= "new %d"`, int(c.Fixtures[i].Site)+by))
		}
		edit(t, "pair", `"new `, `"`)
	}
}

var siteMistakes = []mistake{
	saidOfPair("none: both sites with their own numbers", func(*testing.T, *casefile.Case) {}, "sites-out-of-order", "site-at-other-tooth", "mesial-contradicted"),
	saidOfPair("the numbers of two neighbours exchanged", func(t *testing.T, c *casefile.Case) {
		by := int(c.Fixtures[1].Site - c.Fixtures[0].Site)
		rename(by, -by)(t, c)
	}, "sites-out-of-order", "site-at-other-tooth", "mesial-contradicted"),
	saidOfPair("both sites one tooth farther back, no tooth beside them numbered", rename(1, 1), "sites-out-of-order", "site-at-other-tooth", "mesial-contradicted", "side-not-checked"),
	renamed("none: a site with its own number, beside roots that have theirs", "16"),
	renamed("a site with the number of the tooth before it", "15"),
	renamed("a site with the number of the tooth behind it", "17"),
}

// renamed is the case in the upper jaw with another number for its site.
func renamed(what, site string) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		upper(t)
		edit(t, "upper", `site( +)= "16"`, `site$1= "new `+site+`"`)
		edit(t, "upper", `"new `, `"`)
		says, status := flagsSaid(t, "upper", "sites-out-of-order", "site-at-other-tooth", "mesial-contradicted")
		if len(says) == 0 {
			says = []string{"no flag about it"}
		}
		return says, status
	}}
}
