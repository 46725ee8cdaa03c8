package trimesh

import (
	"bytes"
	"strconv"
)

// words splits a text into words and counts its lines.
type words struct {
	data []byte
	at   int // of what is not read yet
	line int
}

// text begins with the first word of a text, at line 1.
func text(data []byte) *words { return &words{data: trimMark(data), line: 1} }

// trimMark takes off a byte order mark.
func trimMark(data []byte) []byte { return bytes.TrimPrefix(data, []byte("\xef\xbb\xbf")) }

// rest is what is not read yet.
func (w *words) rest() []byte { return w.data[w.at:] }

// space are the bytes between words.
var space = [256]bool{' ': true, '\t': true, '\r': true, '\n': true}

// next is the next word, empty at the end.
func (w *words) next() []byte {
	data, at := w.data, w.at
	for at < len(data) && space[data[at]] {
		if data[at] == '\n' {
			w.line++
		}
		at++
	}
	return w.word(at)
}

// nextInLine is the next word of the line, empty at its end.
func (w *words) nextInLine() []byte {
	data, at := w.data, w.at
	for at < len(data) && space[data[at]] && data[at] != '\n' {
		at++
	}
	return w.word(at)
}

// word takes the word that begins at a place, empty where that is a space.
func (w *words) word(at int) []byte {
	data, end := w.data, at
	for end < len(data) && !space[data[end]] {
		end++
	}
	w.at = end
	return data[at:end]
}

// skipLine leaves out the rest of a line.
func (w *words) skipLine() {
	if end := bytes.IndexByte(w.rest(), '\n'); end >= 0 {
		w.at += end
	} else {
		w.at = len(w.data)
	}
}

// is reports whether a word is the one in lower case, in whatever case it is.
func is(word []byte, lower string) bool {
	if len(word) != len(lower) {
		return false
	}
	for i, c := range word {
		if 'A' <= c && c <= 'Z' {
			c += 'a' - 'A'
		}
		if c != lower[i] {
			return false
		}
	}
	return true
}

// number reads a decimal number.
//
// Method: up to fifteen digits m and a power of ten 10^−k up to 10^22 are both exact
// as 64-bit floats, so that m/10^k is rounded once and right (Clinger WD, How to read
// floating point numbers accurately, PLDI 1990); all else is strconv's.
func number(word []byte) (float64, bool) {
	digits, i := word, 0
	negative := len(word) > 0 && word[0] == '-'
	if negative {
		digits = word[1:]
	}
	whole, decimals, point := int64(0), 0, false
	for ; i < len(digits); i++ {
		switch c := digits[i]; {
		case '0' <= c && c <= '9':
			whole = 10*whole + int64(c-'0')
			if point {
				decimals++
			}
			continue
		case c == '.' && !point:
			point = true
			continue
		}
		break
	}
	if i < len(digits) || i == 0 || i > 15 || point && i == 1 {
		x, err := strconv.ParseFloat(string(word), 64)
		return x, err == nil
	}
	x := float64(whole) / powerOfTen[decimals]
	if negative {
		x = -x
	}
	return x, true
}

var powerOfTen = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}
