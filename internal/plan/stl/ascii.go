package stl

import (
	"bytes"
	"strconv"
	"strings"

	"plumbline/internal/geom"
)

// startsAsText reports whether a file begins as an ASCII file must.
func startsAsText(data []byte) bool {
	text := bytes.TrimLeft(bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")), " \t\r\n")
	return len(text) >= 5 && strings.EqualFold(string(text[:5]), "solid")
}

// tokenizer splits a text into words and counts its lines.
type tokenizer struct {
	rest []byte
	line int
}

// next is the next word in lower case, empty at the end.
func (w *tokenizer) next() string {
	for len(w.rest) > 0 {
		switch w.rest[0] {
		case '\n':
			w.line++
			fallthrough
		case ' ', '\t', '\r':
			w.rest = w.rest[1:]
			continue
		}
		end := bytes.IndexAny(w.rest, " \t\r\n")
		if end < 0 {
			end = len(w.rest)
		}
		word := strings.ToLower(string(w.rest[:end]))
		w.rest = w.rest[end:]
		return word
	}
	return ""
}

// skipLine leaves out the rest of a line: a solid's name may hold any word.
func (w *tokenizer) skipLine() {
	if end := bytes.IndexByte(w.rest, '\n'); end >= 0 {
		w.rest = w.rest[end:]
	} else {
		w.rest = nil
	}
}

func (b *builder) ascii(data []byte) error {
	if !startsAsText(data) {
		return b.fail(0, 0, `this is no STL file: it neither begins with "solid" nor has a binary header; export the surface as STL`)
	}
	w := &tokenizer{rest: bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")), line: 1}
	for {
		switch word := w.next(); word {
		case "":
			return nil
		case "solid":
			w.skipLine()
			if err := b.solid(w); err != nil {
				return err
			}
		default:
			return b.unexpected(w, word, `"solid" or the end of the file`)
		}
	}
}

// solid reads facets up to endsolid.
func (b *builder) solid(w *tokenizer) error {
	for {
		switch word := w.next(); word {
		case "endsolid":
			w.skipLine()
			return nil
		case "facet":
			if err := b.facet(w); err != nil {
				return err
			}
		default:
			return b.unexpected(w, word, `"facet" or "endsolid"`)
		}
	}
}

// facet reads a triangle after the word facet.
func (b *builder) facet(w *tokenizer) error {
	if err := b.expect(w, "normal"); err != nil {
		return err
	}
	for range 3 { // the normal, which may be anything
		if word := w.next(); word == "" {
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
		for _, x := range []*float64{&corner[i].X, &corner[i].Y, &corner[i].Z} {
			word := w.next()
			v, err := strconv.ParseFloat(word, 64)
			if err != nil {
				return b.unexpected(w, word, "a coordinate with a decimal point")
			}
			*x = v
		}
	}
	if err := b.expect(w, "endloop", "endfacet"); err != nil {
		return err
	}
	return b.add(w.line, corner)
}

func (b *builder) expect(w *tokenizer, expected ...string) error {
	for _, e := range expected {
		if word := w.next(); word != e {
			return b.unexpected(w, word, strconv.Quote(e))
		}
	}
	return nil
}

func (b *builder) unexpected(w *tokenizer, word, expected string) error {
	if word == "" {
		return b.fail(w.line, b.count+1, "the file ends where %s is expected; it is cut short, so export or copy it again", expected)
	}
	const longest = 20
	if len(word) > longest {
		word = word[:longest] + "…"
	}
	return b.fail(w.line, b.count+1, "%q stands where %s is expected; export the surface again", word, expected)
}
