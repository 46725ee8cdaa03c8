// Package trimesh reads triangle surfaces from files: STL, binary or ASCII; PLY, ASCII
// or binary of either byte order; and OBJ.
//
// Conventions: coordinates are mm in whatever frame the file's writer used; none of
// the formats says its unit or frame. Corners that agree to the last digit are one
// vertex. Several solids or objects in one file make one surface; a polygon is the
// triangles of its first corner with each side. The content tells the format, not the
// file's name. Start with Read.
//
// Limits: stored normals, colours and textures are ignored; a triangle's front is given
// by the order of its corners.
package trimesh

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"runtime"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/regularfile"
)

const (
	// maxFileSize bounds the memory that reading takes. It holds some four
	// million binary or a million ASCII triangles.
	maxFileSize = 256 << 20
	// maxTriangles is ten times what a jaw's surface has at 0.2 mm voxels.
	maxTriangles = 2_000_000
	// maxVertices is that of triangles none of which share a corner.
	maxVertices = 3 * maxTriangles
	// maxCoordinate is the largest coordinate that is taken for mm: patient
	// coordinates stay within a scanner's room.
	maxCoordinate = 1e4
)

// Mesh is a triangle surface. Triangles have three different vertices each, by
// their place in Vertices, counterclockwise seen from outside.
type Mesh struct {
	Vertices  []geom.Vec
	Triangles [][3]int32
	Dropped   int // triangles of the file with two corners in one place
}

// Error is a fault in a surface file.
type Error struct {
	File     string
	Line     int // of a text file, from 1; 0 where it has none
	Triangle int // from 1; 0 where the fault is not in a triangle
	Message  string
}

func (e *Error) Error() string {
	at := e.File
	if e.Line > 0 {
		at += fmt.Sprintf(":%d", e.Line)
	}
	if e.Triangle > 0 {
		at += fmt.Sprintf(": triangle %d", e.Triangle)
	}
	return strings.TrimPrefix(at+": ", ": ") + e.Message
}

// Read reads a surface from a file.
//
// Errors: *Error for what is wrong with the file; else what the file system
// said.
func Read(path string) (*Mesh, error) {
	f, err := regularfile.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &Error{File: path, Message: "there is no such file"}
	}
	if err != nil {
		return nil, fmt.Errorf("read surface: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, fmt.Errorf("read surface: %w", err)
	}
	var data []byte
	if info.Size() <= maxFileSize {
		var all bytes.Buffer
		all.Grow(int(info.Size()) + bytes.MinRead)
		if _, err = all.ReadFrom(io.LimitReader(f, maxFileSize+1)); err != nil {
			return nil, fmt.Errorf("read surface: %w", err)
		}
		data = all.Bytes()
	}
	if max(info.Size(), int64(len(data))) > maxFileSize {
		return nil, &Error{File: path, Message: fmt.Sprintf("the file is larger than %d MiB; export the surface with fewer triangles", maxFileSize>>20)}
	}
	return Decode(path, data)
}

// Decode reads a surface from a file's bytes; file is its name, for messages.
//
// Errors: *Error.
func Decode(file string, data []byte) (*Mesh, error) {
	b := &builder{file: file}
	var err error
	switch {
	case WholeSTL(data):
		err = b.stlBinary(data)
	case startsAsPLY(data):
		err = b.ply(data)
	case startsAsSTL(data):
		err = b.stlText(data)
	case startsAsOBJ(data):
		err = b.obj(data)
	case len(data) >= headerSize:
		err = b.stlBinary(data)
	default:
		err = b.fail(0, 0, "this is no surface: it begins neither as STL nor as PLY or OBJ does; export the surface as STL")
	}
	if err != nil {
		return nil, err
	}
	if len(b.mesh.Triangles) == 0 {
		return nil, &Error{File: file, Message: "the file has no triangles; export the surface again"}
	}
	return &b.mesh, nil
}

// builder collects triangles and joins equal corners.
type builder struct {
	file  string
	mesh  Mesh
	known vertexTable
	count int

	listed []geom.Vec // vertices of a file that numbers them
	places []int32    // of each listed one in the mesh, from 1; 0 where no triangle had it yet
}

func (b *builder) fail(line, triangle int, format string, args ...any) error {
	return &Error{File: b.file, Line: line, Triangle: triangle, Message: fmt.Sprintf(format, args...)}
}

// add takes the next triangle.
func (b *builder) add(line int, corner [3]geom.Vec) error {
	if err := b.begin(line); err != nil {
		return err
	}
	var t [3]int32
	for i, c := range corner {
		var err error
		if t[i], err = b.place(line, c); err != nil {
			return err
		}
	}
	b.keep(t)
	return nil
}

