package casefile

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"plumbline/internal/regularfile"
)

// File is a file besides the scans that a plan rests on.
type File struct {
	What   string // in words, as in: the surface of "left maxillary sinus"
	Path   string
	SHA256 string // of its bytes, hex; empty where it is not there yet
}

// listFiles names every file besides the scans that the plan rests on, with its
// hash; a kind of file that is added to the case file gets its line here.
func (c *Case) listFiles() error {
	for i, f := range c.Fixtures {
		if f.Object != nil {
			c.Files = append(c.Files, File{fmt.Sprintf("the plan of site %s", c.Fixtures[i].Site), f.Object.Path, f.Object.SHA256})
		} else if f.Mesh != nil {
			c.Files = append(c.Files, File{fmt.Sprintf("the mesh of site %s", c.Fixtures[i].Site), f.Mesh.File, f.Mesh.SHA256})
		}
	}
	for i, s := range c.Structures {
		if s.Surface == "" {
			continue
		}
		sum, err := hashFile(s.Surface)
		if err != nil {
			return c.errorAt(fmt.Sprintf("structure[%d].%s", i, s.fileKey()), structureField(i)+", "+s.fileKey(), "%v", err)
		}
		c.Files = append(c.Files, File{fmt.Sprintf("the surface of %q", s.Name), s.Surface, sum})
	}
	return nil
}

// hashFile is the SHA-256 of a file's bytes, empty where there is none.
//
// Errors: those of regularfile.Open, but for a file that is not there.
func hashFile(path string) (string, error) {
	f, err := regularfile.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	defer f.Close()
	sum := sha256.New()
	if _, err := io.Copy(sum, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}
