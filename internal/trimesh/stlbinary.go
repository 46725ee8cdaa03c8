package trimesh

import (
	"encoding/binary"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// A binary STL file has a header of 80 bytes, the number of triangles as an
// unsigned 32-bit integer, and 50 bytes a triangle: normal and three corners as
// 32-bit floats and two bytes that are nothing of ours, all little endian.
const (
	headerSize = 84
	recordSize = 50
)

// WholeSTL reports whether a file is a whole binary STL file: by its size, which only
// that of a binary file agrees with its count of triangles; many begin with "solid" as
// ASCII files do.
func WholeSTL(data []byte) bool {
	return len(data) >= headerSize && int64(len(data)) == stlSize(data)
}

func stlSize(data []byte) int64 {
	return headerSize + recordSize*int64(binary.LittleEndian.Uint32(data[80:]))
}

func (b *builder) stlBinary(data []byte) error {
	n := (stlSize(data) - headerSize) / recordSize
	if n > maxTriangles {
		return b.fail(0, 0, "the header counts %d triangles, more than %d; the file is damaged, or export it with fewer", n, maxTriangles)
	}
	if expected := stlSize(data); int64(len(data)) != expected {
		return b.fail(0, 0, "the file has %d bytes, but the %d triangles that its header counts take %d; it is damaged or cut short, so export or copy it again", len(data), n, expected)
	}
	all := data[headerSize:]
	if k := pieces(len(all)); k > 1 && b.inPieces(k, func(p *builder, i int) bool {
		return p.records(all[recordSize*(int(n)*i/k):recordSize*(int(n)*(i+1)/k)]) == nil
	}) {
		return nil
	}
	return b.records(all)
}

// records reads triangles.
func (b *builder) records(data []byte) error {
	b.expect(len(data) / recordSize)
	for ; len(data) > 0; data = data[recordSize:] {
		var corner [3]geom.Vec
		for i := range corner {
			at := func(k int) float64 {
				return float64(math.Float32frombits(binary.LittleEndian.Uint32(data[12+12*i+4*k:])))
			}
			corner[i] = geom.Vec{X: at(0), Y: at(1), Z: at(2)}
		}
		if err := b.add(0, corner); err != nil {
			return err
		}
	}
	return nil
}

// EncodeSTL is a mesh as a binary STL file; the note, of 80 bytes at most, is its header.
func EncodeSTL(note string, m *Mesh) []byte {
	out := make([]byte, headerSize, headerSize+recordSize*len(m.Triangles))
	copy(out[:80], note)
	binary.LittleEndian.PutUint32(out[80:], uint32(len(m.Triangles)))
	for i := range m.Triangles {
		a, b, c := m.Corners(i)
		n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
		if l := r3.Norm(n); l > 0 {
			n = r3.Scale(1/l, n)
		}
		for _, p := range [4]geom.Vec{n, a, b, c} {
			for _, x := range [3]float64{p.X, p.Y, p.Z} {
				out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(x)))
			}
		}
		out = append(out, 0, 0)
	}
	return out
}
