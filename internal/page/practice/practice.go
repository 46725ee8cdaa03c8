// Package practice is the folder in which a clinician keeps cases: what lies in it, and
// the few ways in which the page changes it.
//
// A case is a folder in it with the scans, the case file and, until the plan is
// confirmed, a draft of the plan. Beside the cases lie series files, and in results the
// measurements as the command line writes them; in received, what others sent. Nothing outside the folder is read or
// written, links that lead out of it are not followed (os.Root), and nothing is deleted
// but what was begun and not finished. Start with Open.
//
// Conventions: points are patient coordinates (LPS) of the planning scan, mm.
package practice

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"plumbline/internal/atomicfile"
	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
)

// Names inside a practice folder.
const (
	Planning  = "pre"  // the planning scan in a case folder
	FollowUp  = "post" // the follow-up scan
	draftFile = "plan-draft.json"
	results   = "results"
	// SeriesFile is the series where none is there yet.
	SeriesFile = "my-series.jsonl"
	incoming   = ".incoming-"
)

// Folder is a practice folder.
type Folder struct {
	path string
	root *os.Root
	mu   sync.Mutex // one change at a time
}

// Open opens a practice folder; one that is not there is made.
//
// Errors: what the file system said.
func Open(path string) (*Folder, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(path, 0o755); err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, err
	}
	return &Folder{path: path, root: root}, nil
}

// forsaken is after how long what was begun to be taken in and not finished is nobody's any
// more: the program was killed. Another one on the same folder may still be at it before.
const forsaken = 24 * time.Hour

// TidyUp takes away what was begun to be taken in a day ago and never finished.
//
// Errors: what the file system said.
func (f *Folder) TidyUp(now time.Time) error {
	entries, err := fs.ReadDir(f.root.FS(), ".")
	if err != nil {
		return err
	}
	for _, e := range entries {
		info, err := e.Info()
		if err == nil && e.IsDir() && strings.HasPrefix(e.Name(), incoming) && now.Sub(info.ModTime()) > forsaken {
			if err := f.root.RemoveAll(e.Name()); err != nil {
				return err
			}
		}
	}
	return nil
}

// Close lets go of the folder.
func (f *Folder) Close() error { return f.root.Close() }

// Path is the folder's path.
func (f *Folder) Path() string { return f.path }

// Inside is the path of a name inside the folder that is there, links followed.
//
// Errors: a name that leads out of the folder; fs.ErrNotExist.
func (f *Folder) Inside(name string) (string, error) {
	if _, err := f.root.Stat(filepath.FromSlash(name)); err != nil {
		return "", err
	}
	return filepath.Join(f.path, filepath.FromSlash(name)), nil
}

