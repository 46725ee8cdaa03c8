package report

import (
	"strings"
	"testing"

	"codeberg.org/go-pdf/fpdf"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"plumbline/internal/printable"
)

func newTestSetter(t require.TestingT) *setter {
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.AddPage()
	s, err := newSetter(pdf)
	require.NoError(t, err)
	return s
}

// Arabic letters take the forms of the Unicode charts (U+FE70-FEFF).
func TestArabicJoins(t *testing.T) {
	for name, c := range map[string][2]string{
		"initial, ligature, isolated":     {"سلام", "\ufeb3\ufefc\ufee1"},
		"initial, medial, medial, final":  {"محمد", "\ufee3\ufea4\ufee4\ufeaa"},
		"dal does not join to the left":   {"داد", "\ufea9\ufe8d\ufea9"},
		"a letter alone":                  {"ب", "\ufe8f"},
		"marks are passed over":           {"بَب", "\ufe91\u064e\ufe90"},
		"Persian letters":                 {"پچ", "\ufb58\ufb7b"},
		"a lone lam-alef":                 {"لا", "\ufefb"},
		"alef maksura at the end":         {"على", "\ufecb\ufee0\ufef0"},
		"what does not join stays itself": {"abc 12 אב", "abc 12 אב"},
	} {
		assert.Equal(t, c[1], joined(c[0]), name)
	}
}

// Right-to-left text stands on paper from the right, numbers and Latin words in
// it from the left, and does not turn the text around it.
func TestRightToLeft(t *testing.T) {
	paper := func(s string) string {
		return strings.Map(func(r rune) rune {
			if silent(r) {
				return -1
			}
			return r
		}, visual(prepared(s)))
	}
	assert.Equal(t, "Case גבא, placed", paper("Case "+outside("אבג")+", placed"))
	assert.Equal(t, "Case דג 12 בא end", paper("Case "+outside("אב 12 גד")+" end"))
	assert.Equal(t, "root 36 (בא)", paper(outside("root 36 (אב)")))
	assert.Equal(t, "(36) בא", paper(outside("אב (36)")))
	assert.Equal(t, "x דג C-7 בא y", paper("x "+outside("אב C-7 גד")+" y"))
	assert.Equal(t, "plain", paper(outside("plain")))
	assert.True(t, strings.HasSuffix(paper(outside("سلام")), "\ufeb3"), "the first letter stands at the right")
}

// Marks that turn other text's direction, and control characters, show as
// replacement characters.
func TestOutsideIsTamed(t *testing.T) {
	assert.Equal(t, "a\ufffdb", plain(outside("a\u202eb")))
	assert.Equal(t, "a\ufffdb\ufffd", plain(outside("a\u2066b\u2069")))
	assert.Equal(t, "a b\ufffd", plain(outside("a\nb\x00")))
	assert.Equal(t, "\u00e9", plain(outside("e\u0301")), "composed")
	assert.Equal(t, "\ufffd", plain(outside("\xff")))
	rapid.Check(t, func(t *rapid.T) {
		s := outside(rapid.String().Draw(t, "text"))
		inner := strings.TrimSuffix(strings.TrimPrefix(s, string(printable.Isolate)), string(printable.Deisolate))
		assert.NotContains(t, inner, string(printable.Isolate))
		assert.NotContains(t, inner, string(printable.Deisolate))
	})
}

// No line is wider than its column, whatever stands in it, and no letter is lost
// but the spaces at breaks.
func TestLinesFit(t *testing.T) {
	s := newTestSetter(t)
	rapid.Check(t, func(t *rapid.T) {
		text := outside(rapid.OneOf(
			rapid.StringMatching(`([a-zA-Z0-9]{1,30} ){0,20}[a-z]{0,80}`),
			rapid.StringMatching(`([אבגדה0-9]{1,30} ){0,9}[a-zب-ي]{0,40}`),
			rapid.StringN(0, 60, -1),
		).Draw(t, "text"))
		width := rapid.Float64Range(8, 120).Draw(t, "width")
		ready := prepared(text)
		letters := func(s string) string { return strings.ReplaceAll(plain(s), " ", "") }
		all := ""
		for _, l := range s.lines(ready, regular, sizeBody, width) {
			if len([]rune(plain(l))) > 1 {
				assert.LessOrEqual(t, s.width(strings.TrimRight(l, " "), regular, sizeBody), width+1e-6)
			}
			all += l
			assert.Equal(t, len([]rune(plain(l))), len([]rune(plain(visual(l)))), "turning keeps the letters")
		}
		assert.Equal(t, letters(ready), letters(all))
	})
}

// What no typeface has is a box, and the PDF says so; nothing is spelled in other
// letters.
func TestLettersThatNoFaceHas(t *testing.T) {
	c := study(t).Result
	c.Case = "病例 🦷 Ω"
	d := Stored(&c, Options{})
	assert.Contains(t, string(d.HTML()), "病例 🦷 Ω")
	pdf, err := d.PDF(A4)
	require.NoError(t, err)
	text := oneLine(pdfText(t, pdf))
	assert.Contains(t, text, "Case □□ □ Ω")
	assert.Contains(t, text, "lack 3 characters, shown as □: U+1F9B7, U+4F8B, U+75C5.")
	c.Case = "Ωμέγα Проба żółć שלום سلام"
	pdf, err = Stored(&c, Options{}).PDF(A4)
	require.NoError(t, err)
	text = oneLine(pdfText(t, pdf))
	assert.NotContains(t, text, "typefaces lack")
	for _, want := range []string{"Ωμέγα Проба żółć", "םולש", "\ufee1\ufefc\ufeb3"} {
		assert.Contains(t, text, want)
	}
}

// A name of a thousand letters makes the report longer, not wider.
func TestVeryLongNames(t *testing.T) {
	c := study(t).Result
	c.Case = strings.Repeat("C", 1000)
	c.Fixtures[0].Clearance[0].Structure = strings.Repeat("nerve", 200)
	c.Fixtures[0].Flags[0].Message = strings.Repeat("long words ", 400)
	d := Stored(&c, Options{})
	pdf, err := d.PDF(Letter)
	require.NoError(t, err)
	assert.Equal(t, 1000, strings.Count(strings.SplitN(pdfText(t, pdf), "Surgery", 2)[0], "C")-strings.Count(strings.SplitN(pdfText(t, pdf), "Surgery", 2)[0], "Case"))
	assert.Contains(t, string(d.HTML()), "overflow-wrap:anywhere")
}
