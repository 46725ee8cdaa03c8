package cli

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"golang.org/x/text/unicode/bidi"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/printable"
	"plumbline/internal/series"
)

// forged would be a line of the program's own, were it to begin one.
const forged = "99 of 99 files are as they were packed"

// hostile has what steers a terminal, ends a line, turns the text beside it and
// begins a formula.
const hostile = "x\x1b[2J\r\n" + forged + "\n=1+1\t\u0085\u009b31m\u2028\u2029\u202e\u2066\u200f\ufeff\x7f;=2 שלום"

// textFlaw says why a text is not fit to be printed; "" where it is.
func textFlaw(text string) string {
	for _, line := range strings.Split(text, "\n") {
		if strings.HasPrefix(strings.TrimSpace(line), forged) {
			return "a line is forged"
		}
		open := false
		for _, r := range line {
			p, _ := bidi.LookupRune(r)
			switch {
			case r == printable.Isolate && !open, r == printable.Deisolate && open:
				open = !open
			case r == printable.Joiner, r == printable.NonJoiner:
			case unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp):
				return fmt.Sprintf("%U in %q", r, line)
			case !open && (p.Class() == bidi.R || p.Class() == bidi.AL || p.Class() == bidi.AN):
				return fmt.Sprintf("%U is not isolated in %q", r, line)
			}
		}
		if open {
			return fmt.Sprintf("an isolate is left open in %q", line)
		}
	}
	return ""
}

func checkText(t *testing.T, what, text string) {
	t.Helper()
	require.Empty(t, textFlaw(text), what)
}

var plainNumber = regexp.MustCompile(`^-?[0-9.]+$`)

// tableFlaw says why a table is not fit for a spreadsheet, whichever of the usual
// characters parts its cells there; "" where it is.
func tableFlaw(text string) string {
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		return err.Error()
	}
	for _, row := range rows {
		for _, cell := range row {
			if plainNumber.MatchString(cell) {
				continue
			}
			for _, part := range strings.FieldsFunc(cell, func(r rune) bool { return strings.ContainsRune(",;|\t\r\n", r) }) {
				begin := strings.TrimLeftFunc(part, func(r rune) bool {
					return !unicode.IsPrint(r) || unicode.IsSpace(r) || r == unicode.ReplacementChar
				})
				if begin != "" && strings.ContainsRune("=+-@", rune(begin[0])) {
					return fmt.Sprintf("%q begins a formula", cell)
				}
			}
			if strings.ContainsFunc(cell, func(r rune) bool {
				return unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) && r != printable.Joiner && r != printable.NonJoiner
			}) {
				return fmt.Sprintf("%q has what cannot be seen", cell)
			}
		}
	}
	return ""
}

func checkCells(t *testing.T, what, text string) {
	t.Helper()
	require.Empty(t, tableFlaw(text), what)
}

var rawStyle = regexp.MustCompile(`(?s)<style>.*?</style>`)

// checkFiles looks at what commands wrote into a folder.
func checkFiles(t *testing.T, what, dir string) int {
	t.Helper()
	n := 0
	for name, data := range filesOf(t, dir) {
		n++
		what := what + ", " + name
		switch filepath.Ext(name) {
		case ".html":
			checkText(t, what, html.UnescapeString(rawStyle.ReplaceAllString(data, "")))
		case ".csv":
			checkCells(t, what, data)
		case ".zip":
			z, err := zip.NewReader(strings.NewReader(data), int64(len(data)))
			require.NoError(t, err)
			for _, f := range z.File {
				r, err := f.Open()
				require.NoError(t, err)
				inner, err := io.ReadAll(r)
				require.NoError(t, err)
				what := what + ": " + f.Name
				checkText(t, what, f.Name)
				switch filepath.Ext(f.Name) {
				case ".html":
					checkText(t, what, html.UnescapeString(rawStyle.ReplaceAllString(string(inner), "")))
				case ".csv":
					checkCells(t, what, string(inner))
				case ".txt", ".md":
					checkText(t, what, strings.ReplaceAll(string(inner), "\t", " "))
				}
			}
		case ".pdf":
			// Of a PDF's text only its title stands as such; the rest are numbers of glyphs.
			for _, m := range regexp.MustCompile(`(?s)/Title \((.*?)\)\n`).FindAllStringSubmatch(data, -1) {
				require.NotContains(t, strings.ReplaceAll(m[1], "\x00", ""), "\x1b", what)
			}
		}
	}
	return n
}

