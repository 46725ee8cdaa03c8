package practice

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"mime/multipart"
	"os"
	"path/filepath"
	"regexp"
	"strings"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/draft"
	"plumbline/internal/plan/pseudonym"
	"plumbline/internal/trimesh"
)

// Bounds on what is taken in. A scan of 1000 × 1000 × 1000 voxels has 2 GB; a surface of
// two million triangles 100 MB.
const (
	MaxScan = 4 << 30
	MaxMesh = 256 << 20
	// maxFiles is a disc with several patients, with room to spare.
	maxFiles = 20_000
	// MaxFields bounds what stands in a form besides files.
	MaxFields = 1 << 20
)

// Parts are the parts of a form, in their order.
type Parts interface {
	NextPart() (*multipart.Part, error)
}

// ErrNoFiles says that a form has no file.
var ErrNoFiles = errors.New("no file came; drop the scan's folder or zip archive, or choose it")

// Received is a form with its files, which lie aside until they are put in their place.
type Received struct {
	Fields map[string]string
	Files  int

	folder *Folder
	aside  string            // name of the folder that they lie in
	first  string            // name of the first file as it was sent, for its ending alone
	parts  map[string]string // by the form's name for it: the file's name aside, with the ending of a surface
}

// Receive takes in a form. Files are named by their number: their own names may hold a
// patient's, or lead elsewhere, and no scan needs them.
//
// Errors: too many files or bytes; what the connection or the file system said. Then
// nothing is left.
func (f *Folder) Receive(parts Parts) (_ *Received, err error) {
	aside, err := os.MkdirTemp(f.path, incoming)
	if err != nil {
		return nil, err
	}
	r := &Received{Fields: map[string]string{}, folder: f, aside: filepath.Base(aside), parts: map[string]string{}}
	defer func() {
		if err != nil {
			r.Discard()
		}
	}()
	left := int64(MaxScan)
	for {
		part, err := parts.NextPart()
		if errors.Is(err, io.EOF) {
			return r, nil
		}
		if err != nil {
			return nil, err
		}
		if part.FileName() == "" {
			text, err := io.ReadAll(io.LimitReader(part, MaxFields))
			if err != nil {
				return nil, err
			}
			// A file input that was left empty is such a part, too.
			r.Fields[part.FormName()] = string(text)
			continue
		}
		if r.Files++; r.Files > maxFiles {
			return nil, fmt.Errorf("there are more than %d files; choose the folder of the scan alone", maxFiles)
		}
		if r.Files == 1 {
			r.first = part.FileName()
		}
		name := fmt.Sprintf("F%05d", r.Files)
		out, err := f.root.Create(filepath.Join(r.aside, name))
		if err != nil {
			return nil, err
		}
		n, err := io.Copy(out, io.LimitReader(part, left+1))
		if err == nil {
			err = out.Sync()
		}
		if closed := out.Close(); err == nil {
			err = closed
		}
		if err != nil {
			return nil, err
		}
		if left -= n; left < 0 {
			return nil, fmt.Errorf("there are more than %d GB; choose the folder of the scan alone", MaxScan>>30)
		}
		if n == 0 {
			r.Files--
			continue
		}
		r.parts[part.FormName()] = name + meshEnding(part.FileName())
	}
}

// Discard takes away what lies aside.
func (r *Received) Discard() { _ = r.folder.root.RemoveAll(r.aside) }

// Check refuses files that are no scan that can be measured, and a scan that names whom a
// text of the case names. Its message names a file by its number among those that came.
//
// Errors: ErrNoFiles; what is wrong with the scan; *pseudonym.Error.
func (r *Received) Check(about *casefile.Case) error {
	if r.Files == 0 {
		return ErrNoFiles
	}
	s, err := scan.Open(r.path(), scan.Options{})
	if err != nil {
		return r.Plain(err)
	}
	_, err = pseudonym.Check(about, s.Identity)
	return err
}

// asideFile is the name of a file that lies aside.
var asideFile = regexp.MustCompile(`\bF0*([1-9]\d*)\b`)

// numbered takes the place where the files lie out of a message.
func (r *Received) numbered(message string) string {
	message = strings.ReplaceAll(message, filepath.Join(r.folder.path, r.aside)+string(filepath.Separator), "")
	message = strings.ReplaceAll(message, filepath.Join(r.folder.path, r.aside), "what came")
	return asideFile.ReplaceAllString(message, "file $1")
}

// Plain is an error without the place where the files lie.
func (r *Received) Plain(err error) error { return errors.New(r.numbered(err.Error())) }

// path is where the scan lies: one archive is read as such.
func (r *Received) path() string { return filepath.Join(r.folder.path, r.source()) }

func (r *Received) source() string {
	if r.Files == 1 && strings.EqualFold(filepath.Ext(r.first), ".zip") {
		return filepath.Join(r.aside, "F00001")
	}
	return r.aside
}

