package report

import (
	"bytes"
	"compress/zlib"
	"encoding/hex"
	"encoding/xml"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The conditions of the Matterhorn Protocol 1.1 (PDF Association, 2021) for PDF/UA-1 (ISO
// 14289-1) that a program can check and that these files can meet or miss. The numbers are those
// of its failure conditions; some of checkpoint 01 were held against what taggedpdfschool.pdfa.org
// quotes of the protocol, the others are from memory. Whole checkpoints are met since
// their subject is not there at all: sound and film (05), optical recognition (08), formulas (17),
// notes (19), optional content (20), embedded files (21), article threads (22), forms (23 to 25),
// encryption (26), annotations and links (28), scripts (29), external objects (30). Not checked:
// what only a person can tell, such as the order of reading.

// pdfFile is a PDF as its objects, read without the code that wrote them.
type pdfFile struct {
	header  string
	trailer string
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
	_, f.trailer, _ = strings.Cut(string(data), "\ntrailer\n")
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
	painting = map[string]bool{"Tj": true, "TJ": true, "'": true, `"`: true, "BI": true, "S": true, "s": true, "f": true, "F": true, "B": true, "b": true, "f*": true, "B*": true, "b*": true, "sh": true, "Do": true}
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
	elementKind = regexp.MustCompile(`/S ?/(\w+)`)
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
	// only are the types that stand in some types alone.
	only = map[string][]string{
		"LI": {"L"}, "Lbl": {"LI"}, "LBody": {"LI"}, "THead": {"Table"}, "TBody": {"Table"}, "TR": {"THead", "TBody"},
		"TH": {"TR"}, "TD": {"TR"}, "Caption": {"Table"},
	}
)

// accessible checks a PDF and gives its elements in reading order.
func accessible(t *testing.T, data []byte) []structureElement {
	t.Helper()
	f := readPDF(t, data)
	assert.GreaterOrEqual(t, f.header, "%PDF-1.7", "ISO 14289-1, 6.1")
	assert.Contains(t, f.root, "/Lang (en)", "11-006")
	assert.Contains(t, f.root, "/MarkInfo <</Marked true>>", "01-007: and no suspects")
	assert.Contains(t, f.root, "/ViewerPreferences <</DisplayDocTitle true>>", "07-001, 07-002")
	assert.NotEmpty(t, refers(f.root, "Outlines"))
	packet := f.stream(t, refers(f.root, "Metadata"))
	assert.Contains(t, f.objects[refers(f.root, "Metadata")], "/Type /Metadata /Subtype /XML", "06-001")
	assert.Contains(t, packet, "<pdfuaid:part>1</pdfuaid:part>", "06-002")
	for words := xml.NewDecoder(strings.NewReader(packet)); ; {
		if _, err := words.Token(); err != nil {
			assert.ErrorIs(t, err, io.EOF, "06-001: metadata that can be read")
			break
		}
	}
	assert.Regexp(t, `<dc:title><rdf:Alt><rdf:li xml:lang="x-default">[^<]+</rdf:li>`, packet, "06-003")

	structure := f.objects[refers(f.root, "StructTreeRoot")]
	require.NotEmpty(t, structure, "01-006")
	assert.NotContains(t, structure, "/RoleMap", "02-003, 02-004: every type is a standard one as it is")
	for _, absent := range []struct{ key, why string }{
		{"/Encrypt", "26-001"}, {"/AcroForm", "24-..., 25-001"}, {"/Annots", "28-..."}, {"/OCProperties", "20-001"}, {"/Filespec", "21-001"},
		{"/JavaScript", "29-001"}, {"/Subtype /Form", "30-001, 30-002"}, {"/Subtype /Movie", "28-..."}, {"/Trans", "no page turns by itself"},
	} {
		for number, object := range f.objects {
			head, _, _ := strings.Cut(object, "\nstream\n")
			assert.NotContains(t, head, absent.key, "object %s: %s", number, absent.why)
		}
		assert.NotContains(t, f.trailer, absent.key, absent.why)
	}
	// The content of pages, and whose it is.
	owners := map[string]string{} // page and number of marked content → object
	seen := map[string]bool{}     // keys of pages in the parent tree
	nums := regexp.MustCompile(`(\d+) \[([^\]]*)\]`).FindAllStringSubmatch(f.objects[refers(structure, "ParentTree")], -1)
	for number, object := range f.objects {
		if !strings.HasPrefix(object, "<</Type /Page\n") {
			continue
		}
		assert.Contains(t, object, "/Tabs /S", "28-008, 28-009")
		key := regexp.MustCompile(`/StructParents (\d+)`).FindStringSubmatch(object)
		require.NotNil(t, key)
		assert.False(t, seen[key[1]], "ISO 32000-1, 14.7.4.4: a key for each page")
		seen[key[1]] = true
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
	var cells []int // of the rows of a table
	var visit func(number, parent string, above string)
	visit = func(number, parent, above string) {
		object := f.objects[number]
		e := structureElement{kind: elementKind.FindStringSubmatch(object)[1]}
		assert.Equal(t, parent, refers(object, "P"), "the way up is the way down")
		inside, known := allowed[e.kind]
		assert.True(t, known, "02-001: %s", e.kind)
		if parents := only[e.kind]; parents != nil {
			assert.Contains(t, parents, above, "09-004, 09-005: %s", e.kind)
		}
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
		case "TR":
			cells = append(cells, len(e.kids))
		}
		out = append(out, e)
		if e.kind == "Table" {
			cells = nil
		}
		for _, k := range e.kids {
			visit(k, number, e.kind)
		}
		if e.kind == "Table" {
			assert.Len(t, slices.Compact(cells), 1, "ISO 14289-1, 7.5: a table has as many cells in every row")
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
	f.typefaces(t)
	return out
}

// unicodeRange is a range of a typeface's map to Unicode.
var unicodeRange = regexp.MustCompile(`<([0-9A-F]{4})> <([0-9A-F]{4})> <([0-9A-F]{4})>`)

// setInFace is a change of typeface, or a text that is set.
var setInFace = regexp.MustCompile(`(?s)/(F[0-9a-f]+) [0-9.]+ Tf|\(((?:\\.|[^\\)])*)\) ?Tj`)

// typefaces checks that every typeface is embedded and maps what is set in it to glyphs and to
// characters.
func (f pdfFile) typefaces(t *testing.T) {
	t.Helper()
	set := map[string]map[int]bool{} // by the typeface's name, the codes
	for _, object := range f.objects {
		if !strings.HasPrefix(object, "<</Type /Page\n") {
			continue
		}
		face := ""
		for _, m := range setInFace.FindAllStringSubmatch(f.stream(t, refers(object, "Contents")), -1) {
			if m[1] != "" {
				face = m[1]
				continue
			}
			raw := unescaped(m[2])
			for i := 0; i+1 < len(raw); i += 2 {
				if set[face] == nil {
					set[face] = map[int]bool{}
				}
				set[face][int(raw[i])<<8|int(raw[i+1])] = true
			}
		}
	}
	require.NotEmpty(t, set)
	faces := 0
	for _, object := range f.objects {
		for _, m := range regexp.MustCompile(`/(F[0-9a-f]{40}) (\d+) 0 R`).FindAllStringSubmatch(object, -1) {
			faces++
			font := f.objects[m[2]]
			assert.Contains(t, font, "/Subtype /Type0")
			assert.Contains(t, font, "/Encoding /Identity-H", "31-006")
			descendant := f.objects[regexp.MustCompile(`/DescendantFonts \[(\d+) 0 R\]`).FindStringSubmatch(font)[1]]
			assert.Contains(t, descendant, "/Subtype /CIDFontType2")
			assert.Contains(t, f.objects[refers(descendant, "CIDSystemInfo")], "/Registry (Adobe)", "31-001")
			descriptor := f.objects[refers(descendant, "FontDescriptor")]
			require.NotEmpty(t, refers(descriptor, "FontFile2"), "31-009")
			assert.NotContains(t, descriptor, "/CIDSet", "31-013, 31-014: there is none to be incomplete")
			glyphs := f.stream(t, refers(descendant, "CIDToGIDMap"))
			widths, advances := widthsOf(t, descendant), advancesOf(t, f.stream(t, refers(descriptor, "FontFile2")))
			known := map[int]bool{}
			for _, r := range unicodeRange.FindAllStringSubmatch(f.stream(t, refers(font, "ToUnicode")), -1) {
				var from, to, first int
				_, err := fmt.Sscanf(r[1]+" "+r[2]+" "+r[3], "%x %x %x", &from, &to, &first)
				require.NoError(t, err)
				assert.Equal(t, from>>8, to>>8, "ISO 32000-1, 9.10.3")
				for code := from; code <= to; code++ {
					u := first + code - from
					assert.False(t, u == 0 || u == 0xfeff || u == 0xfffe || u >= 0xd800 && u < 0xe000, "31-028: U+%04X", u)
					known[code] = true
				}
			}
			for code := range set[m[1]] {
				assert.True(t, known[code], "31-027, 10-001: %04X", code)
				require.Less(t, 2*code+1, len(glyphs))
				glyph := int(glyphs[2*code])<<8 | int(glyphs[2*code+1])
				assert.NotZero(t, glyph, "31-011, 31-030: no glyph for %04X", code)
				width, listed := widths[code]
				assert.True(t, listed, "%04X", code)
				assert.InDelta(t, advances(glyph), width, 1, "31-016: %04X", code)
			}
			delete(set, m[1])
		}
	}
	assert.Positive(t, faces)
	assert.Empty(t, set, "every typeface is known")
}

// widthsOf are the widths of codes that a typeface states, in thousandths of its size.
func widthsOf(t *testing.T, font string) map[int]float64 {
	t.Helper()
	list := regexp.MustCompile(`(?s)/W \[(.*)\]`).FindStringSubmatch(font)
	require.NotNil(t, list)
	words := strings.Fields(strings.NewReplacer("[", " [ ", "]", " ] ").Replace(list[1]))
	number := func(i int) (v int) {
		_, err := fmt.Sscan(words[i], &v)
		require.NoError(t, err, words[i])
		return v
	}
	out := map[int]float64{}
	for i := 0; i+2 < len(words); {
		first := number(i)
		if words[i+1] != "[" { // a range of one width
			for code := first; code <= number(i+1); code++ {
				out[code] = float64(number(i + 2))
			}
			i += 3
			continue
		}
		for i += 2; words[i] != "]"; i++ {
			out[first] = float64(number(i))
			first++
		}
		i++
	}
	return out
}

// advancesOf gives the widths of glyphs that a TrueType file has, in thousandths of its size
// (OpenType 1.9: head, hhea, hmtx).
func advancesOf(t *testing.T, file string) func(glyph int) float64 {
	t.Helper()
	at := func(s string, i int) int { return int(s[i])<<8 | int(s[i+1]) }
	tables := map[string]string{}
	for i := range at(file, 4) {
		entry := file[12+16*i:]
		tables[entry[:4]] = file[at(entry, 8)<<16|at(entry, 10):]
	}
	for _, name := range []string{"head", "hhea", "hmtx"} {
		require.Contains(t, tables, name)
	}
	em, last := float64(at(tables["head"], 18)), at(tables["hhea"], 34)-1
	return func(glyph int) float64 { return 1000 * float64(at(tables["hmtx"], 4*min(glyph, last))) / em }
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
	pdf, err := Stored(inDoubt(t), Options{}).PDF(A4)
	require.NoError(t, err)
	require.False(t, fails(func(t *testing.T) { accessible(t, pdf) }))
	for from, to := range map[string]string{ // each of the same length
		"/Lang (en)": "/Lung (en)", "/Scope /Column": "/Scope /Calumn", "/Alt <FEFF": "/Alx <FEFF", "DisplayDocTitle true": "DisplayDocTitle null",
		"<pdfuaid:part>1<": "<pdfuaid:part>7<", "/S /H2": "/S /H3", "/S /TD": "/S /LI", "/Tabs /S": "/Tabs /R", "/FontFile2": "/FontFileX",
		"/Identity-H": "/Identity-V", "/Marked true": "/Marked null", "/PageMode": "/Encrypts", "%PDF-1.7": "%PDF-1.3",
		"/StructElem /S /L /P": "/StructElem/S/Div /P", " 32 [ 278 ": " 32 [ 678 ", "</dc:title>": "</dc:titel>", "/StructParents 1": "/StructParents 0",
	} {
		t.Run("without "+from, func(t *testing.T) {
			require.Len(t, to, len(from))
			changed := bytes.Replace(pdf, []byte(from), []byte(to), 1)
			require.NotEqual(t, pdf, changed)
			assert.True(t, fails(func(t *testing.T) { accessible(t, changed) }))
		})
	}
	for name, content := range map[string]string{
		"unmarked text":        "BT 1 2 Td (a) Tj ET",
		"unmarked spaced text": "BT [(a) -3 (b)] TJ ET",
		"unmarked image":       "BI /W 1 /H 1 ID x EI",
		"unmarked line":        "/P <</MCID 0>> BDC\nEMC\n1 2 m 3 4 l S",
		"open":                 "/P <</MCID 0>> BDC\nBT (a) Tj ET",
		"content in artifact":  "/Artifact BMC\n/P <</MCID 0>> BDC\nEMC\nEMC",
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
