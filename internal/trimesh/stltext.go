package trimesh

import (
	"bytes"
	"strconv"
	"strings"

	"plumbline/internal/geom"
)

// startsAsSTL reports whether a file begins as an ASCII STL file must.
func startsAsSTL(data []byte) bool {
	start := bytes.TrimLeft(trimMark(data), " \t\r\n")
	return len(start) >= 5 && strings.EqualFold(string(start[:5]), "solid")
}

func (b *builder) stlText(data []byte) error {
	w := text(data)
	for {
		switch word := w.next(); {
		case len(word) == 0:
			return nil
		case is(word, "solid"):
			w.skipLine() // its name may hold any word
			if err := b.solid(w); err != nil {
				return err
			}
		default:
			return b.unexpected(w, word, `"solid" or the end of the file`)
		}
	}
}

// solid reads facets up to endsolid.
func (b *builder) solid(w *words) error {
	for {
		switch word := w.next(); {
		case is(word, "endsolid"):
			w.skipLine()
			return nil
		case is(word, "facet"):
			if err := b.facet(w); err != nil {
				return err
			}
		default:
			return b.unexpected(w, word, `"facet" or "endsolid"`)
		}
	}
}

// facet reads a triangle after the word facet.
func (b *builder) facet(w *words) error {
	if err := b.expect(w, "normal"); err != nil {
		return err
	}
	for range 3 { // the normal, which may be anything
		if word := w.next(); len(word) == 0 {
			return b.unexpected(w, word, "a number of the normal")
		}
	}
	if err := b.expect(w, "outer", "loop"); err != nil {
		return err
	}
	var corner [3]geom.Vec
	for i := range corner {
		if err := b.expect(w, "vertex"); err != nil {
			return err
		}
		var err error
		if corner[i], err = b.point(w, w.next); err != nil {
			return err
		}
	}
	if err := b.expect(w, "endloop", "endfacet"); err != nil {
		return err
	}
	return b.add(w.line, corner)
}

// point reads three coordinates, each the word that next gives.
func (b *builder) point(w *words, next func() []byte) (geom.Vec, error) {
	var x [3]float64
	for k := range x {
		word := next()
		v, ok := number(word)
		if !ok {
			return geom.Vec{}, b.unexpected(w, word, "a coordinate with a decimal point")
		}
		x[k] = v
	}
	return geom.Vec{X: x[0], Y: x[1], Z: x[2]}, nil
}

func (b *builder) expect(w *words, expected ...string) error {
	for _, e := range expected {
		if word := w.next(); !is(word, e) {
			return b.unexpected(w, word, strconv.Quote(e))
		}
	}
	return nil
}

func (b *builder) unexpected(w *words, word []byte, expected string) error {
	if len(word) == 0 {
		return b.fail(w.line, b.count+1, "the file ends where %s is expected; it is cut short, so export or copy it again", expected)
	}
	const longest = 20
	shown := strings.ToLower(string(word[:min(len(word), longest)]))
	if len(word) > longest {
		shown += "…"
	}
	return b.fail(w.line, b.count+1, "%q stands where %s is expected; export the surface again", shown, expected)
}