// Text is the first file.
//
// Errors: ErrNoFiles; a file of more than most bytes.
func (r *Received) Text(most int64) ([]byte, error) {
	if r.Files == 0 {
		return nil, ErrNoFiles
	}
	f, err := r.folder.root.Open(filepath.Join(r.aside, "F00001"))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, most+1))
	if err == nil && int64(len(text)) > most {
		err = fmt.Errorf("the file is larger than %d MB", most>>20)
	}
	return text, err
}

// ErrThere says that something stands in the place already.
var ErrThere = errors.New("there is one already, and it is left as it is")

// Begin makes a case of a received planning scan.
//
// Errors: a name that is taken or cannot be one; what the file system said.
func (r *Received) Begin(name string, d Draft) (*Case, error) {
	f := r.folder
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := CheckName("case", name); err != nil {
		return nil, err
	}
	if err := f.root.Mkdir(name, 0o755); errors.Is(err, fs.ErrExist) {
		return nil, fmt.Errorf("%s is taken; give the case another name", name)
	} else if err != nil {
		return nil, err
	}
	c := &Case{Name: name, folder: f}
	if err := c.save(d); err != nil {
		return nil, err
	}
	if err := r.into(filepath.Join(name, Planning)); err != nil {
		return nil, err
	}
	return f.Case(name)
}

// FollowUp puts a received scan in its place as the follow-up scan of a case.
//
// Errors: ErrThere; what the file system said.
func (r *Received) FollowUp(c *Case) error {
	r.folder.mu.Lock()
	defer r.folder.mu.Unlock()
	to := r.folder.relative(c.PostPath())
	if !filepath.IsLocal(to) {
		return ErrForeign
	}
	return r.into(to)
}

// Mesh puts a received file into the case folder and gives its name there.
//
// Errors: ErrNoFiles; what the file system said.
func (r *Received) Mesh(c *Case, site string) (string, error) {
	if r.Files == 0 {
		return "", ErrNoFiles
	}
	r.folder.mu.Lock()
	defer r.folder.mu.Unlock()
	for n := 1; ; n++ {
		name := fmt.Sprintf("planned-%s.stl", site)
		if n > 1 {
			name = fmt.Sprintf("planned-%s-%d.stl", site, n)
		}
		if r.folder.has(filepath.Join(c.Name, name)) {
			continue
		}
		return name, r.folder.root.Rename(filepath.Join(r.aside, "F00001"), filepath.Join(c.Name, name))
	}
}

// into gives the scan its place.
func (r *Received) into(to string) error {
	if r.Files == 0 {
		return ErrNoFiles
	}
	if r.folder.has(to) {
		return ErrThere
	}
	return r.folder.root.Rename(r.source(), to)
}

// meshEnding is the ending of a surface's name, the usual one for any other.
func meshEnding(name string) string {
	if draft.IsMesh(name) {
		return strings.ToLower(filepath.Ext(name))
	}
	return draft.MeshEndings[0]
}

// Names of the parts of a form with a surface scan, and of their files in the case folder.
const (
	SurfacePart = "surface"
	BodyPart    = "body"
	surfaceFile = "after"
	bodyFile    = "scan-body"
)

// Surface puts a received surface scan and the shape of its scan body into the case folder,
// and enters them into the case file.
//
// Errors: ErrNoFiles; ErrForeign without a case file; a file that is no surface; ErrThere;
// what the file system said.
func (r *Received) Surface(c *Case) error {
	f := r.folder
	f.mu.Lock()
	defer f.mu.Unlock()
	if c.Plan == nil {
		return ErrForeign
	}
	enter := casefile.FollowUp{NoScan: !c.HasPost}
	moves := map[string]string{}
	for part, to := range map[string]string{SurfacePart: surfaceFile, BodyPart: bodyFile} {
		from, came := r.parts[part]
		if !came {
			return errors.New("both files are needed: the surface scan, and the shape of the scan body that is seated in it, which its maker gives")
		}
		ending := filepath.Ext(from)
		from = filepath.Join(r.aside, strings.TrimSuffix(from, ending))
		if _, err := trimesh.Read(filepath.Join(f.path, from)); err != nil {
			return r.Plain(err)
		}
		name := to + ending
		if f.has(filepath.Join(c.Name, name)) {
			return ErrThere
		}
		moves[from] = filepath.Join(c.Name, name)
		if part == SurfacePart {
			enter.Surface = name
		} else {
			enter.ScanBody = name
		}
	}
	file := filepath.Join(c.Path(), casefile.FileName)
	text, err := f.root.ReadFile(filepath.Join(c.Name, casefile.FileName))
	if err != nil {
		return err
	}
	if text, err = casefile.WithFollowUp(file, text, enter); err != nil {
		return err
	}
	for from, to := range moves {
		if err := f.root.Rename(from, to); err != nil {
			return err
		}
	}
	return c.write(casefile.FileName, text)
}
