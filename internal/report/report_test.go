package report

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"flag"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares text with a file of testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o644))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

// oneLine takes the line breaks out of a PDF's text, which fall anywhere.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

var drawings = regexp.MustCompile(`(?s)(<svg viewBox="0 0 [^>]*>).*?</svg>\n`)

// withoutDrawings leaves a page's drawings out but for their names: their lines are tested
// in package figure.
func withoutDrawings(page string) string { return drawings.ReplaceAllString(page, "$1…</svg>\n") }

// spaced is a document's page with the spaces that hold a number and its unit together as
// common ones.
func spaced(d *Document) string { return strings.ReplaceAll(string(d.HTML()), nonBreakingSpace, " ") }

func TestGoldenCase(t *testing.T) {
	s := study(t)
	d, err := Case(s, Options{})
	require.NoError(t, err)
	page := string(d.HTML())
	assert.Equal(t, 2+1+1+2*2+1+3, strings.Count(page, "<figure>"), "the nearest point in both scans, the rulers, contours, two cuts along the axis in both and one across, three checks")
	golden(t, "case.html", withoutDrawings(page))
	pdf, err := d.PDF(A4)
	require.NoError(t, err)
	golden(t, "case.pdf.txt", pdfText(t, pdf))
	assert.Less(t, len(pdf), 2<<20)
}

func TestGoldenStoredCaseInDoubt(t *testing.T) {
	d := Stored(inDoubt(t), Options{})
	golden(t, "doubt.html", withoutDrawings(string(d.HTML())))
	pdf, err := d.PDF(Letter)
	require.NoError(t, err)
	golden(t, "doubt.pdf.txt", pdfText(t, pdf))
}

func TestSameInputSameBytes(t *testing.T) {
	write := func() (page, pdf []byte) {
		d, err := Case(study(t), Options{})
		require.NoError(t, err)
		pdf, err = d.PDF(A4)
		require.NoError(t, err)
		return d.HTML(), pdf
	}
	page1, pdf1 := write()
	page2, pdf2 := write()
	assert.True(t, bytes.Equal(page1, page2))
	assert.True(t, bytes.Equal(pdf1, pdf2))
	assert.Contains(t, string(pdf1), "D:20260314000000", "the PDF carries the date of surgery, not the clock's")
}

// Every figure, interval and clearance of the terminal's table stands in the
// HTML and in the PDF, in the same words.
func TestSameFiguresEverywhere(t *testing.T) {
	s := study(t)
	d, err := Case(s, Options{})
	require.NoError(t, err)
	page := spaced(d)
	pdf, err := d.PDF(A4)
	require.NoError(t, err)
	paper := oneLine(pdfText(t, pdf))
	f := s.Result.Fixtures[0]
	checked := 0
	both := func(text string) {
		if text == "" {
			return
		}
		checked++
		assert.Contains(t, page, ">"+text+"<")
		assert.Contains(t, paper, text)
	}
	for _, line := range wording.Figures(f, tooth.Number(36)) {
		both(line.Value)
		both(line.Interval)
	}
	for _, line := range wording.ClearanceLines(f.Clearance) {
		both(line.Planned)
		both(line.Achieved)
		both(line.Interval)
		assert.Contains(t, page, line.Verdict)
		assert.Contains(t, paper, line.Verdict)
	}
	assert.Equal(t, 2*13+3*3, checked)
	// The stored JSON's numbers, as printed, with their sign in words.
	stored, err := json.Marshal(f.Deviation)
	require.NoError(t, err)
	var numbers map[string]float64
	require.NoError(t, json.Unmarshal(stored, &numbers))
	assert.Len(t, numbers, 13)
	for name, v := range numbers {
		printed := fmt.Sprintf("%.2f ", math.Abs(v))
		if strings.HasSuffix(name, "_deg") {
			printed = fmt.Sprintf("%.1f°", math.Abs(v))
		}
		assert.Contains(t, page, printed, name)
		assert.Contains(t, paper, printed, name)
	}
	for _, sentence := range append(wording.Summary(f, 36), wording.Cautions...) {
		assert.Contains(t, oneLine(page), sentence)
		assert.Contains(t, paper, sentence)
	}
	for _, hash := range []string{s.Result.Inputs.PlanSHA256, s.Result.Inputs.PreSHA256, s.Result.Inputs.PostSHA256} {
		assert.Contains(t, page, hash)
		assert.Contains(t, paper, hash)
	}
}

