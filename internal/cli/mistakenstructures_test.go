package cli

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// makeUpper makes, once, a small case in the upper jaw whose fixture at 16 reaches
// into the right sinus.
var makeUpper = sync.OnceValue(func() outcome {
	return run("phantom", "--seed", "2", "--class", "easy", "--voxel", "0.5", "--field", "26", filepath.Join(phantomHome, "upper"))
})

const sinusFile = "right-maxillary-sinus.stl"

// upper copies that case to the folder upper, its alignment given.
func upper(t *testing.T) {
	t.Helper()
	require.Equal(t, Done, makeUpper().status, makeUpper().stderr)
	from := filepath.Join(phantomHome, "upper")
	require.NoError(t, os.CopyFS("upper", os.DirFS(from)))
	require.NoError(t, os.Rename("upper/case-matrix.toml", "upper/case.toml"))
}

// reshape rewrites the right sinus.
func reshape(t *testing.T, to func(geom.Vec) geom.Vec, keep func(middle geom.Vec) bool) {
	t.Helper()
	reshapeFile(t, filepath.Join("upper", sinusFile), to, keep)
}

// reshapeFile rewrites a surface; to gives a corner's new place, keep whether a
// triangle stays (nil: all do).
func reshapeFile(t *testing.T, path string, to func(geom.Vec) geom.Vec, keep func(middle geom.Vec) bool) {
	t.Helper()
	m, err := trimesh.Read(path)
	require.NoError(t, err)
	out := make([]byte, 84)
	n := uint32(0)
	for i := range m.Triangles {
		a, b, c := m.Corners(i)
		if keep != nil && !keep(r3.Scale(1.0/3, r3.Add(a, r3.Add(b, c)))) {
			continue
		}
		n++
		out = append(out, make([]byte, 12)...)
		for _, v := range []geom.Vec{a, b, c} {
			v = to(v)
			for _, x := range []float64{v.X, v.Y, v.Z} {
				out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(x)))
			}
		}
		out = append(out, 0, 0)
	}
	binary.LittleEndian.PutUint32(out[80:], n)
	require.NoError(t, os.WriteFile(path, out, 0o600))
}

func same(v geom.Vec) geom.Vec { return v }

// times is a reshaping that multiplies the coordinates.
func times(x, y, z float64) func(geom.Vec) geom.Vec {
	return func(v geom.Vec) geom.Vec { return geom.Vec{X: x * v.X, Y: y * v.Y, Z: z * v.Z} }
}

// misshapen is the mistake of a sinus that was exported so.
func misshapen(what string, to func(geom.Vec) geom.Vec, keep func(geom.Vec) bool) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		upper(t)
		reshape(t, to, keep)
		return flagsSaid(t, "upper", "structure-misplaced", "surface-open", "penetration")
	}}
}

// misdrawn is the mistake of a case file's structures that say so.
func misdrawn(what, pattern, with string) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		upper(t)
		edit(t, "upper", pattern, with)
		says, status := flagsSaid(t, "upper", "structure-misplaced")
		if len(says) == 0 {
			says = []string{"no flag about it"}
		}
		return says, status
	}}
}

const rootPath = `(name   = "root 15.1"\nkind   = "root"\n)path .*`

