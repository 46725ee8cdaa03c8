package report

import (
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"plumbline/internal/printable"
)

// forms has each Arabic letter's presentation forms: isolated, final, initial
// and medial, as many as the letter has (Unicode 15, Arabic Presentation Forms
// A and B). A letter of four joins on both sides, one of two only to the letter
// before it.
var forms, lamAlef = arabicForms()

const (
	lam     = '\u0644'
	tatweel = '\u0640'
)

// arabicForms reads the forms from their compatibility decompositions: each
// letter's stand together, in the order of forms. Block B comes last, since it
// has the usual forms where block A has another language's.
func arabicForms() (letters map[rune][]rune, ligatures map[rune][]rune) {
	letters, ligatures = map[rune][]rune{}, map[rune][]rune{}
	for _, block := range [][2]rune{{0xfb50, 0xfbe9}, {0xfe80, 0xfefc}} {
		last := ""
		for r := block[0]; r <= block[1]; r++ {
			base := norm.NFKC.String(string(r))
			if base == string(r) {
				continue
			}
			first, n := utf8.DecodeRuneInString(base)
			rest := []rune(base[n:])
			switch {
			case len(rest) == 0 && base == last:
				letters[first] = append(letters[first], r)
			case len(rest) == 0:
				letters[first] = []rune{r}
			case len(rest) == 1 && first == lam:
				ligatures[rest[0]] = append(ligatures[rest[0]], r)
			}
			last = base
		}
	}
	return letters, ligatures
}

// joined writes Arabic letters in the forms that their neighbours ask for. Other
// text stays as it is.
func joined(s string) string {
	in := []rune(s)
	transparent := func(r rune) bool { return unicode.Is(unicode.Mn, r) }
	next := func(i int) rune {
		for i++; i < len(in); i++ {
			if !transparent(in[i]) {
				return in[i]
			}
		}
		return 0
	}
	takesBefore := func(r rune) bool { return len(forms[r]) >= 2 || r == tatweel || r == printable.Joiner }
	givesAfter := func(r rune) bool { return len(forms[r]) == 4 || r == tatweel || r == printable.Joiner }
	out := make([]rune, 0, len(in))
	before := rune(0) // the last letter that was not a mark
	for i := 0; i < len(in); i++ {
		r := in[i]
		f := forms[r]
		if len(f) == 0 {
			out = append(out, r)
			if !transparent(r) {
				before = r
			}
			continue
		}
		linked := len(f) >= 2 && givesAfter(before)
		if r == lam && i+1 < len(in) {
			if l := lamAlef[in[i+1]]; len(l) == 2 {
				form := l[0]
				if linked {
					form = l[1]
				}
				out = append(out, form)
				before = in[i+1]
				i++
				continue
			}
		}
		form := 0
		if linked {
			form = 1
		}
		if len(f) == 4 && takesBefore(next(i)) {
			form += 2
		}
		out = append(out, f[form])
		before = r
	}
	return string(out)
}