// The first page has the plan, the deviations, the clearances and the doubts.
func TestFirstPageAnswers(t *testing.T) {
	c := inDoubt(t)
	for _, paper := range []Paper{A4, Letter} {
		pdf, err := Stored(c, Options{}).PDF(paper)
		require.NoError(t, err)
		first, _, found := strings.Cut(oneLine(pdfText(t, pdf)), "page 2 of")
		require.True(t, found)
		doubt := strings.Index(first, "Not to be relied on")
		table := strings.Index(first, "All fixtures")
		require.Positive(t, doubt)
		assert.Greater(t, table, doubt, "doubts come before figures")
		for _, want := range []string{"parts of the region disagree", "no metal of this size", "structure entered site 36: the fixture perforates cortex", "no fixture found", "▲ margin missed, by the transfer", "Site 36: 1.61 mm from left mandibular canal", "Not checked Site 37: the distance to the nerve canal"} {
			assert.Contains(t, strings.ToLower(first), strings.ToLower(want))
		}
	}
	page := spaced(Stored(c, Options{}))
	assert.Less(t, strings.Index(page, "Not to be relied on"), strings.Index(page, "<h2>"))

	s := study(t)
	d, err := Case(s, Options{})
	require.NoError(t, err)
	assert.NotContains(t, spaced(d), "Not to be relied on")
	pdf, err := d.PDF(A4)
	require.NoError(t, err)
	first, _, _ := strings.Cut(oneLine(pdfText(t, pdf)), "page 2 of")
	for _, want := range []string{"4.1 × 10.0 mm, fully guided", "The entry lies", "95 % interval", "Structure entered Site 36: the fixture perforates cortex by 0.21 mm", "Margin missed Site 36: 1.61 mm from left mandibular canal"} {
		assert.Contains(t, first, want)
	}
}

func TestStoredCaseSaysThatItHasNoCuts(t *testing.T) {
	s := study(t)
	page := spaced(Stored(&s.Result, Options{}))
	assert.Contains(t, page, "without its scans")
	assert.NotContains(t, page, "<image")
	assert.Contains(t, page, "how the two directions are correlated")
}

func TestNoDirectionsNoParts(t *testing.T) {
	s := study(t)
	dev := s.Result.Fixtures[0].Deviation
	dev[measurement.EntryMesial], dev[measurement.EntryBuccal], dev[measurement.ApexMesial], dev[measurement.ApexBuccal], dev[measurement.TiltMesial], dev[measurement.TiltBuccal] = nil, nil, nil, nil, nil, nil
	s.Sites[0].Directions = nil
	d, err := Case(s, Options{})
	require.NoError(t, err)
	page := spaced(d)
	for _, absent := range []string{"0.00 mm mesial", ">mesiodistal<", "tips"} {
		assert.NotContains(t, page, absent)
	}
	assert.Contains(t, page, "Step through the right to left cuts")
	assert.NotContains(t, spaced(Stored(&s.Result, Options{})), "Target plot", "nothing stored says where the ends lie across the axis")
}

func TestNoUncertainty(t *testing.T) {
	s := study(t)
	s.Result.Fixtures[0].Uncertainty = nil
	s.Result.Fixtures[0].Clearance = nil
	page := spaced(Stored(&s.Result, Options{}))
	assert.NotContains(t, page, "0.00 to 0.00")
	assert.NotContains(t, page, "class=\"gauge\"")
	assert.Contains(t, page, "Site 36: the distance to the nerve canal and to any other structure; none was given.")
}

func TestUniversalNumbering(t *testing.T) {
	s := study(t)
	page := spaced(Stored(&s.Result, Options{Numbering: tooth.Universal}))
	assert.Contains(t, page, "Site 19, lower left first molar")
	assert.Contains(t, page, "universal numbering")
}

const hostile = `<script>alert(1)</script><img src=x onerror=alert(1)>" onload="x' & \) Tj ET`

