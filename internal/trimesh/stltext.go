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
	data = trimMark(data)
	cuts := facetLines(data, pieces(len(data)))
	last := len(cuts) - 2
	if last > 0 && b.inPieces(last+1, func(p *builder, i int) bool {
		inside, err := p.solids(text(data[cuts[i]:cuts[i+1]]), i > 0)
		return err == nil && inside == (i < last)
	}) {
		return nil
	}
	w := text(data)
	inside, err := b.solids(w, false)
	if err == nil && inside {
		err = b.unexpected(w, nil, inSolid)
	}
	return err
}

// facetLines are where a text can be cut into n pieces, which may be fewer, with its begin and
// end: at lines whose first word is facet.
func facetLines(data []byte, n int) []int {
	cuts := []int{0}
	for k := 1; k < n; k++ {
		at := max(k*(len(data)/n), cuts[len(cuts)-1])
		for {
			end := bytes.IndexByte(data[at:], '\n')
			if end < 0 {
				return append(cuts, len(data))
			}
			at += end + 1
			if w := (words{data: data, at: at}); is(w.nextInLine(), "facet") {
				break
			}
		}
		cuts = append(cuts, at)
	}
	return append(cuts, len(data))
}

// facetSize is about that of a facet in bytes: its words and twelve numbers of some twelve digits.
const facetSize = 250

const inSolid = `"facet" or "endsolid"`

// solids reads solids, beginning inside of one or not, and tells whether the text ends inside of
// one.
func (b *builder) solids(w *words, inside bool) (bool, error) {
	b.expect(len(w.data) / facetSize)
	for {
		word := w.next()
		switch {
		case len(word) == 0:
			return inside, nil
		case inside && is(word, "facet"):
			if err := b.facet(w); err != nil {
				return inside, err
			}
		case inside && is(word, "endsolid"), !inside && is(word, "solid"):
			w.skipLine() // its name may hold any word
			inside = !inside
		case inside:
			return inside, b.unexpected(w, word, inSolid)
		default:
			return inside, b.unexpected(w, word, `"solid" or the end of the file`)
		}
	}
}

// facet reads a triangle after the word facet.
func (b *builder) facet(w *words) error {
	if err := b.words(w, "normal"); err != nil {
		return err
	}
	for range 3 { // the normal, which may be anything
		if word := w.next(); len(word) == 0 {
			return b.unexpected(w, word, "a number of the normal")
		}
	}
	if err := b.words(w, "outer", "loop"); err != nil {
		return err
	}
	var corner [3]geom.Vec
	for i := range corner {
		if err := b.words(w, "vertex"); err != nil {
			return err
		}
		var err error
		if corner[i], err = b.point(w, w.next); err != nil {
			return err
		}
	}
	if err := b.words(w, "endloop", "endfacet"); err != nil {
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

func (b *builder) words(w *words, expected ...string) error {
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