// allowed is what a case may be called: it is a folder's name too, and a person's name
// with a space, a comma or an accent does not pass.
var allowed = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$`)

// CheckName refuses what cannot be a case's or a clinician's pseudonym.
func CheckName(what, name string) error {
	if !allowed.MatchString(name) || !filepath.IsLocal(name) || strings.EqualFold(name, results) || strings.EqualFold(name, received) {
		return fmt.Errorf("%s: write a pseudonym of letters without accents, digits and hyphens, as in C-007; never a patient's name", what)
	}
	return nil
}

// ErrNoCase says that there is no case of a name.
var ErrNoCase = errors.New("there is no such case in this folder")

// Names are the folders that hold a case, in the order of their names.
//
// Errors: what the file system said.
func (f *Folder) Names() ([]string, error) {
	entries, err := fs.ReadDir(f.root.FS(), ".")
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		if e.IsDir() && !strings.HasPrefix(e.Name(), ".") && f.holdsCase(e.Name()) {
			out = append(out, e.Name())
		}
	}
	return out, nil
}

func (f *Folder) holdsCase(name string) bool {
	for _, part := range []string{casefile.FileName, draftFile, Planning} {
		if f.has(filepath.Join(name, part)) {
			return true
		}
	}
	return false
}

func (f *Folder) has(name string) bool {
	_, err := f.root.Stat(name)
	return err == nil
}

// NextName proposes a pseudonym that is not taken, neither by a case here nor by one of
// those in use elsewhere, such as in a series file.
func (f *Folder) NextName(taken []string) string {
	for n := 1; ; n++ {
		name := fmt.Sprintf("C-%03d", n)
		if !f.has(name) && !slices.Contains(taken, name) {
			return name
		}
	}
}

// Series are the series files in the folder, by name; files of remarks are none.
//
// Errors: what the file system said.
func (f *Folder) Series() ([]string, error) {
	entries, err := fs.ReadDir(f.root.FS(), ".")
	if err != nil {
		return nil, err
	}
	var out []string
	for _, e := range entries {
		if strings.EqualFold(filepath.Ext(e.Name()), ".jsonl") && !strings.HasPrefix(e.Name(), ".") {
			if info, err := f.root.Stat(e.Name()); err == nil && info.Mode().IsRegular() && !series.IsRemarks(filepath.Join(f.path, e.Name())) {
				out = append(out, e.Name())
			}
		}
	}
	return out, nil
}

// Case is a case folder as it is now.
type Case struct {
	Name  string         // of its folder
	Draft Draft          // of the plan; empty where the page did not begin it
	Plan  *casefile.Case // nil where there is no case file, or one that cannot be read
	// Fault says why the case file cannot be read; nil where there is none or it can.
	Fault           error
	HasPre, HasPost bool
	HasSurface      bool              // a surface scan shows the placed fixtures
	Result          *measurement.Case // as stored in results; nil where there is none
	// Mark tells the plan as it was read, draft and case file, from any other state of it.
	Mark string

	folder *Folder
}

// Case reads a case.
//
// Errors: ErrNoCase; a draft that cannot be read.
func (f *Folder) Case(name string) (*Case, error) {
	if name == "" || !filepath.IsLocal(name) || strings.ContainsAny(name, `/\`) || strings.HasPrefix(name, ".") || !f.holdsCase(name) {
		return nil, ErrNoCase
	}
	c := &Case{Name: name, folder: f}
	var err error
	if c.Mark, err = c.mark(); err != nil {
		return nil, err
	}
	if data, err := f.root.ReadFile(filepath.Join(name, draftFile)); err == nil {
		if err := json.Unmarshal(data, &c.Draft); err != nil {
			return nil, fmt.Errorf("%s in %s is damaged (%w); move it away and begin the plan again", draftFile, name, err)
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	pre, post := filepath.Join(name, Planning), filepath.Join(name, FollowUp)
	if file := filepath.Join(name, casefile.FileName); f.has(file) {
		if c.Plan, c.Fault = casefile.ReadPlan(filepath.Join(f.path, file)); c.Fault == nil {
			pre, post = f.relative(c.Plan.Pre), f.relative(c.Plan.Post)
		} else {
			c.Plan = nil
		}
	}
	c.HasPre, c.HasPost = f.has(pre), f.has(post)
	c.HasSurface = c.Plan != nil && c.Plan.PostSurface != "" && f.has(f.relative(c.Plan.PostSurface))
	if m, err := measurement.Read(filepath.Join(f.path, results, output.FileName(c.title())+".json")); err == nil && f.has(filepath.Join(results, output.FileName(c.title())+".json")) {
		c.Result = m
	}
	return c, nil
}

// mark is the SHA-256 of draft and case file as they are now.
func (c *Case) mark() (string, error) {
	h := sha256.New()
	for _, name := range []string{draftFile, casefile.FileName} {
		data, err := c.folder.root.ReadFile(filepath.Join(c.Name, name))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		fmt.Fprintln(h, name, len(data), err == nil)
		h.Write(data)
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func (f *Folder) relative(path string) string {
	rel, err := filepath.Rel(f.path, path)
	if err != nil {
		return ""
	}
	return rel
}

// title is the name that the case file has for the case.
func (c *Case) title() string {
	if c.Plan != nil {
		return c.Plan.Name
	}
	return c.Name
}

// Followed reports whether there is something that shows the placed fixtures.
func (c *Case) Followed() bool { return c.HasPost || c.HasSurface }

// Path is the case folder's path.
func (c *Case) Path() string { return filepath.Join(c.folder.path, c.Name) }

// PrePath and PostPath are where the scans lie or are to lie.
func (c *Case) PrePath() string {
	if c.Plan != nil {
		return c.Plan.Pre
	}
	return filepath.Join(c.Path(), Planning)
}

// PostPath is PrePath for the follow-up scan.
func (c *Case) PostPath() string {
	if c.Plan != nil {
		return c.Plan.Post
	}
	return filepath.Join(c.Path(), FollowUp)
}

// ResultPath is where the measurement is stored.
func (c *Case) ResultPath() string {
	return filepath.Join(c.folder.path, results, output.FileName(c.title())+".json")
}

// write makes a file of the case folder hold a text.
func (c *Case) write(name string, text []byte) error {
	return atomicfile.WriteBytes(filepath.Join(c.Path(), name), text)
}