// said runs a command and checks what it says.
func said(t *testing.T, what string, args ...string) outcome {
	t.Helper()
	got := run(args...)
	what = fmt.Sprintf("%s: %s", what, args[0])
	stdout := got.stdout
	if slices.Contains(args, "--json") { // letters stand in JSON as they are
		stdout = strings.ReplaceAll(stdout, "שלום", "")
	}
	checkText(t, what+", standard output", stdout)
	checkText(t, what+", standard error", got.stderr)
	return got
}

// eachString visits every string of a JSON value; set puts another in its place.
func eachString(v any, at string, visit func(path string, set func(string), restore func())) {
	switch v := v.(type) {
	case map[string]any:
		for _, name := range slices.Sorted(maps.Keys(v)) {
			field := v[name]
			if _, text := field.(string); text {
				visit(at+"."+name, func(s string) { v[name] = s }, func() { v[name] = field })
			}
			eachString(field, at+"."+name, visit)
		}
	case []any:
		for i, field := range v {
			if _, text := field.(string); text {
				visit(at+"[]", func(s string) { v[i] = s }, func() { v[i] = field })
			}
			eachString(field, at+"[]", visit)
		}
	}
}

// sealedLine gives a record of a series its hash, as the program does.
func sealedLine(t *testing.T, record map[string]any) string {
	t.Helper()
	text, err := json.Marshal(record)
	require.NoError(t, err)
	body := strings.TrimSuffix(string(text), "}")
	sum := sha256.Sum256([]byte(body))
	return body + `,"hash":"` + hex.EncodeToString(sum[:]) + "\"}\n"
}

// Whatever a text from outside holds, no output of any command is steered, forged
// or run as a formula by it: every string of a measurement.
func TestHostileTextOfMeasurements(t *testing.T) {
	world(t)
	seriesOf(t)
	text, err := os.ReadFile("c.json")
	require.NoError(t, err)
	var m map[string]any
	require.NoError(t, json.Unmarshal(text, &m))
	m["flags"] = []any{map[string]any{"code": "a", "message": "b", "level": "doubt"}}
	fields, reported := map[string]bool{}, 0
	eachString(m, "", func(path string, set func(string), restore func()) {
		if fields[path] {
			return
		}
		fields[path] = true
		set(hostile)
		defer restore()
		changed, err := json.Marshal(m)
		require.NoError(t, err)
		for _, dir := range []string{"out", "in", "s.jsonl"} {
			require.NoError(t, os.RemoveAll(dir))
		}
		require.NoError(t, os.Mkdir("out", 0o755))
		write(t, "in/m.json", string(changed))
		if said(t, path, "report", "in/m.json", "out/m.html").status != BadInput {
			reported++
		}
		if said(t, path, "series", "import", "in", "s.jsonl").status == Done {
			said(t, path, "series", "show", "--all", "s.jsonl")
			said(t, path, "series", "export", "--csv", "out/s.csv", "s.jsonl")
		}
		checkFiles(t, path, "out")
	})
	assert.GreaterOrEqual(t, len(fields), 20)
	assert.Greater(t, reported, 15)
}

