// Package casefile reads case.toml, the plan of one surgery.
//
// Conventions: lengths are mm. Read gives the coordinates as the file writes
// them, in its own Frame; Case.Locate turns them into patient coordinates (LPS)
// of the planning scan and checks that they lie inside the scans. The fields
// are strict: an unknown one, a wrong type or a value that cannot be meant is an
// *Error with file, line and field. Start with Read.
//
// A fixture's mesh or object takes the place of its entry and apex; both together are
// refused, so that there is one plan and not two. A length or a diameter beside a
// mesh is the catalogue's and is checked against it.
//
// Limits: surfaces of structures are named, not read, and stay in the file's own
// frame (see Frame.ToLPS).
package casefile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"unicode/utf8"

	toml "github.com/pelletier/go-toml/v2"

	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/regularfile"
	"plumbline/internal/tooth"
)

// FileName is the case file's name inside a case folder.
const FileName = "case.toml"

// maxFileSize bounds what is read: a plan is a few kilobytes, and 4 MiB holds a
// centre line of a hundred thousand points.
const maxFileSize = 4 << 20

// Guidance is how the drill or the fixture was guided.
type Guidance string

const (
	FullGuide  Guidance = "full-guide"
	PilotGuide Guidance = "pilot-guide"
	Freehand   Guidance = "freehand"
	Navigated  Guidance = "navigated"
)

// Words are those of the literature; one that is not known stays as it is.
func (g Guidance) Words() string {
	switch g {
	case FullGuide:
		return "fully guided"
	case PilotGuide:
		return "pilot-drill guided"
	}
	return strings.ReplaceAll(string(g), "-", " ")
}

// Guidances are all ways of guiding.
var Guidances = []Guidance{FullGuide, PilotGuide, Freehand, Navigated}

// Method is how the follow-up scan is brought to the planning scan.
type Method string

const (
	FromScans     Method = "scans"
	FromLandmarks Method = "landmarks"
	FromMatrix    Method = "matrix"
	SameFrame     Method = "same-frame"
)

// Case is a case file. Coordinates are in Frame.
type Case struct {
	File       string // the case file's own path
	PlanSHA256 string // of the file's bytes, and of its meshes where it has some, hex
	// BareSHA256 is the same of the file without its lines that name the follow-up scan
	// and what is seated on the fixtures in it, which are entered after the plan is sealed.
	BareSHA256 string
	Name       string // pseudonym
	Placed     string // date of surgery, as in 2026-03-14
	Clinician  string // pseudonym
	Simulated  bool   // nobody was operated on: of a phantom
	Frame      Frame
	Numbering  tooth.System // of the file; Fixture.Site is ISO 3950
	Pre, Post  string       // paths of the planning and the follow-up scan; Post is empty where PostSurface stands for it
	// Paths of surface scans: with scan bodies seated, and one that lies in Frame already;
	// empty where there is none. Both are written in SurfaceUnit.
	PostSurface, PreSurface string
	SurfaceUnit             LengthUnit
	Fixtures                []Fixture // one or more
	Structures              []Structure
	Alignment               Alignment
	Files                   []File // besides the scans, that the plan rests on

	lines lines
	flags []measurement.Flag // of the meshes
}

// Fixture is a planned fixture and what is known of the placed one.
type Fixture struct {
	Site     tooth.Number
	Planned  geom.Pose
	Diameter float64  // outer, mm
	Length   float64  // mm; the distance of entry and apex where the file gives none
	Guidance Guidance // empty where the file gives none
	Mesial   *geom.Vec
	Mesh     *Mesh   // where the plan is a mesh, or an object with a surface; else nil
	Object   *Object // where the plan is in DICOM objects; else nil
	// PlanUncertainty is the standard uncertainty of each coordinate of entry and apex
	// where the plan was set by hand, mm; 0 where the file gives none.
	PlanUncertainty float64

	// The size of the placed fixture; the planned one's where the file gives
	// none.
	PlacedDiameter, PlacedLength float64
	DiameterGiven, LengthGiven   bool // the file states the placed fixture's

	ScanBody *ScanBody // what is seated on it in PostSurface; nil where the file says nothing
}

// inCaseFile reports whether the case file itself has the planned entry and apex.
func (f *Fixture) inCaseFile() bool { return f.Mesh == nil && f.Object == nil }

// ScanBody is the shape of a scan body: its surface, or a plain cylinder.
type ScanBody struct {
	File             string   // path of an STL, PLY or OBJ file in the fixture's frame: platform centre at the origin, +z coronal, mm
	Diameter, Height float64  // of the cylinder, mm, platform to top; zero where there is a file
	Seating          *float64 // standard uncertainty of the seat, mm; nil for the usual one
}