// begin counts the next triangle.
func (b *builder) begin(line int) error {
	b.count++
	if b.count > maxTriangles {
		return b.fail(line, b.count, "the surface has more than %d triangles; export it with fewer", maxTriangles)
	}
	return nil
}

// place is where a corner stands in the mesh.
func (b *builder) place(line int, c geom.Vec) (int32, error) {
	if !geom.Finite(c) {
		return 0, b.fail(line, b.count, "a coordinate is not a finite number")
	}
	if x := max(math.Abs(c.X), math.Abs(c.Y), math.Abs(c.Z)); x > maxCoordinate {
		return 0, b.fail(line, b.count, "the coordinate %.4g mm is farther than %.0f m from the origin; export the surface in mm", x, maxCoordinate/1000)
	}
	c = geom.Vec{X: c.X + 0, Y: c.Y + 0, Z: c.Z + 0} // −0 is 0
	return b.known.place(c, &b.mesh.Vertices), nil
}

// keep takes a triangle of vertices that stand in the mesh.
func (b *builder) keep(t [3]int32) {
	if t[0] == t[1] || t[1] == t[2] || t[2] == t[0] {
		b.mesh.Dropped++
		return
	}
	b.mesh.Triangles = append(b.mesh.Triangles, t)
}

// expect makes room for about so many triangles of a surface, which has half as many vertices.
// It saves copying only, so that a file that tells a wrong number costs nothing else.
func (b *builder) expect(triangles int) {
	n := min(triangles, maxTriangles)
	b.mesh.Triangles = make([][3]int32, 0, n)
	b.mesh.Vertices = make([]geom.Vec, 0, n/2)
	b.known.expect(n / 2)
}

// pieces is in how many a file of a size is read side by side: small ones gain nothing.
func pieces(size int) int { return max(1, min(runtime.GOMAXPROCS(0), size/(1<<20))) }

// inPieces reads n pieces of a file side by side and joins them to what reading one after the
// other gives. It is false, and nothing is taken, where a piece has a fault, for only from the
// file's beginning its place is known.
func (b *builder) inPieces(n int, read func(p *builder, i int) bool) bool {
	parts := make([]builder, n)
	whole := make([]bool, n)
	parallel.For(n, func(i int) { whole[i] = read(&parts[i], i) })
	count := 0
	for i := range parts {
		if count += parts[i].count; !whole[i] || count > maxTriangles {
			return false
		}
	}
	b.mesh, b.known, b.count = parts[0].mesh, parts[0].known, count
	for _, p := range parts[1:] {
		place := make([]int32, len(p.mesh.Vertices))
		for i, v := range p.mesh.Vertices {
			place[i] = b.known.place(v, &b.mesh.Vertices)
		}
		for _, t := range p.mesh.Triangles {
			b.mesh.Triangles = append(b.mesh.Triangles, [3]int32{place[t[0]], place[t[1]], place[t[2]]})
		}
		b.mesh.Dropped += p.mesh.Dropped
	}
	return true
}

// Corners are the three corners of triangle i.
func (m *Mesh) Corners(i int) (a, b, c geom.Vec) {
	t := m.Triangles[i]
	return m.Vertices[t[0]], m.Vertices[t[1]], m.Vertices[t[2]]
}

// Area is that of triangle i, mm².
func (m *Mesh) Area(i int) float64 {
	a, b, c := m.Corners(i)
	return r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) / 2
}

// Volume is the enclosed volume, mm³: positive when the triangles face
// outwards. It means something for a closed surface only.
//
// Method: the sum over the triangles of the signed volume of the tetrahedron
// with a fixed point, a·(b × c)/6 (C. Zhang and T. Chen, Efficient feature
// extraction for 2D/3D objects in mesh representation, ICIP 2001). The fixed
// point is a vertex, so that a surface far from the origin loses no digits.
func (m *Mesh) Volume() float64 {
	o := m.Vertices[0]
	sum := 0.0
	for i := range m.Triangles {
		a, b, c := m.Corners(i)
		sum += r3.Dot(r3.Sub(a, o), r3.Cross(r3.Sub(b, o), r3.Sub(c, o)))
	}
	return sum / 6
}

// Of is the surface of triangles by their corners, mm.
//
// Errors: *Error without a file, for what a file would be refused for.
func Of(corners [][3]geom.Vec) (*Mesh, error) {
	b := &builder{}
	for _, c := range corners {
		if err := b.add(0, c); err != nil {
			return nil, err
		}
	}
	return &b.mesh, nil
}
