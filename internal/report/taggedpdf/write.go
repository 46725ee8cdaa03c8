package taggedpdf

import (
	"bytes"
	"compress/zlib"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Write finishes the PDF and gives it with its structure.
//
// Errors: those of fpdf, and a file that is not as fpdf writes one, which is a fault of
// the program.
func (t *Tree) Write() ([]byte, error) {
	var b bytes.Buffer
	if err := t.pdf.Output(&b); err != nil {
		return nil, err
	}
	f, err := read(b.Bytes())
	if err != nil {
		return nil, err
	}
	pages, err := f.pages()
	if err != nil {
		return nil, err
	}
	structure, parents := f.add(""), f.add("")
	for i, page := range pages {
		if !f.extend(page, fmt.Sprintf("/StructParents %d /Tabs /S", i)) {
			return nil, errors.New("a page's object is not as expected")
		}
	}
	t.root.visit(func(e *element) { e.number = f.add("") })
	t.root.visit(func(e *element) { f.objects[e.number] = e.text(structure, pages) })
	f.objects[structure] = fmt.Sprintf("<</Type /StructTreeRoot /K [%d 0 R] /ParentTree %d 0 R /ParentTreeNextKey %d>>", t.root.number, parents, len(pages))
	var tree strings.Builder
	tree.WriteString("<</Nums [")
	for i := range pages {
		fmt.Fprintf(&tree, "%d [", i)
		if i < len(t.marks) {
			for _, e := range t.marks[i] {
				fmt.Fprintf(&tree, "%d 0 R ", e.number)
			}
		}
		tree.WriteString("] ")
	}
	f.objects[parents] = tree.String() + "]>>"
	for i := range f.objects {
		if n := toUnicode.FindStringSubmatch(f.objects[i]); n != nil {
			at, err := strconv.Atoi(n[1])
			if err != nil || at >= len(f.objects) {
				return nil, errors.New("a typeface names no map to Unicode")
			}
			f.objects[at] = unicodes()
		}
	}
	if !f.extend(f.root, fmt.Sprintf("/MarkInfo <</Marked true>> /StructTreeRoot %d 0 R /ViewerPreferences <</DisplayDocTitle true>>", structure)) {
		return nil, errors.New("the catalog is not as expected")
	}
	return f.bytes(), nil
}

// unicodes is the map of a typeface's codes to Unicode, which fpdf makes equal. Its own has all
// of 0000 to FFFF in one range, with zero, the byte order marks and single surrogates in it,
// which are no characters (ISO 14289-1, 7.21.7), and over more than one last byte (ISO 32000-1,
// 9.10.3).
func unicodes() string {
	const most = 100 // ranges to a block
	var ranges []string
	for high := range 0x100 {
		low, last := 0, 0xff
		switch {
		case high == 0:
			low = 1
		case high == 0xfe:
			last = 0xfe
		case high == 0xff:
			last = 0xfd
		case high >= 0xd8 && high <= 0xdf:
			continue
		}
		ranges = append(ranges, fmt.Sprintf("<%02X%02X> <%02X%02X> <%02X%02X>\n", high, low, high, last, high, low))
	}
	var b strings.Builder
	b.WriteString("/CIDInit /ProcSet findresource begin\n12 dict begin\nbegincmap\n/CIDSystemInfo\n<</Registry (Adobe)\n/Ordering (UCS)\n/Supplement 0\n>> def\n" +
		"/CMapName /Adobe-Identity-UCS def\n/CMapType 2 def\n1 begincodespacerange\n<0000> <FFFF>\nendcodespacerange\n")
	for part := range slices.Chunk(ranges, most) {
		fmt.Fprintf(&b, "%d beginbfrange\n%sendbfrange\n", len(part), strings.Join(part, ""))
	}
	b.WriteString("endcmap\nCMapName currentdict /CMap defineresource pop\nend\nend")
	var packed bytes.Buffer
	w := zlib.NewWriter(&packed)
	// A buffer takes every write.
	_, _ = w.Write([]byte(b.String()))
	_ = w.Close()
	return fmt.Sprintf("<</Length %d /Filter /FlateDecode>>\nstream\n%s\nendstream", packed.Len(), packed.String())
}

// visit calls f for an element and all in it, in reading order.
func (e *element) visit(f func(*element)) {
	f(e)
	for _, k := range e.kids {
		if k.element != nil {
			k.element.visit(f)
		}
	}
}

// text is an element's object.
func (e *element) text(structure int, pages []int) string {
	var b strings.Builder
	parent := structure
	if e.parent != nil {
		parent = e.parent.number
	}
	fmt.Fprintf(&b, "<</Type /StructElem /S /%s /P %d 0 R", e.kind, parent)
	if e.alt != "" {
		b.WriteString(" /Alt " + hex(e.alt))
	}
	if e.scope != "" {
		fmt.Fprintf(&b, " /A <</O /Table /Scope /%s>>", e.scope)
	}
	if e.box != nil {
		fmt.Fprintf(&b, " /A <</O /Layout /Placement /Block /BBox [%.2f %.2f %.2f %.2f]>>", e.box[0], e.box[1], e.box[2], e.box[3])
	}
	b.WriteString(" /K [")
	for i, k := range e.kids {
		if i > 0 {
			b.WriteByte(' ')
		}
		if k.element != nil {
			fmt.Fprintf(&b, "%d 0 R", k.element.number)
			continue
		}
		fmt.Fprintf(&b, "<</Type /MCR /Pg %d 0 R /MCID %d>>", pages[k.page-1], k.id)
	}
	b.WriteString("]>>")
	return b.String()
}

// file is a PDF as its objects.
type file struct {
	objects    []string // by their numbers; that of 0 is empty
	root, info int
}

var (
	sectionAt = regexp.MustCompile(`startxref\n(\d+)\n%%EOF\s*$`)
	trailer   = regexp.MustCompile(`(?s)trailer\n<<.*/Root (\d+) 0 R.*/Info (\d+) 0 R`)
	kids      = regexp.MustCompile(`/Kids \[([^\]]*)\]`)
	toUnicode = regexp.MustCompile(`/ToUnicode (\d+) 0 R`)
	reference = regexp.MustCompile(`(\d+) 0 R`)
)

const (
	entryLength = 20 // of a line of the cross-reference table
	pageTree    = 1  // fpdf's object of all pages
)

// read takes a file as fpdf writes it apart.
func read(data []byte) (*file, error) {
	at := sectionAt.FindSubmatch(data)
	if at == nil {
		return nil, errors.New("the PDF has no cross-reference table")
	}
	table, err := strconv.Atoi(string(at[1]))
	if err != nil || table >= len(data) {
		return nil, errors.New("the PDF's cross-reference table is not where it should be")
	}
	var size int
	if _, err := fmt.Sscanf(string(data[table:min(len(data), table+40)]), "xref\n0 %d\n", &size); err != nil {
		return nil, fmt.Errorf("the PDF's cross-reference table: %w", err)
	}
	entries := data[table+len(fmt.Sprintf("xref\n0 %d\n", size)):]
	ends := trailer.FindSubmatch(entries)
	if ends == nil || len(entries) < size*entryLength {
		return nil, errors.New("the PDF has no trailer")
	}
	offsets := make([]int, size)
	for i := 1; i < size; i++ {
		if offsets[i], err = strconv.Atoi(string(entries[i*entryLength : i*entryLength+10])); err != nil {
			return nil, fmt.Errorf("the PDF's cross-reference table: %w", err)
		}
	}
	inFile := append(slices.Clone(offsets[1:]), table)
	slices.Sort(inFile)
	f := &file{objects: make([]string, size)}
	for i := 1; i < size; i++ {
		next, _ := slices.BinarySearch(inFile, offsets[i]+1)
		body, begins := bytes.CutPrefix(data[offsets[i]:inFile[next]], fmt.Appendf(nil, "%d 0 obj\n", i))
		body, ends := bytes.CutSuffix(body, []byte("\nendobj\n"))
		if !begins || !ends {
			return nil, fmt.Errorf("object %d of the PDF is not where it should be", i)
		}
		f.objects[i] = string(body)
	}
	f.root, _ = strconv.Atoi(string(ends[1]))
	f.info, _ = strconv.Atoi(string(ends[2]))
	return f, nil
}

// pages are the numbers of the pages' objects.
func (f *file) pages() ([]int, error) {
	list := kids.FindStringSubmatch(f.objects[pageTree])
	if list == nil {
		return nil, errors.New("the PDF has no list of pages")
	}
	var out []int
	for _, m := range reference.FindAllStringSubmatch(list[1], -1) {
		n, err := strconv.Atoi(m[1])
		if err != nil || n >= len(f.objects) {
			return nil, errors.New("the PDF's list of pages names no object")
		}
		out = append(out, n)
	}
	return out, nil
}

// add gives a new object its number.
func (f *file) add(text string) int {
	f.objects = append(f.objects, text)
	return len(f.objects) - 1
}

// extend puts entries at the end of an object that is a dictionary.
func (f *file) extend(number int, entries string) bool {
	text, ok := strings.CutSuffix(f.objects[number], ">>")
	f.objects[number] = text + "\n" + entries + ">>"
	return ok
}

// bytes is the file, PDF 1.7. The second line tells programs that it is not text.
func (f *file) bytes() []byte {
	var b bytes.Buffer
	b.WriteString("%PDF-1.7\n%\u00b5\u00b6\n")
	offsets := make([]int, len(f.objects))
	for i := 1; i < len(f.objects); i++ {
		offsets[i] = b.Len()
		fmt.Fprintf(&b, "%d 0 obj\n%s\nendobj\n", i, f.objects[i])
	}
	table := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(f.objects))
	for _, at := range offsets[1:] {
		fmt.Fprintf(&b, "%010d 00000 n \n", at)
	}
	fmt.Fprintf(&b, "trailer\n<</Size %d /Root %d 0 R /Info %d 0 R>>\nstartxref\n%d\n%%%%EOF\n", len(f.objects), f.root, f.info, table)
	return b.Bytes()
}
