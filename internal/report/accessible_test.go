package report

import (
	"bytes"
	"compress/zlib"
	"encoding/hex"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The conditions of the Matterhorn Protocol 1.1 (PDF Association, 2021) for PDF/UA-1
// (ISO 14289-1) that a program can check and that these files can meet or miss; the
// numbers are its failure conditions. Those about links, forms, media, scripts and
// security concern nothing that is here.

// pdfFile is a PDF as its objects, read without the code that wrote them.
type pdfFile struct {
	header  string
	objects map[string]string
	root    string
}

var (
	pdfObject = regexp.MustCompile(`(?s)(?:^|\n)(\d+) 0 obj\n(.*?)\nendobj\n`)
	pdfRoot   = regexp.MustCompile(`/Root (\d+) 0 R`)
)

func readPDF(t *testing.T, data []byte) pdfFile {
	t.Helper()
	f := pdfFile{header: string(data[:8]), objects: map[string]string{}}
	// Streams are not compressed alike, so an object ends where the next begins.
	for _, m := range pdfObject.FindAllSubmatch(bytes.ReplaceAll(data, []byte("\nendobj\n"), []byte("\nendobj\n\n")), -1) {
		f.objects[string(m[1])] = string(m[2])
	}
	root := pdfRoot.FindAllSubmatch(data, -1)
	require.NotEmpty(t, root)
	f.root = f.objects[string(root[len(root)-1][1])]
	return f
}

// refers is the number of the object that a key of a dictionary names.
func refers(dictionary, key string) string {
	m := regexp.MustCompile(`/` + key + ` (\d+) 0 R`).FindStringSubmatch(dictionary)
	if m == nil {
		return ""
	}
	return m[1]
}

// stream is what an object's stream holds.
func (f pdfFile) stream(t *testing.T, number string) string {
	t.Helper()
	m := regexp.MustCompile(`(?s)stream\n(.*)\nendstream`).FindStringSubmatch(f.objects[number])
	require.NotNil(t, m, number)
	if !strings.Contains(f.objects[number], "/FlateDecode") {
		return m[1]
	}
	r, err := zlib.NewReader(strings.NewReader(m[1]))
	require.NoError(t, err)
	content, err := io.ReadAll(r)
	require.NoError(t, err)
	return string(content)
}

// decoded is a text string in hexadecimal digits.
func decoded(t *testing.T, digits string) string {
	t.Helper()
	raw, err := hex.DecodeString(digits)
	require.NoError(t, err)
	var units []uint16
	for i := 2; i+1 < len(raw); i += 2 {
		units = append(units, uint16(raw[i])<<8|uint16(raw[i+1]))
	}
	return string(utf16.Decode(units))
}

var (
	literal  = regexp.MustCompile(`(?s)\((?:\\.|[^\\()])*\)`)
	painting = map[string]bool{"Tj": true, "S": true, "s": true, "f": true, "F": true, "B": true, "b": true, "f*": true, "B*": true, "b*": true, "sh": true, "Do": true}
)

// marked checks a page's content and gives the types of its marked content by their
// numbers.
func marked(t *testing.T, content string) map[string]string {
	t.Helper()
	out := map[string]string{}
	var open []string
	words := strings.Fields(literal.ReplaceAllString(content, "()"))
	for i, w := range words {
		switch {
		case w == "BMC":
			require.Equal(t, "/Artifact", words[i-1])
			require.Empty(t, open, "01-003: an artifact within content")
			open = append(open, "Artifact")
		case w == "BDC":
			kind := ""
			for j := i - 1; j >= 0 && kind == ""; j-- {
				if strings.HasPrefix(words[j], "/") && words[j] != "/MCID" {
					kind = words[j][1:]
				}
			}
			if words[i-2] == "<</MCID" {
				kind = words[i-3][1:]
				id := strings.TrimSuffix(words[i-1], ">>")
				require.NotContains(t, out, id)
				require.Empty(t, open, "01-004: content within an artifact or content")
				out[id] = kind
			}
			open = append(open, kind)
		case w == "EMC":
			require.NotEmpty(t, open)
			open = open[:len(open)-1]
		case painting[w]:
			require.NotEmpty(t, open, "01-005: %s is neither content nor artifact", w)
		}
	}
	require.Empty(t, open)
	return out
}

// structureElement is one element of a file's structure.
type structureElement struct {
	kind, alt string
	kids      []string // numbers of objects, in order
}

var (
	elementKind = regexp.MustCompile(`/S /(\w+)`)
	elementAlt  = regexp.MustCompile(`/Alt <([0-9A-F]+)>`)
	elementKids = regexp.MustCompile(`(?s)/K \[(.*)\]`)
	content     = regexp.MustCompile(`<</Type /MCR /Pg (\d+) 0 R /MCID (\d+)>>`)
	refersTo    = regexp.MustCompile(`(\d+) 0 R`)
	// allowed are the types of ISO 32000-1, 14.8.4 that reports have, with those that
	// may stand in them where only some may.
	allowed = map[string][]string{
		"Document": nil, "Sect": nil, "Div": nil, "P": {}, "Lbl": {}, "LBody": {}, "Figure": {}, "Caption": {}, "TH": {}, "TD": {},
		"H1": {}, "H2": {}, "H3": {}, "L": {"LI"}, "LI": {"Lbl", "LBody"},
		"Table": {"Caption", "THead", "TBody"}, "THead": {"TR"}, "TBody": {"TR"}, "TR": {"TH", "TD"},
	}
)

// accessible checks a PDF and gives its elements in reading order.
func accessible(t *testing.T, data []byte) []structureElement {
	t.Helper()
	f := readPDF(t, data)
	assert.GreaterOrEqual(t, f.header, "%PDF-1.7", "ISO 14289-1, 6.1")
	assert.Contains(t, f.root, "/Lang (en)", "11-006")
	assert.Contains(t, f.root, "/MarkInfo <</Marked true>>", "06-..., 01-007")
	assert.Contains(t, f.root, "/ViewerPreferences <</DisplayDocTitle true>>", "07-001, 07-002")
	assert.NotEmpty(t, refers(f.root, "Outlines"))
	packet := f.stream(t, refers(f.root, "Metadata"))
	assert.Contains(t, packet, "<pdfuaid:part>1</pdfuaid:part>", "05-001")
	assert.Regexp(t, `<dc:title><rdf:Alt><rdf:li xml:lang="x-default">[^<]+</rdf:li>`, packet, "06-003, 06-004")

	structure := f.objects[refers(f.root, "StructTreeRoot")]
	require.NotEmpty(t, structure, "11-001")
	// The content of pages, and whose it is.
	owners := map[string]string{} // page and number of marked content → object
	nums := regexp.MustCompile(`(\d+) \[([^\]]*)\]`).FindAllStringSubmatch(f.objects[refers(structure, "ParentTree")], -1)
	for number, object := range f.objects {
		if !strings.HasPrefix(object, "<</Type /Page\n") {
			continue
		}
		assert.Contains(t, object, "/Tabs /S", "28-002")
		key := regexp.MustCompile(`/StructParents (\d+)`).FindStringSubmatch(object)
		require.NotNil(t, key)
		kinds := marked(t, f.stream(t, refers(object, "Contents")))
		var list [][]string
		for _, n := range nums {
			if n[1] == key[1] {
				list = refersTo.FindAllStringSubmatch(n[2], -1)
			}
		}
		require.Len(t, list, len(kinds))
		for id, kind := range kinds {
			var at int
			_, err := fmt.Sscan(id, &at)
			require.NoError(t, err)
			owner := list[at][1]
			owners[number+" "+id] = owner
			assert.Equal(t, kind, elementKind.FindStringSubmatch(f.objects[owner])[1])
		}
	}
	require.NotEmpty(t, owners)

	var out []structureElement
	claimed := 0
	var visit func(number, parent string, above string)
	visit = func(number, parent, above string) {
		object := f.objects[number]
		e := structureElement{kind: elementKind.FindStringSubmatch(object)[1]}
		assert.Equal(t, parent, refers(object, "P"), "the way up is the way down")
		inside, known := allowed[e.kind]
		assert.True(t, known, "02-001: %s", e.kind)
		if a := elementAlt.FindStringSubmatch(object); a != nil {
			e.alt = decoded(t, a[1])
		}
		list := elementKids.FindStringSubmatch(object)
		require.NotNil(t, list)
		for _, m := range content.FindAllStringSubmatch(list[1], -1) {
			claimed++
			assert.Equal(t, number, owners[m[1]+" "+m[2]], "content of an element is its own")
		}
		for _, m := range refersTo.FindAllStringSubmatch(content.ReplaceAllString(list[1], ""), -1) {
			e.kids = append(e.kids, m[1])
			if inside != nil {
				assert.Contains(t, inside, elementKind.FindStringSubmatch(f.objects[m[1]])[1], "09-...: within %s", e.kind)
			}
		}
		switch e.kind {
		case "Figure":
			assert.NotEmpty(t, e.alt, "13-004")
			assert.Contains(t, object, "/BBox [")
		case "TH":
			assert.Regexp(t, `/Scope /(Row|Column)`, object, "15-003")
		case "Caption":
			assert.Equal(t, "Table", above)
		}
		out = append(out, e)
		for _, k := range e.kids {
			visit(k, number, e.kind)
		}
	}
	top := refersTo.FindStringSubmatch(elementKids.FindStringSubmatch(structure)[1])[1]
	visit(top, refers(f.root, "StructTreeRoot"), "")
	assert.Equal(t, len(owners), claimed, "every piece of content is in one element")

	level := 0
	for i, e := range out {
		var h int
		if _, err := fmt.Sscanf(e.kind, "H%d", &h); err != nil {
			continue
		}
		assert.LessOrEqual(t, h, level+1, "14-002, 14-003: heading %d", i)
		assert.Equal(t, h == 1, level == 0, "one heading of the first level, before all others")
		level = h
	}
	for _, object := range f.objects {
		if strings.Contains(object, "/Type /Font\n") && strings.Contains(object, "/Subtype /Type0") {
			assert.NotEmpty(t, refers(object, "ToUnicode"), "10-001")
		}
		if strings.Contains(object, "/Type /FontDescriptor") {
			assert.NotEmpty(t, refers(object, "FontFile2"), "31-009")
		}
	}
	return out
}

func TestPDFIsAccessible(t *testing.T) {
	s := study(t)
	s.Result.Simulated = true
	c, err := Case(s, Options{})
	require.NoError(t, err)
	stored := Stored(inDoubt(t), Options{})
	list := readSeries(t, writeSeries(t, 18)).Document(Options{})
	for name, d := range map[string]*Document{"case": c, "stored": stored, "series": list} {
		t.Run(name, func(t *testing.T) {
			for _, paper := range []Paper{A4, Letter} {
				pdf, err := d.PDF(paper)
				require.NoError(t, err)
				elements := accessible(t, pdf)
				kinds := map[string]int{}
				for _, e := range elements {
					kinds[e.kind]++
				}
				for _, want := range []string{"H1", "H2", "P", "LI", "Table", "Figure"} {
					assert.Positive(t, kinds[want], want)
				}
			}
		})
	}
}

// A check that finds nothing would show nothing: what is taken away is missed.
func TestAccessibilityIsMissed(t *testing.T) {
	assert.Equal(t, map[string]string{"0": "P"}, marked(t, "/P <</MCID 0>> BDC\nBT 1 2 Td (a EMC) Tj ET\nEMC\n/Artifact BMC\n1 2 m 3 4 l S\nEMC"))
	for name, content := range map[string]string{
		"unmarked text":       "BT 1 2 Td (a) Tj ET",
		"unmarked line":       "/P <</MCID 0>> BDC\nEMC\n1 2 m 3 4 l S",
		"open":                "/P <</MCID 0>> BDC\nBT (a) Tj ET",
		"content in artifact": "/Artifact BMC\n/P <</MCID 0>> BDC\nEMC\nEMC",
	} {
		t.Run(name, func(t *testing.T) {
			assert.True(t, fails(func(t *testing.T) { marked(t, content) }))
		})
	}
}

// fails reports whether a check fails, run apart.
func fails(check func(t *testing.T)) bool {
	var apart testing.T
	done := make(chan bool)
	go func() {
		defer close(done)
		check(&apart)
	}()
	<-done
	return apart.Failed()
}
