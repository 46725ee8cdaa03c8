package practice

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"path/filepath"
	"regexp"
	"slices"
)

// received is the folder for what others sent: packs and series files, each named by its
// contents, so that none is ever replaced by another.
const received = "received"

// receivedName is what a file there is called.
var receivedName = regexp.MustCompile(`^[0-9a-f]{16}\.(?:zip|jsonl)$`)

// Kept is a file that somebody sent.
type Kept struct {
	Name string // in the folder for such files
	Path string
}

// Keep puts the one file that came among those that others sent.
//
// In: the ending of its name, by what it is.
// Errors: ErrNoFiles; more than one file; what the file system said.
func (r *Received) Keep(ending string) (Kept, error) {
	if r.Files != 1 {
		return Kept{}, errors.New("send one file at a time: a pack, or a series file")
	}
	f := r.folder
	in, err := f.root.Open(filepath.Join(r.aside, "F00001"))
	if err != nil {
		return Kept{}, err
	}
	h := sha256.New()
	_, err = io.Copy(h, in)
	in.Close()
	if err != nil {
		return Kept{}, err
	}
	name := hex.EncodeToString(h.Sum(nil))[:16] + ending
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.root.Mkdir(received, 0o755); err != nil && !errors.Is(err, fs.ErrExist) {
		return Kept{}, err
	}
	to := filepath.Join(received, name)
	if !f.has(to) {
		if err := f.root.Rename(filepath.Join(r.aside, "F00001"), to); err != nil {
			return Kept{}, err
		}
	}
	return f.Kept(name)
}

// First is the path of the first file that came, while it lies aside.
func (r *Received) First() string { return filepath.Join(r.folder.path, r.aside, "F00001") }

// Kept is a file that was sent, by its name.
//
// Errors: fs.ErrNotExist.
func (f *Folder) Kept(name string) (Kept, error) {
	if !receivedName.MatchString(name) || !f.has(filepath.Join(received, name)) {
		return Kept{}, fs.ErrNotExist
	}
	return Kept{name, filepath.Join(f.path, received, name)}, nil
}

// AllKept are the files that were sent, the newest first.
//
// Errors: what the file system said.
func (f *Folder) AllKept() ([]Kept, error) {
	entries, err := fs.ReadDir(f.root.FS(), received)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(entries, func(a, b fs.DirEntry) int {
		x, err := a.Info()
		y, err2 := b.Info()
		if err != nil || err2 != nil {
			return 0
		}
		return y.ModTime().Compare(x.ModTime())
	})
	var out []Kept
	for _, e := range entries {
		if k, err := f.Kept(e.Name()); err == nil {
			out = append(out, k)
		}
	}
	return out, nil
}
