package report

import (
	"errors"
	"fmt"
	"html"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"plumbline/internal/measurement"
	"plumbline/internal/printable"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/series/analysis"
)

func TestWrap(t *testing.T) {
	text := func(s string, columns int) string {
		return onTerminal(t, &Document{blocks: []block{heading{Text: "h"}, paragraph{Text: s}}}, columns)
	}
	assert.Equal(t, "h\n  "+strings.Repeat("word ", 16)+"all\n    90 % in 2.50 mm\n", text(strings.Repeat("word ", 16)+"all 90 % in 2.50 mm", 88), "a unit stays with its number")
	assert.Equal(t, "h\n  "+strings.Repeat("x", 28)+"\n    "+strings.Repeat("x", 12)+" y\n", text(strings.Repeat("x", 40)+" y", 30))
	assert.Equal(t, "h\n  flag\n    metal-not-found-\n    anywhere\n", text("flag metal-not-found-anywhere", 24), "broken behind a hyphen")
	assert.Equal(t, "h\n  日本日本日本日本日本日\n    本日本\n", text(strings.Repeat("日本", 7), 24), "two columns each")
	assert.Equal(t, []string{"\u2068שלום\u2069", "\u2068עולם\u2069 abc"}, wrap("\u2068שלום עולם\u2069 abc", 8, 0), "each line is isolated by itself")
}

// Whatever the text and the room, no line is wider and no letter is lost.
// A word without a width, an accent alone, is no empty line that the next one may take.
func TestWrapKeepsALoneAccent(t *testing.T) {
	assert.Equal(t, "aaaaaa\u0301aaa", strings.ReplaceAll(strings.Join(wrap("aaaaaa \u0301 aaa", 6, 4), ""), " ", ""))
}

func TestWrapKeepsEveryLetter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.OneOf(rapid.RuneFrom([]rune("ab -\u0301日שם°± 9\u2068\u2069\n")), rapid.Rune())).Draw(t, "text")
		columns := rapid.IntRange(6, 60).Draw(t, "columns")
		lines := wrap(text, columns, 4)
		for i, line := range lines {
			room := columns
			if i > 0 {
				room -= 4
			}
			require.LessOrEqual(t, columnsOf(line), room, "%q", line)
		}
		bare := func(s string) string {
			return strings.NewReplacer(" ", "", nonBreakingSpace, "", string(printable.Isolate), "", string(printable.Deisolate), "").Replace(s)
		}
		require.Equal(t, bare(printable.Line(text)), bare(strings.Join(lines, "")))
	})
}

// documents are all that the terminal shows, and the reports as well.
func documents(t *testing.T) map[string]*Document {
	t.Helper()
	s := readSeries(t, writeSeries(t, 18))
	together, err := analysis.AnalyseTogether(s.Summary.Rows(), analysis.Defaults())
	require.NoError(t, err)
	other := together.Clinicians[0]
	other.Clinician = "clinician-b"
	together.Clinicians = append(together.Clinicians, other)
	together.Group = append(together.Group, analysis.Spread{Figure: measurement.Apex, Unit: "mm", N: 2, Median: 1, Least: 0.5, Most: 1.5})
	chain, err := s.File.Check("")
	require.NoError(t, err)
	c := invented()
	return map[string]*Document{
		"figures":  Figures(&c, Options{}),
		"cases":    CaseList([]measurement.Case{c}, Options{}),
		"overview": Overview{Name: "s.jsonl", Chain: chain, Summary: s.Summary, Together: together, All: true}.Document(Options{}),
		"answers":  Overview{Name: "s.jsonl", Chain: chain, Summary: s.Summary, Together: together}.Document(Options{}),
		"verdict":  Verdict("s.jsonl", chain),
		"case":     Stored(&c, Options{}),
		"series":   s.Document(Options{}),
	}
}

func TestNoLineIsWiderThanTheTerminal(t *testing.T) {
	for name, d := range documents(t) {
		for _, columns := range []int{24, 40, 66, 80, 132, 400} {
			for _, line := range strings.Split(onTerminal(t, d, columns), "\n") {
				assert.LessOrEqual(t, columnsOf(line), columns, "%s at %d: %s", name, columns, line)
				assert.Equal(t, strings.TrimRight(line, " "), line)
			}
		}
		// What does not fit is wrapped and not left out.
		sorted := func(columns int) string {
			letters := []rune(strings.Join(strings.Fields(onTerminal(t, d, columns)), ""))
			slices.Sort(letters)
			return string(letters)
		}
		assert.Equal(t, sorted(1000), sorted(140), name)
		assert.Equal(t, onTerminal(t, d, UnknownWidth), onTerminal(t, d, 0), name)
	}
}

// On a narrow terminal every cell stands behind the head of its column.
func TestTableWithoutRoom(t *testing.T) {
	d := &Document{blocks: []block{table{Columns: []column{{Head: "case"}, {Head: "entry, mm"}, {Head: "apex, mm"}, {Head: "seal"}},
		Rows: []row{{Cells: []string{"C-1", "0.71 ± 0.10", "1.23 ± 0.12", ""}}, {Cells: []string{"C-2", "", "0.40 ± 0.10", "kept"}}}}}}
	assert.Equal(t, "C-1\n  entry, mm: 0.71 ± 0.10\n  apex, mm: 1.23 ± 0.12\nC-2\n  apex, mm: 0.40 ± 0.10\n  seal: kept\n", onTerminal(t, d, 24))
	assert.Equal(t, "case   entry, mm     apex, mm      seal\nC-1    0.71 ± 0.10   1.23 ± 0.12\nC-2                  0.40 ± 0.10   kept\n", onTerminal(t, d, 80))
}

