package trimesh

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
)

// The example of Turk's description of the format (1994): a cube of six quadrangles.
const turksCube = `ply
format ascii 1.0
comment made by anonymous
comment this file is a cube
element vertex 8
property float32 x
property float32 y
property float32 z
element face 6
property list uint8 int32 vertex_index
end_header
0 0 0
0 0 1
0 1 1
0 1 0
1 0 0
1 0 1
1 1 1
1 1 0
4 0 1 2 3
4 7 6 5 4
4 0 4 5 1
4 1 5 6 2
4 2 6 7 3
4 3 7 4 0
`

// The cube of the description of OBJ (Wavefront, Advanced Visualizer manual, appendix B1):
// an edge of 2, quadrangles facing outwards.
const manualsCube = `# cube
v     0.000000     2.000000     2.000000
v     0.000000     0.000000     2.000000
v     2.000000     0.000000     2.000000
v     2.000000     2.000000     2.000000
v     0.000000     2.000000     0.000000
v     0.000000     0.000000     0.000000
v     2.000000     0.000000     0.000000
v     2.000000     2.000000     0.000000
f  1   2   3   4
f  8   7   6   5
f  4   3   7   8
f  5   1   4   8
f  5   6   2   1
f  2   6   7   3
`

func TestPublishedCubes(t *testing.T) {
	for _, x := range []struct {
		text   string
		volume float64
	}{{turksCube, 1}, {strings.ReplaceAll(turksCube, "\n", "\r\n"), 1}, {manualsCube, 8}} {
		m, err := Decode("cube", []byte(x.text))
		require.NoError(t, err)
		require.Len(t, m.Vertices, 8)
		require.Len(t, m.Triangles, 12)
		require.Zero(t, m.OpenEdges())
		require.InDelta(t, x.volume, math.Abs(m.Volume()), 1e-12)
	}
}

// asPLY writes a surface with normals, colours, a list that is nothing of ours and an
// element before the vertices.
func asPLY(order binary.ByteOrder, triangles [][3]geom.Vec) []byte {
	var b bytes.Buffer
	name := "binary_little_endian"
	if order == binary.BigEndian {
		name = "binary_big_endian"
	}
	fmt.Fprintf(&b, "ply\nformat %s 1.0\nobj_info scanned\nelement camera 1\nproperty double focus\nproperty list uchar short lens\n"+
		"element vertex %d\nproperty uchar red\nproperty float x\nproperty float y\nproperty float z\nproperty float nx\n"+
		"element face %d\nproperty float quality\nproperty list uint uint vertex_indices\nend_header\n", name, 3*len(triangles), len(triangles))
	write := func(x any) { binary.Write(&b, order, x) }
	write(3.5)
	write(uint8(2))
	write([2]int16{-4, 5})
	for _, t := range triangles {
		for _, c := range t {
			write(uint8(200))
			write([4]float32{float32(c.X), float32(c.Y), float32(c.Z), 0.5})
		}
	}
	for i := range triangles {
		write(float32(0.25))
		write([4]uint32{3, uint32(3 * i), uint32(3*i + 1), uint32(3*i + 2)})
	}
	return b.Bytes()
}

func asOBJ(triangles [][3]geom.Vec) []byte {
	var b bytes.Buffer
	b.WriteString("# scanned\nmtllib a.mtl\no jaw\n")
	for i, t := range triangles {
		for _, c := range t {
			fmt.Fprintf(&b, "v %v %v %v 0.5 0.5 0.5\n", c.X, c.Y, c.Z)
		}
		if i%2 == 0 {
			b.WriteString("vn 0 0 1\nf -3//1 -2//1 \\\n -1//1\n")
		} else {
			fmt.Fprintf(&b, "f %d/1/1 %d/1/1 %d/1/1\n", 3*i+1, 3*i+2, 3*i+3)
		}
	}
	return b.Bytes()
}

func TestFormatsAgree(t *testing.T) {
	c := cube(0.5, geom.Vec{X: -3, Y: 1.25, Z: 1000})
	want, err := Decode("text.stl", asText("cube", c))
	require.NoError(t, err)
	for name, data := range map[string][]byte{
		"little endian": asPLY(binary.LittleEndian, c),
		"big endian":    asPLY(binary.BigEndian, c),
		"obj":           asOBJ(c),
	} {
		m, err := Decode("c", data)
		require.NoError(t, err, name)
		require.Equal(t, want, m, name)
	}
}

