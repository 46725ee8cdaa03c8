package trimesh

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
)

// cube has the corners of a cube and its twelve triangles, facing outwards.
func cube(edge float64, at geom.Vec) [][3]geom.Vec {
	v := func(i int) geom.Vec {
		return geom.Vec{X: at.X + edge*float64(i&1), Y: at.Y + edge*float64(i>>1&1), Z: at.Z + edge*float64(i>>2&1)}
	}
	var out [][3]geom.Vec
	for _, q := range [][4]int{{0, 2, 3, 1}, {4, 5, 7, 6}, {0, 1, 5, 4}, {2, 6, 7, 3}, {0, 4, 6, 2}, {1, 3, 7, 5}} {
		out = append(out, [3]geom.Vec{v(q[0]), v(q[1]), v(q[2])}, [3]geom.Vec{v(q[0]), v(q[2]), v(q[3])})
	}
	return out
}

func asBinary(header string, triangles [][3]geom.Vec) []byte {
	var b bytes.Buffer
	b.WriteString(header + strings.Repeat(" ", 80-len(header)))
	binary.Write(&b, binary.LittleEndian, uint32(len(triangles)))
	for _, t := range triangles {
		b.Write(make([]byte, 12))
		for _, c := range t {
			binary.Write(&b, binary.LittleEndian, [3]float32{float32(c.X), float32(c.Y), float32(c.Z)})
		}
		b.Write([]byte{0, 0})
	}
	return b.Bytes()
}

func asText(name string, triangles [][3]geom.Vec) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "solid %s\n", name)
	for _, t := range triangles {
		b.WriteString("facet normal 0 0 0\nouter loop\n")
		for _, c := range t {
			fmt.Fprintf(&b, "vertex %v %v %v\n", c.X, c.Y, c.Z)
		}
		b.WriteString("endloop\nendfacet\n")
	}
	fmt.Fprintf(&b, "endsolid %s\n", name)
	return b.Bytes()
}

// A tetrahedron written by hand, with the licences that writers take: mixed
// case, names of several words, tabs, Windows line ends, exponents. Its volume
// is 2·3·4/6 by hand.
const tetrahedron = "SOLID a facet of bone\r\n" +
	"\tFacet Normal 0 0 -1\r\n\touter loop\r\n\tvertex 0 0 0\r\n\tvertex 0 3 -0\r\n\tvertex 2 0 0\r\n\tendloop\r\n\tendfacet\r\n" +
	"facet normal 0 -1 0 outer loop vertex 0 0 0 vertex 2 0 0 vertex 0 0 4e0 endloop endfacet\r\n" +
	"facet normal nan nan nan outer loop vertex 0 0 0 vertex 0.0 0.0 4.0 vertex 0 30e-1 0 endloop endfacet\r\n" +
	"facet normal 1 1 1 outer loop vertex +2 0 0 vertex 0 3 0 vertex 0 0 4 endloop endfacet\r\n" +
	"endSolid a facet of bone"

func TestHandWrittenTetrahedron(t *testing.T) {
	m, err := Decode("t.stl", []byte(tetrahedron))
	require.NoError(t, err)
	require.Len(t, m.Triangles, 4)
	require.Equal(t, []geom.Vec{{}, {Y: 3}, {X: 2}, {Z: 4}}, m.Vertices)
	require.InDelta(t, 4, m.Volume(), 1e-12)
	require.Zero(t, m.OpenEdges())
}

// Volume and counts as Qhull states them; testdata/hull.py made both files.
func TestAgainstQhull(t *testing.T) {
	m, err := Read(filepath.Join("testdata", "hull.stl"))
	require.NoError(t, err)
	table, err := os.ReadFile(filepath.Join("testdata", "hull.csv"))
	require.NoError(t, err)
	lines := strings.Split(strings.TrimSpace(string(table)), "\n")
	var triangles, vertices int
	var volume float64
	_, err = fmt.Sscanf(lines[len(lines)-1], "%d,%d,%f", &triangles, &vertices, &volume)
	require.NoError(t, err)
	require.Len(t, m.Triangles, triangles)
	require.Len(t, m.Vertices, vertices)
	require.InEpsilon(t, volume, m.Volume(), 1e-11)
	require.Zero(t, m.OpenEdges())
}

func TestBinaryAndTextAgree(t *testing.T) {
	c := cube(0.5, geom.Vec{X: -3, Y: 1.25, Z: 1000})
	text, err := Decode("text.stl", asText("cube", c))
	require.NoError(t, err)
	for _, header := range []string{"made by nobody", "solid cube"} {
		m, err := Decode("binary.stl", asBinary(header, c))
		require.NoError(t, err)
		require.Equal(t, text, m, "header %q", header)
	}
	require.Len(t, text.Vertices, 8)
	require.InDelta(t, 0.125, text.Volume(), 1e-12)
	require.Zero(t, text.OpenEdges())
}

