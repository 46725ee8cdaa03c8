package trimesh

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"strconv"

	"plumbline/internal/geom"
)

// A PLY file has a header in text, which lists elements and their properties, and then
// the elements, as text or as numbers of either byte order (Turk G, The PLY polygon file
// format, 1994). Of the elements only "vertex" with x, y and z and "face" with the list
// of its corners are ours.

// startsAsPLY reports whether a file begins as a PLY file must.
func startsAsPLY(data []byte) bool {
	return bytes.HasPrefix(data, []byte("ply\n")) || bytes.HasPrefix(data, []byte("ply\r"))
}

// plyKind is a type of numbers.
type plyKind uint8

const (
	plyInt8 plyKind = iota
	plyUint8
	plyInt16
	plyUint16
	plyInt32
	plyUint32
	plyFloat32
	plyFloat64
)

var plyKinds = map[string]plyKind{
	"char": plyInt8, "uchar": plyUint8, "short": plyInt16, "ushort": plyUint16,
	"int": plyInt32, "uint": plyUint32, "float": plyFloat32, "double": plyFloat64,
	"int8": plyInt8, "uint8": plyUint8, "int16": plyInt16, "uint16": plyUint16,
	"int32": plyInt32, "uint32": plyUint32, "float32": plyFloat32, "float64": plyFloat64,
}

// size is that of a number in bytes.
func (k plyKind) size() int { return [...]int{1, 1, 2, 2, 4, 4, 4, 8}[k] }

type plyProperty struct {
	name  string
	list  bool
	count plyKind // of a list: of how many numbers it has
	kind  plyKind
}

type plyElement struct {
	name       string
	count      int64
	properties []plyProperty
}

// property is the place of one of the names, −1 where there is none.
func (e *plyElement) property(list bool, names ...string) int {
	for i, p := range e.properties {
		for _, name := range names {
			if p.name == name && p.list == list {
				return i
			}
		}
	}
	return -1
}

// plyHeader reads the header and gives the elements, how numbers are written, and
// where the header ends.
func (b *builder) plyHeader(w *words) (elements []plyElement, format string, err error) {
	w.skipLine() // ply
	for {
		word := w.next()
		switch string(word) {
		case "comment", "obj_info":
		case "format":
			format = string(w.nextInLine())
		case "element":
			e := plyElement{name: string(w.nextInLine())}
			count := w.nextInLine()
			if e.count, err = strconv.ParseInt(string(count), 10, 64); err != nil || e.count < 0 {
				return nil, "", b.unexpected(w, count, "the number of elements")
			}
			elements = append(elements, e)
		case "property":
			p, err := b.plyProperty(w)
			if err != nil {
				return nil, "", err
			}
			if len(elements) == 0 {
				return nil, "", b.unexpected(w, word, `"element"`)
			}
			e := &elements[len(elements)-1]
			e.properties = append(e.properties, p)
		case "end_header":
			w.skipLine()
			w.at = min(w.at+1, len(w.data)) // the line's end
			w.line++
			return elements, format, nil
		default:
			return nil, "", b.unexpected(w, word, `"element", "property" or "end_header"`)
		}
		if len(elements) > maxPLYItems || len(elements) > 0 && len(elements[len(elements)-1].properties) > maxPLYItems {
			return nil, "", b.fail(w.line, 0, "the header lists more than %d elements or properties; the file is damaged, so export it again", maxPLYItems)
		}
		w.skipLine()
	}
}

func (b *builder) plyProperty(w *words) (plyProperty, error) {
	var p plyProperty
	kind := func(word []byte) (plyKind, error) {
		k, ok := plyKinds[string(word)]
		if !ok {
			return 0, b.unexpected(w, word, "a type of numbers")
		}
		return k, nil
	}
	word := w.nextInLine()
	var err error
	if p.list = string(word) == "list"; p.list {
		if p.count, err = kind(w.nextInLine()); err != nil {
			return p, err
		}
		word = w.nextInLine()
	}
	if p.kind, err = kind(word); err != nil {
		return p, err
	}
	p.name = string(w.nextInLine())
	return p, nil
}

// plyNumbers gives the numbers of a PLY file's elements one after the other; false where
// the file ends or has none.
type plyNumbers interface {
	next(plyKind) (float64, bool)
	line() int
}

type plyText struct{ *words }

func (t plyText) next(plyKind) (float64, bool) { return number(t.words.next()) }
func (t plyText) line() int                    { return t.words.line }

type plyBinary struct {
	rest  []byte
	order binary.ByteOrder
}

func (p *plyBinary) line() int { return 0 }

