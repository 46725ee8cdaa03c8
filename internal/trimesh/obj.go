package trimesh

import (
	"bytes"
	"strconv"

	"plumbline/internal/geom"
)

// objWords begin the lines of a polygon file (OBJ): comment, vertex, its normal, texture
// and parameter, face, line, point, object, group, smoothing and materials.
var objWords = []string{"#", "v", "vn", "vt", "vp", "f", "l", "p", "o", "g", "s", "mtllib", "usemtl"}

// startsAsOBJ reports whether a file is text whose first word begins an OBJ file's line.
func startsAsOBJ(data []byte) bool {
	if bytes.IndexByte(data[:min(len(data), headerSize)], 0) >= 0 {
		return false
	}
	word := text(data).next()
	for _, w := range objWords {
		if string(word) == w {
			return true
		}
	}
	return len(word) > 0 && word[0] == '#'
}

// faceSize is about what a face and its half of a vertex take, in bytes.
const faceSize = 45

// obj reads vertices and faces, which may refer to a vertex by its number from 1 or, as a
// negative number, by how far before the face it stands; all else is left out.
func (b *builder) obj(data []byte) error {
	w := text(data)
	b.expect(len(data) / faceSize)
	var polygon []int32
	for len(w.rest()) > 0 {
		switch word := w.next(); string(word) {
		case "v":
			p, err := b.point(w, w.nextInLine)
			if err != nil {
				return err
			}
			if err := b.vertex(w.line, p); err != nil {
				return err
			}
		case "f":
			polygon = polygon[:0]
			for {
				ref := w.nextInLine()
				if string(ref) == `\` { // the face goes on below
					w.skipLine()
					ref = w.next()
				}
				if len(ref) == 0 {
					break
				}
				if slash := bytes.IndexByte(ref, '/'); slash >= 0 { // texture and normal follow
					ref = ref[:slash]
				}
				n, err := strconv.Atoi(string(ref))
				switch {
				case err != nil:
					return b.unexpected(w, ref, "the number of a vertex")
				case n < 0:
					n += len(b.listed)
				default:
					n--
				}
				if n < 0 || n >= len(b.listed) {
					return b.noVertex(w.line, string(ref))
				}
				polygon = append(polygon, int32(n))
			}
			if err := b.polygon(w.line, polygon); err != nil {
				return err
			}
		}
		w.skipLine()
	}
	return nil
}

// vertex takes the next vertex of a file that numbers them.
func (b *builder) vertex(line int, p geom.Vec) error {
	if len(b.listed) >= maxVertices {
		return b.fail(line, 0, "the surface has more than %d vertices; export it with fewer", maxVertices)
	}
	b.listed = append(b.listed, p)
	b.places = append(b.places, 0)
	return nil
}

// polygon takes a face as the triangles that its first corner makes with each side.
func (b *builder) polygon(line int, corners []int32) error {
	if len(corners) < 3 {
		b.count++
		b.mesh.Dropped++
		return nil
	}
	for i := 2; i < len(corners); i++ {
		if err := b.begin(line); err != nil {
			return err
		}
		var t [3]int32
		for k, n := range [3]int32{corners[0], corners[i-1], corners[i]} {
			if b.places[n] == 0 {
				place, err := b.place(line, b.listed[n])
				if err != nil {
					return err
				}
				b.places[n] = place + 1
			}
			t[k] = b.places[n] - 1
		}
		b.keep(t)
	}
	return nil
}

func (b *builder) noVertex(line int, number string) error {
	return b.fail(line, b.count+1, "it names vertex %s, but the file has %d up to there; it is damaged, so export it again", number, len(b.listed))
}