// Every string of every kind of record of a series file.
func TestHostileTextOfSeries(t *testing.T) {
	t.Chdir(seriesWorld(t))
	for _, args := range [][]string{
		{"seal", "--series", "s.jsonl", "C-1"},
		{"series", "import", "past.csv", "s.jsonl"},
		{"series", "leave-out", "--case", "C-1", "--reason", "no scan", "s.jsonl"},
		{"series", "remark", "--case", "P-00", "--by", "mentor-a", "--text", "a hard case", "s.jsonl"},
		{"series", "correct", "--record", "2", "--withdraw", "--reason", "twice", "s.jsonl"},
	} {
		require.Equal(t, Done, run(args...).status, args)
	}
	text, err := os.ReadFile("s.jsonl")
	require.NoError(t, err)
	var records []map[string]any
	for _, line := range strings.Split(strings.TrimSpace(string(text)), "\n") {
		var r map[string]any
		require.NoError(t, json.Unmarshal([]byte(line), &r))
		delete(r, "hash")
		records = append(records, r)
	}
	fields, shown := map[string]bool{}, 0
	for i, r := range records {
		kind := r["kind"].(string)
		eachString(r, kind, func(path string, set func(string), restore func()) {
			if fields[path] || strings.HasSuffix(path, ".before") {
				return
			}
			fields[path] = true
			set(hostile)
			defer restore()
			// The chain is written anew, as somebody can who holds the file.
			var b strings.Builder
			before := strings.Repeat("0", 64)
			for _, r := range records {
				r["before"] = before
				line := sealedLine(t, r)
				before = line[len(line)-67 : len(line)-3]
				b.WriteString(line)
			}
			require.NoError(t, os.RemoveAll("out"))
			require.NoError(t, os.Mkdir("out", 0o755))
			write(t, "forged.jsonl", b.String())
			said(t, path, "series", "check", "forged.jsonl")
			if got := said(t, path, "series", "show", "--all", "forged.jsonl"); got.status == Done && strings.Contains(got.stdout, "\ufffd31m") {
				shown++
				said(t, path, "report", "forged.jsonl", "out/s.html")
			}
			said(t, path, "seal", "--series", "forged.jsonl", "C-1")
			said(t, path, "series", "export", "--csv", "out/s.csv", "forged.jsonl")
			if i == len(records)-1 {
				said(t, path, "pack", "forged.jsonl", "out/p.zip")
			}
			checkFiles(t, path, "out")
		})
	}
	assert.Greater(t, len(fields), 25)
	assert.Greater(t, shown, 1)
}