func TestFaultsOfPLYAndOBJ(t *testing.T) {
	ply := func(old, new string) []byte { return []byte(strings.Replace(turksCube, old, new, 1)) }
	whole := asPLY(binary.LittleEndian, cube(1, geom.Vec{}))
	for name, x := range map[string]struct {
		data []byte
		want string
	}{
		"other format":        {ply("ascii", "utf8"), `s: the PLY format "utf8" is not known; export the surface as binary STL`},
		"no header's end":     {ply("end_header", ""), `stands where "element", "property" or "end_header" is expected`},
		"property of nothing": {[]byte("ply\nformat ascii 1.0\nproperty float x\nend_header\n"), `stands where "element" is expected`},
		"odd type":            {ply("float32 z", "complex z"), `"complex" stands where a type of numbers is expected`},
		"count of words":      {ply("vertex 8", "vertex many"), `"many" stands where the number of elements is expected`},
		"two coordinates":     {ply("property float32 z\n", ""), "s: its vertices have no z; export the surface again"},
		"points alone":        {ply("property list uint8 int32 vertex_index", "property int a"), "s: its faces do not list their vertices"},
		"no faces":            {ply("element face 6", "element face 0"), "s: the file has no triangles"},
		"text cut short":      {[]byte(turksCube[:len(turksCube)-8]), `"face" 6 of 6`},
		"binary cut short":    {whole[:len(whole)-1], `in "face" 12 of 12; it is damaged or cut short`},
		"absurd count":        {ply("vertex 8", "vertex 4000000000"), `s: the header counts 4000000000 of "vertex", for which the file is too short`},
		"absurd list":         {ply("4 0 1 2 3", "4000000 0 1 2 3"), "s:20: face 1 lists 4000000 numbers"},
		"vertex that is not":  {ply("4 0 1 2 3", "4 0 1 2 8"), "s:20: triangle 1: it names vertex 8, but the file has 8 up to there"},
		"half a vertex":       {ply("4 0 1 2 3", "4 0 1 2 2.5"), "it names vertex 2.5"},
		"not a number":        {ply("0 0 1", "0 0 nan"), "a coordinate is not a finite number"},
		"decimal comma":       {[]byte("v 0,5 1 2\n"), `s:1: triangle 1: "0,5" stands where a coordinate with a decimal point is expected`},
		"two numbers":         {[]byte("v 0.5 1\nv 1 1 1\n"), `where a coordinate with a decimal point is expected`},
		"vertex of the OBJ":   {[]byte("v 0 0 0\nv 1 0 0\nv 1 1 0\nf 1 2 4\n"), "s:4: triangle 1: it names vertex 4, but the file has 3 up to there"},
		"vertex nought":       {[]byte("v 0 0 0\nv 1 0 0\nv 1 1 0\nf 0 1 2\n"), "it names vertex 0"},
		"before the first":    {[]byte("v 0 0 0\nv 1 0 0\nv 1 1 0\nf -4 -2 -1\n"), "it names vertex -4"},
		"named vertex":        {[]byte("v 0 0 0\nf a b c\n"), `"a" stands where the number of a vertex is expected`},
		"far away":            {[]byte("v 0 0 20000\nv 1 0 0\nv 1 1 0\nf 1 2 3\n"), "the coordinate 2e+04 mm is farther than 10 m from the origin"},
		"no faces of the OBJ": {[]byte("v 0 0 0\nv 1 0 0\nv 1 1 0\n"), "the file has no triangles"},
	} {
		m, err := Decode("s", x.data)
		var fault *Error
		require.ErrorAs(t, err, &fault, name)
		require.ErrorContains(t, err, x.want, name)
		require.Nil(t, m, name)
	}
}

// Against strconv.ParseFloat, which rounds right.
func TestNumbers(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 5))
	words := []string{"0", "-0", "1.", ".5", "-.5", "1e3", "123456789012345", "0.00000000000001", "999999999999999.5", "nan", "+2", "0x1p4", "1_0"}
	for range 20_000 {
		words = append(words, strconv.FormatFloat(200*random.NormFloat64(), 'f', random.IntN(16), 64))
	}
	for _, w := range words {
		want, err := strconv.ParseFloat(w, 64)
		got, ok := number([]byte(w))
		require.Equal(t, err == nil, ok, w)
		require.Equal(t, math.Float64bits(want), math.Float64bits(got), w)
	}
	for _, w := range []string{"", "-", ".", "-.", "1..2", "1,5", "--1", "v"} {
		_, ok := number([]byte(w))
		require.False(t, ok, w)
	}
}

func BenchmarkFormatsOfAMillionTriangles(b *testing.B) {
	var all [][3]geom.Vec
	for i := range 1_000_000 / 12 {
		all = append(all, cube(1, geom.Vec{X: float64(i % 300), Y: float64(i / 300)})...)
	}
	var indexed bytes.Buffer // as scanners write it, each vertex once
	m, err := Decode("b", asBinary("", all))
	require.NoError(b, err)
	for _, v := range m.Vertices {
		fmt.Fprintf(&indexed, "v %.5f %.5f %.5f\n", v.X, v.Y, v.Z)
	}
	for _, t := range m.Triangles {
		fmt.Fprintf(&indexed, "f %d %d %d\n", t[0]+1, t[1]+1, t[2]+1)
	}
	for name, data := range map[string][]byte{
		"ply": asPLY(binary.LittleEndian, all), "obj": indexed.Bytes(), "stl text": asText("", all),
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				_, err := Decode("b", data)
				require.NoError(b, err)
			}
		})
	}
}