// LengthUnit is a unit of length of surface files.
type LengthUnit string

// Units are all units, the usual one first, and how many mm each is.
var (
	Units       = []LengthUnit{"mm", "cm", "m", "inch"}
	millimetres = map[LengthUnit]float64{"mm": 1, "cm": 10, "m": 1000, "inch": 25.4}
)

// Millimetres is how many mm the unit is.
func (u LengthUnit) Millimetres() float64 { return millimetres[u] }

// Mesh is the surface that a planned fixture was fitted to.
type Mesh struct {
	File     string    // path of an STL, PLY or OBJ file, coordinates in the case's frame
	SHA256   string    // of its bytes, hex
	Residual float64   // of the fit, root mean square, mm
	ApexHint *geom.Vec // a point nearer to the apex than to the platform
}

// Structure is a body to keep clear of: a centre line with a radius at each point, a
// surface file, or what the planning scan is asked for.
type Structure struct {
	Name    string
	Kind    Kind
	Find    Find       // in place of what follows; empty for a drawn structure
	Through []geom.Vec // that a canal to be found passes through, in their order
	Path    []geom.Vec
	Radius  []float64 // mm, one for each point of Path, linear between points
	Surface string    // path of an STL, PLY or OBJ file, or of a DICOM object
	// Object says that Surface is a DICOM object, of which Name tells the body. A line in it
	// has Radius, of one number.
	Object bool
	Margin *float64 // mm; nil asks for the usual margin of its kind
	// DrawnUncertainty is the standard uncertainty of the drawn line or surface, towards
	// the fixture, mm; 0 where the file gives none.
	DrawnUncertainty float64
}

// fileKey is the case file's key that Surface stands at.
func (s *Structure) fileKey() string {
	if s.Object {
		return "file"
	}
	return "surface"
}

// Alignment is what the file says about bringing the scans together. Landmarks,
// PostToPre and File are set for their own method only; with FromMatrix it is
// either PostToPre or File.
type Alignment struct {
	Method    Method
	PostToPre *geom.Rigid // always between patient coordinates (LPS) of the two scans
	File      string      // path of a DICOM Spatial Registration object
	Landmarks []Landmark
	Refine    bool // start from the matrix or the landmarks and refine on the scans
}

// Landmark is one point seen in both scans. With Corner each is counted from the
// corner of the scan that it was seen in.
type Landmark struct{ Pre, Post geom.Vec }

// Error is a fault in a case file: where it is, what is wrong and what to do.
type Error struct {
	File    string
	Line    int    // from 1; 0 where the fault has no line
	Field   string // in words, as in "fixture 2, entry"
	Message string
}

func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d", e.Line)
	}
	b.WriteString(": ")
	if e.Field != "" {
		b.WriteString(e.Field + ": ")
	}
	b.WriteString(e.Message)
	return b.String()
}

// Read reads the case file of a folder, or the case file itself. The scans and
// surfaces it names must exist; they are not opened.
//
// Errors: *Error for everything that the file's author can mend; else what the
// file system said.
func Read(path string) (*Case, error) {
	c, err := ReadPlan(path)
	if err != nil {
		return nil, err
	}
	return c, c.checkFiles()
}

// ReadPlan is Read for a plan by itself, as it is before surgery: what the file
// names need not be there yet, but for the meshes of its fixtures, which are the
// plan.
func ReadPlan(path string) (*Case, error) {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &Error{File: path, Message: "there is no such file or folder; give a case folder or its " + FileName}
	}
	if err != nil {
		return nil, fmt.Errorf("read case: %w", err)
	}
	file := path
	if info.IsDir() {
		file = filepath.Join(path, FileName)
	}
	if !info.IsDir() && element.IsFile(path) {
		return nil, &Error{File: path, Message: "it is a scan and no case; begin a case with plumbline case " + path}
	}
	data, err := readBounded(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, &Error{File: path, Message: noCaseFile(path, info.IsDir())}
	}
	if err != nil {
		return nil, err
	}
	return ReadText(file, data)
}

// ReadText is ReadPlan for the text of a case file that is to stand at a path.
func ReadText(file string, text []byte) (*Case, error) {
	c, err := parse(file, text)
	if err != nil {
		return nil, err
	}
	if err := c.fitMeshes(); err != nil {
		return nil, err
	}
	if err := c.listFiles(); err != nil {
		return nil, err
	}
	return c, nil
}