var structureMistakes = []mistake{
	misshapen("none: the sinus as it was exported, the fixture in it", same, nil),
	misshapen("a surface in metres", times(0.001, 0.001, 0.001), nil),
	misshapen("a surface in centimetres", times(0.1, 0.1, 0.1), nil),
	misshapen("a surface in micrometres", times(1000, 1000, 1000), nil),
	misshapen("a surface mirrored left to right", times(-1, 1, 1), nil),
	misshapen("a surface in RAS where the case is in LPS", times(-1, -1, 1), nil),
	misshapen("a surface mirrored front to back", times(1, -1, 1), nil),
	misshapen("a surface upside down", times(1, 1, -1), nil),
	misshapen("a surface of a scan that lies 500 mm away", func(v geom.Vec) geom.Vec { v.X += 500; return v }, nil),
	misshapen("a surface with a hole where the fixture enters", same, func(p geom.Vec) bool {
		return r3.Norm(r3.Sub(p, sinusFloor)) > 3
	}),
	misshapen("a surface that lacks its lower half", same, func(p geom.Vec) bool { return p.Z > sinusFloor.Z+14 }),
	{"a surface of more triangles than are read", func(t *testing.T) ([]string, int) {
		upper(t)
		header := make([]byte, 84)
		binary.LittleEndian.PutUint32(header[80:], 2_000_001)
		require.NoError(t, os.WriteFile(filepath.Join("upper", sinusFile), header, 0o600))
		return flagsSaid(t, "upper")
	}},
	{"a folder in place of a surface", func(t *testing.T) ([]string, int) {
		upper(t)
		require.NoError(t, os.Remove(filepath.Join("upper", sinusFile)))
		require.NoError(t, os.Mkdir(filepath.Join("upper", sinusFile), 0o700))
		return flagsSaid(t, "upper")
	}},
	misshapen("a surface that lies 3 mm off", func(v geom.Vec) geom.Vec { return r3.Add(v, geom.Vec{X: 2, Y: 2, Z: 1}) }, nil),
	misdrawn("none: roots as they stand, one under another name", `"root 15.1"`, `"root 15.2"`),
	misdrawn("a root's centre line 2 mm off", rootPath, "${1}path = [[-21.85, 10.504, 1.011], [-22.484, 12.108, 13.606]]"),
	misdrawn("a root's centre line where no root is", rootPath, "${1}path = [[-15, 15, 1.011], [-15, 16, 13.606]]"),
	misdrawn("a root's centre line in centimetres", rootPath, "${1}path = [[-2.385, 1.05, 0.101], [-2.448, 1.211, 1.361]]"),
	misdrawn("a root's centre line in metres", rootPath, "${1}path = [[-0.02385, 0.0105, 0.00101], [-0.02448, 0.01211, 0.01361]]"),
	misdrawn("a root's centre line far outside the scan", rootPath, "${1}path = [[-220, -3, 5], [-220, -3, 19]]"),
	misdrawn("a structure that is named for the other side", `name    = "right maxillary sinus"`, `name    = "the left sinus of this patient"`),
	misdrawn("a root that is named for a tooth of the other side", `name   = "root 15.1"`, `name   = "root 25.1"`),
}

// sinusFloor is a point of the right sinus' lowest part in that case, where the
// fixture enters it.
var sinusFloor = geom.Vec{X: -24.2, Y: 20.1, Z: 13}

// resealed is the mistake of changing what a sealed plan rests on.
func resealed(what string, change func(t *testing.T)) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		upper(t)
		got := runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "upper")
		require.Equal(t, Done, got.status, got.stderr)
		require.NotContains(t, got.stdout, "does not cover")
		change(t)
		got = run("measure", "--series", "s.jsonl", "upper")
		var says []string
		for _, line := range strings.Split(got.stdout, "\n") {
			if stateLine.MatchString(line) {
				says = append(says, strings.TrimSpace(line))
			}
		}
		return says, got.status
	}}
}

// stateLine is a line about what a seal is worth.
var stateLine = regexp.MustCompile(`^Its plan was|^  (plan-changed|plan-unknown|case-file-edited|seal-partial): `)

var sealMistakes = []mistake{
	resealed("none: measured as sealed", func(t *testing.T) {}),
	resealed("a surface exchanged after the seal", func(t *testing.T) {
		reshape(t, func(v geom.Vec) geom.Vec { v.Z += 3; return v }, nil)
	}),
	resealed("a margin changed after the seal", func(t *testing.T) {
		edit(t, "upper", `(name   = "root 15.1")`, "$1\nmargin = 0.5")
	}),
	resealed("a centre line moved after the seal", func(t *testing.T) {
		edit(t, "upper", `(name   = "root 15.1"\nkind   = "root"\npath   = \[\[)-2\d`, "${1}-19")
	}),
	resealed("a structure taken out after the seal", func(t *testing.T) {
		edit(t, "upper", `(?s)\[\[structure\]\]\nname   = "root 15.1".*?\n\n`, "")
	}),
	resealed("the planning scan exchanged after the seal", func(t *testing.T) {
		one := filepath.Join("upper", "pre", "IM0010.dcm")
		data, err := os.ReadFile(one)
		require.NoError(t, err)
		data[len(data)-100]++
		require.NoError(t, os.WriteFile(one, data, 0o600))
	}),
	{"sealed before the scan and the surface were there", func(t *testing.T) ([]string, int) {
		upper(t)
		require.NoError(t, os.Rename("upper/pre", "pre"))
		require.NoError(t, os.Rename(filepath.Join("upper", sinusFile), sinusFile))
		got := runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "upper")
		return strings.Split(got.stdout, "\n")[1:2], got.status
	}},
}