// repack writes an archive with its members changed.
func repack(t *testing.T, from, to string, change func(name string, data []byte) (string, []byte)) {
	t.Helper()
	in, err := zip.OpenReader(from)
	require.NoError(t, err)
	defer in.Close()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, f := range in.File {
		r, err := f.Open()
		require.NoError(t, err)
		data, err := io.ReadAll(r)
		require.NoError(t, err)
		name, data := change(f.Name, data)
		w, err := z.Create(name)
		require.NoError(t, err)
		_, err = w.Write(data)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	write(t, to, b.String())
}

// Every string of a pack's manifest and the names of its members.
func TestHostileTextOfPacks(t *testing.T) {
	t.Chdir(seriesWorld(t))
	require.Equal(t, Done, run("seal", "--series", "s.jsonl", "C-1").status)
	require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
	require.Equal(t, Done, run("pack", "s.jsonl", "p.zip").status)
	in, err := zip.OpenReader("p.zip")
	require.NoError(t, err)
	defer in.Close()
	pack := func(change func(name string, data []byte) (string, []byte)) {
		repack(t, "p.zip", "hostile.zip", change)
	}
	checked := 0
	for _, f := range in.File {
		pack(func(name string, data []byte) (string, []byte) {
			if name == f.Name {
				name = hostile
			}
			return name, data
		})
		said(t, "member "+f.Name, "pack", "--check", "hostile.zip")
		checked++
		if filepath.Ext(f.Name) != ".json" {
			continue
		}
		r, err := f.Open()
		require.NoError(t, err)
		var doc any
		if json.NewDecoder(r).Decode(&doc) != nil {
			continue
		}
		fields := map[string]bool{}
		eachString(doc, f.Name, func(path string, set func(string), restore func()) {
			if fields[path] {
				return
			}
			fields[path] = true
			set(hostile)
			defer restore()
			changed, err := json.Marshal(doc)
			require.NoError(t, err)
			pack(func(name string, data []byte) (string, []byte) {
				if name == f.Name {
					data = changed
				}
				return name, data
			})
			said(t, path, "pack", "--check", "hostile.zip")
			checked++
		})
	}
	assert.Greater(t, checked, 15)
}

// Every string of a case file, of tables, and of what stands on the command line.
func TestHostileTextOfCasesAndTables(t *testing.T) {
	t.Chdir(t.TempDir())
	quoted, err := json.Marshal(hostile)
	require.NoError(t, err)
	toml := regexp.MustCompile(`"(C-1|clinician-a|iso3950|pre|post|36|matrix)"|2026-03-14`)
	places := toml.FindAllStringIndex(plan, -1)
	require.GreaterOrEqual(t, len(places), 8)
	rampCase(t, "case")
	for _, at := range places {
		what := "case.toml, " + plan[at[0]:at[1]]
		write(t, "case/case.toml", plan[:at[0]]+string(quoted)+plan[at[1]:])
		require.NoError(t, os.RemoveAll("s.jsonl"))
		said(t, what, "seal", "--series", "s.jsonl", "case")
		said(t, what, "measure", "case")
	}
	for _, text := range []string{
		strings.Replace(plan, "diameter", string(quoted), 1),
		strings.Replace(plan, "diameter", "\x1b[2J\n\u202ediameter", 1),
		plan + "\n[[fixture.mesh]]\nfile = " + string(quoted),
	} {
		write(t, "case/case.toml", text)
		said(t, "case.toml, a key", "measure", "case")
	}

	cell := `"` + hostile + `"`
	for i, column := range strings.Split(strings.SplitN(past(), "\n", 2)[0], ";") {
		lines := strings.SplitN(past(), "\n", 3)
		cells := strings.Split(lines[1], ";")
		cells[i] = cell
		write(t, "t.csv", lines[0]+"\n"+strings.Join(cells, ";")+"\n"+lines[2])
		require.NoError(t, os.RemoveAll("s.jsonl"))
		if said(t, "table, "+column, "series", "import", "t.csv", "s.jsonl").status == Done {
			said(t, "table, "+column, "series", "show", "--all", "s.jsonl")
		}
		names := strings.Split(lines[0], ";")
		names[i] = cell
		write(t, "t.csv", strings.Join(names, ";")+"\n"+lines[1]+"\n")
		said(t, "table, heading "+column, "series", "import", "t.csv", "s.jsonl")
	}
	rows := strings.Split(strings.TrimSpace(strings.ReplaceAll(planTable, "\r", "")), "\n")
	for i, column := range strings.Split(rows[0], ";") {
		for which := range rows {
			changed := slices.Clone(rows)
			cells := strings.Split(rows[which], ";")
			cells[i] = `"` + strings.NewReplacer("\n", " ", "\r", " ").Replace(hostile) + `"`
			changed[which] = strings.Join(cells, ";")
			require.NoError(t, os.RemoveAll("drafted"))
			write(t, "drafted/t.csv", strings.Join(changed, "\n"))
			said(t, "table of a plan, "+column, "case", "drafted/t.csv")
		}
	}
	write(t, "past.csv", past())
	require.NoError(t, os.RemoveAll("s.jsonl"))
	require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
	for _, args := range [][]string{
		{hostile}, {"series", hostile}, {"help", hostile}, {"measure", "--" + hostile}, {"version", hostile},
		{"series", "leave-out", "--case", hostile, "--reason", "x", "s.jsonl"},
		{"series", "leave-out", "--case", "C-9", "--reason", hostile, "s.jsonl"},
		{"series", "remark", "--by", hostile, "--text", "x", "s.jsonl"},
		{"series", "remark", "--by", "m", "--text", hostile, "s.jsonl"},
		{"series", "show", "--all", "--clinician", hostile, "s.jsonl"},
		{"series", "check", "--receipt", hostile, "s.jsonl"},
		{"scan", "--series", hostile, "case/pre"},
		{"report", "--patient-name", hostile, "s.jsonl", "x.dcm"},
		{"report", "--study", hostile, "s.jsonl", "x.dcm"},
		{"measure", "--numbering", hostile, "case"},
	} {
		said(t, strings.Join(args[:len(args)-1], " "), args...)
	}
}

// Every text of a structure's surface: the names of the solids, and each of its words.
func TestHostileTextOfSurfaces(t *testing.T) {
	t.Chdir(t.TempDir())
	rampCase(t, "case")
	write(t, "case/case.toml", strings.Replace(plan, "[alignment]", "[[structure]]\nname = \"sinus\"\nkind = \"sinus\"\nsurface = \"s.stl\"\n\n[alignment]", 1))
	var text strings.Builder
	text.WriteString("solid sinus\n")
	for _, face := range [][3]string{{"-9 20 5", "-3 26 25", "9 20 5"}, {"-9 20 5", "9 20 5", "0 40 5"}, {"9 20 5", "-3 26 25", "0 40 5"}, {"0 40 5", "-3 26 25", "-9 20 5"}} {
		text.WriteString("facet normal 0 0 0\nouter loop\nvertex " + strings.Join(face[:], "\nvertex ") + "\nendloop\nendfacet\n")
	}
	text.WriteString("endsolid sinus\n")
	whole, read := text.String(), 0
	words := regexp.MustCompile(`\S+`).FindAllStringIndex(whole, 20)
	last := strings.LastIndex(whole, "sinus")
	inLine := strings.NewReplacer("\n", "", "\r", "", " ", "").Replace(hostile)
	for _, at := range append(words, []int{last, last + len("sinus")}) {
		for _, text := range []string{hostile, inLine} {
			write(t, "case/s.stl", whole[:at[0]]+text+whole[at[1]:])
			require.NoError(t, os.RemoveAll("out"))
			require.NoError(t, os.Mkdir("out", 0o755))
			what := fmt.Sprintf("surface, %q at %d", whole[at[0]:at[1]], at[0])
			if said(t, what, "measure", "--json", "out/m.json", "--report", "out/m.html", "case").status != BadInput {
				read++
			}
			said(t, what, "seal", "--series", "out/s.jsonl", "case")
			checkFiles(t, what, "out")
		}
	}
	// A binary file's header may hold anything.
	header := append([]byte(hostile), make([]byte, 84)...)[:80]
	write(t, "case/s.stl", string(append(header, 1, 0, 0, 0))+strings.Repeat("\x00", 50))
	said(t, "surface, header", "measure", "case")
	assert.Equal(t, 2, read, "the names of the solid are left out")
}

// Every text of a scan's headers, in one slice and in all.
func TestHostileTextOfScans(t *testing.T) {
	t.Chdir(t.TempDir())
	told := 0
	for _, of := range []tag.Tag{
		tag.MediaStorageSOPClassUID, tag.SOPClassUID, tag.SOPInstanceUID, tag.SeriesInstanceUID, tag.StudyInstanceUID, tag.FrameOfReferenceUID,
		tag.ImageType, tag.StudyDate, tag.Modality, tag.PatientName, tag.PatientID, tag.PatientBirthDate, tag.SliceThickness, tag.SpacingBetweenSlices,
		tag.ImagePositionPatient, tag.ImageOrientationPatient, tag.PhotometricInterpretation, tag.NumberOfFrames, tag.PixelSpacing,
		tag.RescaleIntercept, tag.RescaleSlope, tag.LossyImageCompression, tag.InstanceNumber, tag.AcquisitionNumber, tag.SpecificCharacterSet,
	} {
		for _, slices := range []int{1, 12} {
			require.NoError(t, os.RemoveAll("scan"))
			if encode.Volume("scan", ramp(1000), encode.Options{Change: func(k int, d *element.Dataset) {
				if k < slices {
					d.Set(of, hostile)
				}
			}}) != nil {
				continue // no value of this attribute
			}
			what := fmt.Sprint(of, " of ", slices)
			said(t, what, "scan", "scan")
			said(t, what, "scan", "--json", "scan")
			told++
		}
	}
	assert.Greater(t, told, 20)
}

// Names of files, as given and as found.
func TestHostileNamesOfFiles(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("its file names hold none of these characters")
	}
	t.Chdir(t.TempDir())
	name := strings.ReplaceAll(hostile, "/", "")
	for _, args := range [][]string{
		{"measure"}, {"scan"}, {"scan", "--json"}, {"case"}, {"align"}, {"series", "show"}, {"series", "check"}, {"pack", "--check"},
		{"seal", "--series", "s.jsonl"}, {"measure", "--series", name, "none"}, {"seal", "--series", name, "none"},
		{"report", name, "x.html"}, {"series", "import", name}, {"series", "export", "--csv", name},
	} {
		said(t, "not there", append(slices.Clone(args), name)...)
	}
	rampCase(t, name)
	require.NoError(t, encode.Volume("two", ramp(1000), encode.Options{SeriesUID: "2.25.11", Name: func(k int) string { return fmt.Sprint(name, k) }}))
	require.NoError(t, encode.Volume("two", ramp(1000), encode.Options{SeriesUID: "2.25.12", Name: func(k int) string { return fmt.Sprint("B", name, k) }}))
	require.NoError(t, encode.Volume("one", ramp(1000), encode.Options{Name: func(k int) string { return fmt.Sprint(name, k) }}))
	write(t, filepath.Join("one", name), "no image")
	require.NoError(t, os.WriteFile(filepath.Join("one", "cut"+name), slices.Concat(make([]byte, 128), []byte("DICM\x08\x00")), 0o600))
	for _, args := range [][]string{
		{"scan", "two"}, {"scan", "one"}, {"scan", "--json", "two"}, {"scan", filepath.Join(name, "pre")}, {"measure", name}, {"measure", name, "two"},
		{"seal", "--series", name + ".jsonl", name}, {"seal", "--series", name + ".jsonl", name}, {"series", "show", name + ".jsonl"},
		{"series", "check", name + ".jsonl"}, {"series", "remark", "--by", "m", "--text", "x", name + ".jsonl"},
		{"pack", name + ".jsonl", name + ".zip"}, {"pack", "--check", name + ".zip"}, {"series", "export", "--csv", name + ".csv", name + ".jsonl"},
		{"case", "one"}, {"align", name}, {"measure", "--series", name + ".jsonl", name},
	} {
		said(t, "there", args...)
	}
	write(t, filepath.Join("in", name+".json"), `{"schema":"other/1"}`)
	said(t, "beside measurements", "series", "import", "in", "s.jsonl")

	// The line of progress has one row, on a terminal and elsewhere.
	for _, terminal := range []bool{false, true} {
		var stderr bytes.Buffer
		env := testEnv(nil, &stderr)
		env.Terminal, env.StderrWidth = terminal, 200
		p := newProgress(env)
		p.late()
		p.show(hostile, 0.5)
		p.end()
		text := stderr.String()
		assert.NotContains(t, text, "\n"+forged)
		assert.NotContains(t, text, "[2J\r")
		assert.NotContains(t, text, "\u202e")
		assert.NotContains(t, text, "\u009b")
		if !terminal {
			checkText(t, "progress", text)
		}
	}
}