// misnamed are names under which editors and file browsers that hide endings leave a
// case file.
var misnamed = []string{FileName + ".txt", "case.txt", "case.toml.toml", "case"}

// noCaseFile says what a folder has in place of a case file, or what a file is that is
// none.
func noCaseFile(path string, folder bool) string {
	if !folder {
		return "there is no such file; give a case folder or its " + FileName
	}
	for _, name := range misnamed {
		if info, err := os.Stat(filepath.Join(path, name)); err == nil && info.Mode().IsRegular() {
			return fmt.Sprintf("the case file is called %s; rename it to %s (file browsers may hide the ending)", name, FileName)
		}
	}
	if element.FilesIn(path, 1) > 0 {
		return "it is a scan and no case folder; begin a case with plumbline case " + path
	}
	return fmt.Sprintf("the folder has no %s; begin one with plumbline case %s", FileName, path)
}

func readBounded(file string) ([]byte, error) {
	f, err := regularfile.Open(file)
	if err != nil {
		return nil, fmt.Errorf("read case: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFileSize+1))
	if err != nil {
		return nil, fmt.Errorf("read case: %w", err)
	}
	if len(data) > maxFileSize {
		return nil, &Error{File: file, Message: fmt.Sprintf("the file is larger than %d MiB; a case file is text of a few kilobytes", maxFileSize>>20)}
	}
	return data, nil
}

// parse reads a case file's bytes; file is its path, for messages and for the
// paths in it.
func parse(file string, data []byte) (*Case, error) {
	sum := sha256.Sum256(data)
	text := bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff")) {
		return nil, &Error{File: file, Line: 1, Message: "the file is saved as UTF-16; save it as UTF-8 text"}
	}
	if line := firstBadUTF8(text); line > 0 {
		return nil, &Error{File: file, Line: line, Message: "a character is not UTF-8; save the file as UTF-8 text"}
	}
	if err := checkAmount(file, text); err != nil {
		return nil, err
	}
	var root map[string]any
	if err := toml.Unmarshal(text, &root); err != nil {
		return nil, syntaxError(file, text, err)
	}
	d := &document{file: file, lines: findLines(text)}
	c := d.read(root)
	if d.err != nil {
		return nil, d.err
	}
	bareSum := sha256.Sum256(bare(text, d.lines))
	c.PlanSHA256, c.BareSHA256 = hex.EncodeToString(sum[:]), hex.EncodeToString(bareSum[:])
	return c, nil
}

// Bounds on headings and keys. The decoder looks every new one up among those of
// its table, so that its time grows with their square; a file within the bounds on
// what a case has needs some 400 headings and 5,000 keys.
const (
	maxHeadings = 1_000
	maxKeys     = 10_000
)

// checkAmount refuses a text with more headings or keys than any case has.
func checkAmount(file string, text []byte) error {
	headings, keys, number := 0, 0, 0
	for line := range bytes.Lines(text) {
		number++
		if isHeading(line) {
			headings++
		}
		keys += bytes.Count(line, []byte("="))
		switch {
		case headings > maxHeadings:
			return &Error{File: file, Line: number, Message: fmt.Sprintf("it has more than %d tables in brackets; a case has a handful: keep those of this surgery", maxHeadings)}
		case keys > maxKeys:
			return &Error{File: file, Line: number, Message: fmt.Sprintf("it has more than %d fields; a case has some dozens: keep those of this surgery", maxKeys)}
		}
	}
	return nil
}

// isHeading reports whether a line begins as the heading of a table does, and not
// as a point or a list that goes on below.
func isHeading(line []byte) bool {
	line = bytes.TrimSpace(line)
	inside := bytes.TrimLeft(line, "[ \t")
	if len(inside) == len(line) || len(inside) == 0 {
		return false
	}
	number := bytes.IndexByte([]byte("+-.0123456789"), inside[0]) >= 0
	return !number || !bytes.Contains(line, []byte(",")) && bytes.Contains(line, []byte("]"))
}

func firstBadUTF8(text []byte) int {
	line := 1
	for len(text) > 0 {
		r, n := utf8.DecodeRune(text)
		if r == utf8.RuneError && n <= 1 {
			return line
		}
		if r == '\n' {
			line++
		}
		text = text[n:]
	}
	return 0
}

// backslashed reports whether a line has a backslash in straight quotes, as a path of
// Windows does; TOML takes it for the beginning of a special character.
func backslashed(text []byte, line int) bool {
	number := 0
	for l := range bytes.Lines(text) {
		if number++; number != line {
			continue
		}
		_, inQuotes, _ := bytes.Cut(l, []byte(`"`))
		inQuotes, _, _ = bytes.Cut(inQuotes, []byte(`"`))
		return bytes.ContainsRune(inQuotes, '\\')
	}
	return false
}

func syntaxError(file string, text []byte, err error) error {
	message := strings.TrimPrefix(err.Error(), "toml: ")
	line := 0
	var at *toml.DecodeError
	if errors.As(err, &at) {
		line, _ = at.Position()
	}
	if backslashed(text, line) {
		return &Error{File: file, Line: line, Message: `write / and not \ between folder and file, as in pre = "scans/pre"`}
	}
	return &Error{File: file, Line: line, Message: "not valid TOML: " + message +
		`; text stands in straight quotes ("36"), numbers have a decimal point, dates are written 2026-03-14`}
}

// checkFiles makes sure that what the file names is there.
func (c *Case) checkFiles() error {
	missing := func(key, field, path string) error {
		_, err := os.Stat(path)
		if errors.Is(err, fs.ErrNotExist) {
			return c.errorAt(key, field, "%q is not in the case folder; paths are relative to %s", filepath.Base(path), FileName)
		}
		if err != nil {
			return fmt.Errorf("read case: %w", err)
		}
		return nil
	}
	if err := missing("pre", "pre", c.Pre); err != nil {
		return err
	}
	if c.Post == "" && c.PostSurface == "" {
		return c.errorAt("post", "post", "the follow-up scan is not entered yet; write for example post = \"post\"; how the program enters it is in plumbline help case")
	}
	for _, named := range []struct{ key, path string }{{"post", c.Post}, {"post_surface", c.PostSurface}, {"pre_surface", c.PreSurface}} {
		if named.path == "" {
			continue
		}
		if err := missing(named.key, named.key, named.path); err != nil {
			return err
		}
	}
	for i, f := range c.Fixtures {
		if f.ScanBody == nil || f.ScanBody.File == "" {
			continue
		}
		key := fmt.Sprintf("fixture[%d].scan_body", i)
		if err := missing(key, fixtureField(i)+", scan_body", f.ScanBody.File); err != nil {
			return err
		}
	}
	if c.Alignment.File != "" {
		if err := missing("alignment.file", "alignment, file", c.Alignment.File); err != nil {
			return err
		}
	}
	for i, s := range c.Structures {
		if s.Surface == "" {
			continue
		}
		key := s.fileKey()
		if err := missing(fmt.Sprintf("structure[%d].%s", i, key), structureField(i)+", "+key, s.Surface); err != nil {
			return err
		}
	}
	return nil
}

func (c *Case) errorAt(key, field, format string, args ...any) *Error {
	return &Error{File: c.File, Line: c.lines.line(key), Field: field, Message: fmt.Sprintf(format, args...)}
}

func fixtureField(i int) string   { return fmt.Sprintf("fixture %d", i+1) }
func structureField(i int) string { return fmt.Sprintf("structure %d", i+1) }

// fixtureHeading begins every fixture of a case file; no other file has it.
var fixtureHeading = regexp.MustCompile(`(?m)^[ \t]*\[\[[ \t]*fixture[ \t]*\]\]`)

// Is reports whether a text is a case file, whole or not.
func Is(in io.Reader) bool {
	data, err := io.ReadAll(io.LimitReader(in, maxFileSize))
	return err == nil && fixtureHeading.Match(data)
}

// Files are what a case is read from, as far as its file can be understood: the
// case file, the scans, and the surfaces, meshes and the registration it names.
func Files(path string) []string {
	file := path
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		file = filepath.Join(path, FileName)
	}
	out := []string{file}
	data, err := readBounded(file)
	if err != nil {
		return out
	}
	c, err := parse(file, data)
	if err != nil {
		return out
	}
	for _, named := range []string{c.Pre, c.Post, c.PostSurface, c.PreSurface, c.Alignment.File} {
		if named != "" {
			out = append(out, named)
		}
	}
	for _, f := range c.Fixtures {
		if f.Mesh != nil {
			out = append(out, f.Mesh.File)
		}
		if f.Object != nil {
			out = append(out, f.Object.Path)
		}
		if f.ScanBody != nil && f.ScanBody.File != "" {
			out = append(out, f.ScanBody.File)
		}
	}
	for _, s := range c.Structures {
		if s.Surface != "" {
			out = append(out, s.Surface)
		}
	}
	return out
}