func (p *plyBinary) next(k plyKind) (float64, bool) {
	n := k.size()
	if len(p.rest) < n {
		return 0, false
	}
	at := p.rest[:n]
	p.rest = p.rest[n:]
	switch k {
	case plyInt8:
		return float64(int8(at[0])), true
	case plyUint8:
		return float64(at[0]), true
	case plyInt16:
		return float64(int16(p.order.Uint16(at))), true
	case plyUint16:
		return float64(p.order.Uint16(at)), true
	case plyInt32:
		return float64(int32(p.order.Uint32(at))), true
	case plyUint32:
		return float64(p.order.Uint32(at)), true
	case plyFloat32:
		return float64(math.Float32frombits(p.order.Uint32(at))), true
	default:
		return math.Float64frombits(p.order.Uint64(at)), true
	}
}

func (b *builder) ply(data []byte) error {
	w := text(data)
	elements, format, err := b.plyHeader(w)
	if err != nil {
		return err
	}
	var numbers plyNumbers
	switch format {
	case "ascii":
		numbers = plyText{w}
	case "binary_little_endian":
		numbers = &plyBinary{w.rest(), binary.LittleEndian}
	case "binary_big_endian":
		numbers = &plyBinary{w.rest(), binary.BigEndian}
	default:
		return b.fail(0, 0, "the PLY format %.30q is not known; export the surface as binary STL", format)
	}
	for _, e := range elements {
		if len(e.properties) == 0 {
			continue
		}
		if size := int64(len(w.rest())); e.count > size { // each has a byte at least
			return b.fail(0, 0, "the header counts %d of %.30q, for which the file is too short; it is damaged or cut short, so export or copy it again", e.count, e.name)
		}
		if err := b.plyElement(&e, numbers); err != nil {
			return err
		}
	}
	return nil
}

const (
	// maxCorners bounds a face's corners: scanners and their programs write triangles, a
	// few of them polygons of some dozen.
	maxCorners = 1000
	// maxPLYItems bounds a header's elements and an element's properties.
	maxPLYItems = 100
)

// plyElement reads all of one element.
func (b *builder) plyElement(e *plyElement, numbers plyNumbers) error {
	xyz := [3]int{-1, -1, -1}
	corners := -1
	switch e.name {
	case "vertex":
		for k, name := range []string{"x", "y", "z"} {
			if xyz[k] = e.property(false, name); xyz[k] < 0 {
				return b.fail(0, 0, "its vertices have no %s; export the surface again", name)
			}
		}
	case "face":
		if corners = e.property(true, "vertex_indices", "vertex_index"); corners < 0 {
			return b.fail(0, 0, "its faces do not list their vertices; export the surface again")
		}
	}
	switch { // the count is no more than the rest of the file has bytes
	case xyz[0] >= 0:
		n := min(int(e.count), maxVertices)
		b.listed, b.places = make([]geom.Vec, 0, n), make([]int32, 0, n)
	case corners >= 0:
		b.expect(int(e.count))
	}
	values := make([]float64, len(e.properties))
	var polygon []int32
	for i := range e.count {
		for k, p := range e.properties {
			kind := p.kind
			if p.list {
				kind = p.count
			}
			x, ok := numbers.next(kind)
			if !ok {
				return b.plyCut(e, i, numbers)
			}
			values[k] = x
			if !p.list {
				continue
			}
			if k == corners && !(x >= 0 && x <= maxCorners) || !(x >= 0 && x <= maxFileSize) {
				return b.fail(numbers.line(), 0, "%s %d lists %.0f numbers; the file is damaged, so export it again", e.name, i+1, x)
			}
			polygon = polygon[:0]
			for range int(x) {
				ref, ok := numbers.next(p.kind)
				if !ok {
					return b.plyCut(e, i, numbers)
				}
				if k != corners {
					continue
				}
				if !(ref >= 0 && ref < float64(len(b.listed)) && ref == math.Trunc(ref)) {
					return b.noVertex(numbers.line(), fmt.Sprint(ref))
				}
				polygon = append(polygon, int32(ref))
			}
			if k == corners {
				if err := b.polygon(numbers.line(), polygon); err != nil {
					return err
				}
			}
		}
		if xyz[0] >= 0 {
			if err := b.vertex(numbers.line(), geom.Vec{X: values[xyz[0]], Y: values[xyz[1]], Z: values[xyz[2]]}); err != nil {
				return err
			}
		}
	}
	return nil
}

func (b *builder) plyCut(e *plyElement, at int64, numbers plyNumbers) error {
	return b.fail(numbers.line(), 0, "the file ends, or has something else than a number, in %.30q %d of %d; it is damaged or cut short, so export or copy it again", e.name, at+1, e.count)
}