// What checks texts from outside finds them.
func TestHostileTextIsSeen(t *testing.T) {
	for _, text := range []string{"\x1b[2J", "a\r", "\u202e", "\u009b", "שלום", "\u2068a", "\u2028", "a\u00adb"} {
		assert.NotEmpty(t, textFlaw(text), "%q", text)
	}
	assert.NotEmpty(t, textFlaw("a\n"+forged+"."))
	assert.NotEmpty(t, tableFlaw("a,\"\n=1\"\n"))
	assert.NotEmpty(t, tableFlaw("a,b; =1\n"))
	checkCells(t, "good", "a,'=1,-1.5\n")
	checkText(t, "good", "a \u2068שלום\u2069 "+forged+"\n")
	assert.Equal(t, 1, strings.Count(hostile, forged))
	_, err := series.Append(filepath.Join(t.TempDir(), "s"), series.Record{Kind: series.Remark, Author: "a", Text: "\x1b"})
	assert.Error(t, err)
}

// Lines of this package go through package printable; what does not is text of the
// program's own: the help, the manual page, the completion scripts, the licences.
func TestOnlyOwnTextIsPrintedAsItIs(t *testing.T) {
	files, err := filepath.Glob("*.go")
	require.NoError(t, err)
	own := regexp.MustCompile(`fmt\.Fprint\(env\.Std(out|err), (help\(c, width\(env\.Width\)\)|text|script\.String\(\)|notices)\)|fmt\.Fprintf\(&b, `)
	looked := 0
	for _, file := range files {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, line := range strings.Split(string(text), "\n") {
			if strings.Contains(line, "fmt.Fprint") {
				looked++
				assert.Regexp(t, own, line, file)
			}
		}
	}
	assert.Positive(t, looked)
}