// steering has all that could steer a terminal or turn the text beside it; what
// is left of it in sight is in steered.
const (
	steering = "a\x1b[2J\r\n\tb\u202ec\u2066d\u2069e\u2028f\u2029g\u0085h\u009bi\ufeffj\u200bk\u200fl\u061cm\x00n\xffo\u2068p\u2067q\x7fr שלום"
	steered  = "[2J"
)

// fillStrings puts text into every string of a value and says how many there were.
func fillStrings(v reflect.Value, text string) int {
	n := 0
	switch v.Kind() {
	case reflect.String:
		v.SetString(text)
		return 1
	case reflect.Slice:
		if v.Type().Elem().Kind() != reflect.Interface {
			v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		}
		fallthrough
	case reflect.Array:
		for i := range v.Len() {
			n += fillStrings(v.Index(i), text)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if name := v.Type().Field(i).Name; name != "Drawing" && name != "Kicker" { // not in a text
				n += fillStrings(v.Field(i), text)
			}
		}
	}
	return n
}

// Whatever stands in a field of any block, whether or not it was prepared, does
// not steer the terminal, stays in its line and does not turn what is beside it.
func TestNothingSteersTheTerminal(t *testing.T) {
	for _, empty := range []any{new(masthead), new(heading), new(paragraph), new(list), new(notice), new(table), new(gauges), new(picture), new(pictures)} {
		v := reflect.ValueOf(empty).Elem()
		fields := fillStrings(v, steering)
		require.Positive(t, fields)
		for _, columns := range []int{24, 400} {
			got := onTerminal(t, &Document{blocks: []block{v.Interface().(block)}}, columns)
			what := fmt.Sprintf("%T at %d: %q", empty, columns, got)
			assert.GreaterOrEqual(t, strings.Count(got, steered), fields, what)
			for _, line := range strings.Split(got, "\n") {
				open := 0
				for _, r := range line {
					switch {
					case r == printable.Isolate:
						open++
					case r == printable.Deisolate:
						open--
					default:
						assert.True(t, unicode.IsPrint(r), "%U in %s", r, what)
						assert.False(t, open == 0 && printable.Turns(string(r)), "%U is not isolated in %s", r, what)
					}
					assert.Contains(t, []int{0, 1}, open, what)
				}
				assert.Zero(t, open, what)
			}
		}
	}
	assert.Equal(t, "8.0° and ≤ 2", printable.Line(outside("8.0° and ≤ 2")), "nothing to isolate")
	assert.Equal(t, "by \u2068שלום\u2069: 5", printable.Line("by "+outside("שלום")+": 5"))
	assert.Equal(t, "by \u2068שלום\u2069: 5", printable.Line("by שלום: 5"))
}

// With many clinicians or fixtures the overview is short, and says so.
func TestShortOverview(t *testing.T) {
	s := readSeries(t, writeSeries(t, 12))
	a := s.Analysis
	b := a
	b.Clinician = "clinician-b"
	v := Overview{Name: "s.jsonl", Summary: s.Summary, Together: analysis.Together{Clinicians: []analysis.Analysis{a, b}, Skipped: []string{"clinician-z"}}, All: true}
	got := onTerminal(t, v.Document(Options{}), 0)
	for _, want := range []string{"Clinician clinician-a: ", "Clinician clinician-b: ", "Clinician clinician-z\n  No measured case", "Habit", "The clinicians side by side", "Every fixture of every case"} {
		assert.Contains(t, got, want)
	}
	v.All = false
	short := oneLine(onTerminal(t, v.Document(Options{}), 0))
	for _, x := range a.Answers.List() {
		assert.Contains(t, short, x[0]+" "+x[1])
	}
	for _, absent := range []string{"Every fixture of every case", "How far off", "Published references"} {
		assert.NotContains(t, short, absent)
	}
	v.All, v.Together.Brief = true, true
	for len(v.Summary.Cases) <= mostRows {
		v.Summary.Cases = append(v.Summary.Cases, s.Summary.Cases...)
	}
	got = onTerminal(t, v.Document(Options{}), 0)
	assert.NotContains(t, got, "Clinician clinician-a: ")
	assert.NotContains(t, got, "Every fixture of every case")
	assert.Contains(t, oneLine(got), "looked at for up to 12 clinicians at once")
	assert.Regexp(t, `The list of \d+ fixtures is left out`, got)
}

type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space") }

func TestTextThatCannotBeWritten(t *testing.T) {
	assert.EqualError(t, (&Document{}).Text(full{}, 0), "no space")
}

// The terminal has the figures of the reports in the same words.
func TestTerminalHasTheReportsFigures(t *testing.T) {
	c := invented()
	terminal := onTerminal(t, Figures(&c, Options{}), 400)
	page := spaced(Stored(&c, Options{}))
	checked := 0
	for i := range c.Fixtures {
		if c.Fixtures[i].Deviation == nil {
			continue
		}
		for _, r := range append(figureTable(c.Fixtures[i], 36).Rows, clearanceTable(c.Fixtures[i].Clearance).Rows...) {
			for _, cell := range r.Cells {
				checked++
				assert.Contains(t, terminal, cell)
				assert.True(t, strings.Contains(page, html.EscapeString(cell)), cell)
			}
		}
	}
	assert.Equal(t, 3*(13+7)+6*5, checked)
}