func TestSeveralSolids(t *testing.T) {
	one := asText("one", cube(1, geom.Vec{}))
	m, err := Decode("two.stl", append(one, asText("", cube(1, geom.Vec{X: 5}))...))
	require.NoError(t, err)
	require.InDelta(t, 2, m.Volume(), 1e-12)
	require.Zero(t, m.OpenEdges())
}

func TestSurfacesThatAreNotClosed(t *testing.T) {
	c := cube(1, geom.Vec{})
	read := func(c [][3]geom.Vec) *Mesh {
		m, err := Decode("c.stl", asText("c", c))
		require.NoError(t, err)
		return m
	}
	require.Positive(t, read(c[1:]).OpenEdges(), "a triangle is missing")
	require.Positive(t, read(append(c, c[0])).OpenEdges(), "a triangle is there twice")
	flipped := append([][3]geom.Vec{{c[0][0], c[0][2], c[0][1]}}, c[1:]...)
	require.Positive(t, read(flipped).OpenEdges(), "a triangle faces the other way")

	inside := make([][3]geom.Vec, len(c))
	for i, x := range c {
		inside[i] = [3]geom.Vec{x[0], x[2], x[1]}
	}
	require.Zero(t, read(inside).OpenEdges())
	require.InDelta(t, -1, read(inside).Volume(), 1e-12, "inside out")
}

func TestTrianglesWithoutAnArea(t *testing.T) {
	c := append(cube(1, geom.Vec{}), [3]geom.Vec{{}, {}, {X: 1}})
	m, err := Decode("c.stl", asBinary("", c))
	require.NoError(t, err)
	require.Equal(t, 1, m.Dropped)
	require.Len(t, m.Triangles, 12)
	require.Zero(t, m.OpenEdges())
}

func TestFaults(t *testing.T) {
	c := cube(1, geom.Vec{})
	with := func(x float64) [][3]geom.Vec {
		d := cube(1, geom.Vec{})
		d[4][1].Y = x
		return d
	}
	header := func(n uint32) []byte {
		b := asBinary("made by nobody", c)
		binary.LittleEndian.PutUint32(b[80:], n)
		return b
	}
	for name, x := range map[string]struct {
		data []byte
		want string
	}{
		"nothing":         {nil, `s.stl: this is no surface: it begins neither as STL nor as PLY or OBJ does; export the surface as STL`},
		"other text":      {[]byte("{}"), `s.stl: this is no surface`},
		"empty solid":     {[]byte("solid Empty\nendsolid Empty"), "s.stl: the file has no triangles; export the surface again"},
		"empty binary":    {header(0)[:84], "s.stl: the file has no triangles; export the surface again"},
		"cut short":       {header(12)[:500], "s.stl: the file has 500 bytes, but the 12 triangles that its header counts take 684; it is damaged or cut short, so export or copy it again"},
		"bytes to spare":  {append(header(12), 0), "s.stl: the file has 685 bytes, but the 12 triangles that its header counts take 684; it is damaged or cut short, so export or copy it again"},
		"absurd count":    {header(math.MaxUint32), "s.stl: the header counts 4294967295 triangles, more than 2000000; the file is damaged, or export it with fewer"},
		"not a number":    {asBinary("", with(math.NaN())), "s.stl: triangle 5: a coordinate is not a finite number"},
		"infinite":        {asText("", with(math.Inf(1))), "s.stl:36: triangle 5: a coordinate is not a finite number"},
		"micrometres":     {asBinary("", with(-20000)), "s.stl: triangle 5: the coordinate 2e+04 mm is farther than 10 m from the origin; export the surface in mm"},
		"decimal comma":   {[]byte(strings.Replace(tetrahedron, "4.0", "4,0", 1)), `s.stl:10: triangle 3: "4,0" stands where a coordinate with a decimal point is expected; export the surface again`},
		"text cut short":  {[]byte(tetrahedron[:57]), `s.stl:3: triangle 1: the file ends where "vertex" is expected; it is cut short, so export or copy it again`},
		"no end":          {[]byte("solid x\n"), `s.stl:2: triangle 1: the file ends where "facet" or "endsolid" is expected; it is cut short, so export or copy it again`},
		"four corners":    {[]byte("solid x\nfacet normal 0 0 1\nouter loop vertex 0 0 0 vertex 1 0 0 vertex 1 1 0 vertex 0 1 0 endloop"), `s.stl:3: triangle 1: "vertex" stands where "endloop" is expected; export the surface again`},
		"more than solid": {[]byte("solid x\nendsolid\nmesh"), `s.stl:3: triangle 1: "mesh" stands where "solid" or the end of the file is expected; export the surface again`},
	} {
		_, err := Decode("s.stl", x.data)
		var fault *Error
		require.ErrorAs(t, err, &fault, name)
		require.ErrorContains(t, err, x.want, name)
	}
	_, err := Read(filepath.Join(t.TempDir(), "none.stl"))
	require.ErrorContains(t, err, "none.stl: there is no such file")
}