// Text from outside is shown and does nothing, in every place that takes it.
func TestHostileText(t *testing.T) {
	s := study(t)
	c := &s.Result
	c.Case, c.Clinician, c.Program.Version, c.Placed = hostile, hostile, hostile, hostile
	c.Inputs = measurement.Inputs{PlanSHA256: hostile, PreSeries: hostile, PostSeries: hostile, PreSHA256: hostile, PostSHA256: hostile}
	c.Alignment.Method = hostile
	c.Alignment.Quality = map[string]float64{hostile: 1}
	c.Flags = measurement.Flags{{Code: hostile, Message: hostile, Level: measurement.Doubt}, {Code: hostile, Message: hostile, Level: measurement.Notice}}
	f := &c.Fixtures[0]
	f.Site, f.Guidance = hostile, hostile
	f.Clearance[0].Structure, f.Clearance[0].Kind = hostile, hostile
	f.Uncertainty.Budget[0].Name = hostile
	c.Fixtures = append(c.Fixtures, *f)
	d := Stored(c, Options{})
	page := spaced(d)
	for _, harm := range []string{"<script", "<img", " onload=\"", "onerror=alert(1)>"} {
		assert.NotContains(t, page, harm)
	}
	assert.Greater(t, strings.Count(page, "&lt;script&gt;"), 15)
	wellFormed(t, page)
	pdf, err := d.PDF(A4)
	require.NoError(t, err)
	assert.Contains(t, strings.ReplaceAll(pdfText(t, pdf), "\n", ""), `<script>alert(1)</script>`)
	assert.Contains(t, string(pdf), "D:19700101000000", "what is no date does not become one")
}

// wellFormed checks that every element is closed and every attribute quoted.
func wellFormed(t *testing.T, page string) {
	t.Helper()
	dec := xml.NewDecoder(strings.NewReader(strings.TrimPrefix(page, "<!DOCTYPE html>")))
	dec.Strict = false
	dec.AutoClose = xml.HTMLAutoClose
	dec.Entity = xml.HTMLEntity
	depth := 0
	for {
		token, err := dec.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		switch token.(type) {
		case xml.StartElement:
			depth++
		case xml.EndElement:
			depth--
		}
	}
	assert.Zero(t, depth)
}

var reference = regexp.MustCompile(`(?i)(?:src|href|action|poster|srcset|data|background|url)\s*[=(]\s*["']?([^"' )>]+)`)

// Nothing leaves the file: no script, and every reference holds its own data.
func TestSelfContained(t *testing.T) {
	d, err := Case(study(t), Options{})
	require.NoError(t, err)
	page := spaced(d)
	wellFormed(t, page)
	assert.Contains(t, page, `content="default-src 'none'; img-src data:; style-src 'unsafe-inline'"`)
	assert.NotContains(t, page, "<script")
	assert.NotContains(t, page, "@import")
	count := 0
	for _, m := range reference.FindAllStringSubmatch(page, -1) {
		if strings.HasPrefix(m[1], "data:") {
			count++
			continue
		}
		t.Errorf("the page refers to %q", m[1])
	}
	assert.Greater(t, count, 20)
	ids := regexp.MustCompile(` id="([^"]+)"`).FindAllStringSubmatch(page, -1)
	seen := map[string]bool{}
	for _, m := range ids {
		assert.False(t, seen[m[1]], "id %s comes twice", m[1])
		seen[m[1]] = true
	}
	assert.Equal(t, strings.Count(page, "<svg viewBox=\"0 0 "), strings.Count(page, "role=\"img\" aria-label=\""), "every picture has a text alternative")
	assert.NotContains(t, page, `aria-label=""`)
}

// Each stack has as many buttons as drawings, one of them on, and a rule for
// every one.
func TestSteps(t *testing.T) {
	d, err := Case(study(t), Options{})
	require.NoError(t, err)
	page := spaced(d)
	stacks := regexp.MustCompile(`(?s)<div class="steps".*?</div>\n</div>`).FindAllString(page, -1)
	require.Len(t, stacks, 6, "contours, two along the axis in both scans, one across")
	for _, s := range stacks {
		buttons := strings.Count(s, `type="radio"`)
		assert.Equal(t, buttons, strings.Count(s, `<svg viewBox="0 0 `))
		assert.Equal(t, 1, strings.Count(s, " checked>"))
		assert.LessOrEqual(t, buttons, strings.Count(page, ":checked~.frames>svg"))
		assert.GreaterOrEqual(t, buttons, 11)
	}
	assert.Contains(t, page, `class="planned"`)
	assert.Contains(t, page, `class="achieved"`)
}