func TestFileThatIsTooLarge(t *testing.T) {
	path := filepath.Join(t.TempDir(), "large.stl")
	require.NoError(t, os.WriteFile(path, asText("", cube(1, geom.Vec{})), 0o600))
	require.NoError(t, os.Truncate(path, maxFileSize+1)) // sparse
	_, err := Read(path)
	require.ErrorContains(t, err, "the file is larger than 256 MiB")
}

func FuzzDecode(f *testing.F) {
	c := cube(1, geom.Vec{})
	f.Add([]byte(tetrahedron))
	f.Add(asBinary("solid", c))
	f.Add(asBinary("", c[:3]))
	f.Add(asText("x", c[:2]))
	f.Add([]byte("solid\nendsolid"))
	f.Add([]byte(turksCube))
	f.Add([]byte(manualsCube))
	f.Add(asPLY(binary.LittleEndian, c[:2]))
	f.Add(asPLY(binary.BigEndian, c[:2]))
	f.Add(asOBJ(c[:3]))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := Decode("f.stl", data)
		if err != nil {
			var fault *Error
			require.ErrorAs(t, err, &fault)
			require.Nil(t, m)
			return
		}
		for _, v := range m.Vertices {
			require.True(t, geom.Finite(v))
		}
		for _, x := range m.Triangles {
			require.Less(t, int(max(x[0], x[1], x[2])), len(m.Vertices))
			require.False(t, x[0] == x[1] || x[1] == x[2] || x[2] == x[0])
		}
		require.False(t, math.IsNaN(m.Volume()))
		require.GreaterOrEqual(t, m.OpenEdges(), 0)
	})
}

// A large file that is read in pieces gives what reading it from its start gives, wherever a
// piece begins, and a fault in a later piece has its line.
func TestPiecesOfALargeFile(t *testing.T) {
	was := runtime.GOMAXPROCS(3)
	defer runtime.GOMAXPROCS(was)
	var all [][3]geom.Vec
	for i := range 6000 { // cubes in a row share corners, also from one piece to the next
		all = append(all, cube(1, geom.Vec{X: float64(i % 100), Y: float64(i / 100)})...)
	}
	all[50_000][1] = all[50_000][0]
	text, binary := asText("facet of", all), asBinary("", all)
	require.Greater(t, pieces(len(text)), 2)
	require.Greater(t, pieces(len(binary)), 2)
	want, err := Of(all)
	require.NoError(t, err)
	require.Equal(t, 1, want.Dropped)
	name, facets, _ := bytes.Cut(text, []byte("\n"))
	inOneLine := slices.Concat(name, []byte("\n"), bytes.ReplaceAll(facets, []byte("\n"), []byte(" ")))
	for _, data := range [][]byte{text, binary, bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n\t")), inOneLine, append(slices.Clone(text), text...)} {
		got, err := Decode("large", data)
		require.NoError(t, err)
		require.Equal(t, want.Vertices, got.Vertices)
		require.Equal(t, want.Triangles, got.Triangles[:len(want.Triangles)])
		require.Equal(t, want.Dropped*len(got.Triangles)/len(want.Triangles), got.Dropped)
	}
	lines := bytes.Split(text, []byte("\n"))
	lines[400_000] = []byte("vertex 1 2 nan")
	lines[400_001] = []byte("vertex 1 2")
	_, err = Decode("large", bytes.Join(lines, []byte("\n")))
	var fault *Error
	require.ErrorAs(t, err, &fault)
	require.Equal(t, 400_001, fault.Line)
	lines = bytes.Split(text, []byte("\n"))
	lines[300_000] = []byte("endsolid")
	_, err = Decode("large", bytes.Join(lines, []byte("\n")))
	require.ErrorAs(t, err, &fault)
	require.Equal(t, 300_002, fault.Line, "what follows is in no solid")
}

func BenchmarkDecodeAMillionTriangles(b *testing.B) {
	var all [][3]geom.Vec
	for i := range 1_000_000 / 12 {
		all = append(all, cube(1, geom.Vec{X: float64(i % 300), Y: float64(i / 300)})...)
	}
	data := asBinary("", all)
	for b.Loop() {
		m, err := Decode("b.stl", data)
		require.NoError(b, err)
		m.Edges()
	}
}
