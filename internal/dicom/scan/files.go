package scan

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"plumbline/internal/printable"
)

// Bounds on what a folder or an archive may hold. A scan is one file or a few
// hundred; a disc with several patients has a few thousand.
const (
	maxFiles = 50_000
	maxLevel = 32 // folders within folders

	// deflateRatio is more than deflate can pack: 258 bytes into 2 bits (RFC
	// 1951 3.2.5).
	deflateRatio = 1032 + 8
)

// file is one file of a folder or an archive.
type file struct {
	name    string // for messages: the path as the user would write it
	size    int64  // bytes
	modTime time.Time
	// stream opens it for reading from the start.
	stream func() (io.ReadCloser, error)
	// random opens it for reading anywhere; nil where that cannot be had.
	random func() (*os.File, error)
}

// source is where the files of a scan come from.
type source struct {
	files   []*file
	single  bool     // a file was given, not a folder or an archive
	skipped []string // what was not looked into, and why
	close   func() error
}

// openSource finds the files at path: of a folder and its folders, of a zip
// archive, or the one file. Only ordinary files are opened, and only inside
// the folder: links that lead out of it are not followed, and links to folders
// never, so there are no cycles.
func openSource(path string) (*source, error) {
	info, err := os.Stat(path)
	if err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return nil, fmt.Errorf("%s does not exist; name the folder or the file that holds the scan", path)
		}
		return nil, err
	}
	switch {
	case info.IsDir():
		return openFolder(path)
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is neither a folder nor a file", path)
	}
	one := ordinaryFile(func() (*os.File, error) { return os.Open(path) }, printable.Plain(path), info)
	return &source{files: []*file{one}, single: true, close: func() error { return nil }}, nil
}

// ordinaryFile is a file on disk.
func ordinaryFile(raw func() (*os.File, error), shown string, info fs.FileInfo) *file {
	o := &file{name: shown, size: info.Size(), modTime: info.ModTime()}
	o.random = func() (*os.File, error) {
		f, err := raw()
		if err != nil {
			return nil, err
		}
		if err := o.checkUnchanged(f); err != nil {
			f.Close()
			return nil, err
		}
		return f, nil
	}
	o.stream = func() (io.ReadCloser, error) { return o.random() }
	return o
}

// checkUnchanged refuses an open file that is not as it was when it was found.
func (o *file) checkUnchanged(f *os.File) error {
	now, err := f.Stat()
	if err == nil && (now.Size() != o.size || !now.ModTime().Equal(o.modTime)) {
		return errChanged
	}
	return err
}

var errChanged = errors.New("the file changed while it was read; wait until copying has ended and try again")

func openFolder(path string) (*source, error) {
	root, err := os.OpenRoot(path)
	if err != nil {
		return nil, err
	}
	s := &source{close: root.Close}
	err = fs.WalkDir(root.FS(), ".", func(rel string, e fs.DirEntry, err error) error {
		shown := printable.Plain(filepath.Join(path, filepath.FromSlash(rel)))
		if err != nil {
			if rel == "." {
				return err
			}
			s.skip("%s cannot be opened", shown)
			if e != nil && e.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if e.IsDir() {
			if strings.Count(rel, "/") >= maxLevel {
				s.skip("%s lies more than %d folders deep", shown, maxLevel)
				return fs.SkipDir
			}
			return nil
		}
		if len(s.files) >= maxFiles {
			return fmt.Errorf("%s holds more than %d files; give the folder of the scan itself", path, maxFiles)
		}
		inside := filepath.FromSlash(rel)
		info, err := root.Stat(inside) // follows links inside the folder
		switch {
		case err != nil && e.Type()&fs.ModeSymlink != 0:
			s.skip("%s is a link that leads out of the folder or nowhere", shown)
		case err != nil:
			s.skip("%s cannot be opened", shown)
		case info.IsDir():
			s.skip("%s is a link to a folder", shown)
		case info.Mode().IsRegular():
			s.files = append(s.files, ordinaryFile(func() (*os.File, error) { return root.Open(inside) }, shown, info))
		default:
			s.skip("%s is no ordinary file", shown)
		}
		return nil
	})
	if err != nil {
		root.Close()
		return nil, err
	}
	return s, nil
}

func (s *source) skip(format string, args ...any) {
	s.skipped = append(s.skipped, fmt.Sprintf(format, args...))
}

// openZip reads a zip archive on disk. Nothing is unpacked to disk, so names in
// it can lead nowhere; entries are read as streams, of which no more than the
// bytes that a scan needs.
func openZip(archive *file) (*source, error) {
	path := archive.name
	in, err := archive.random()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	z, err := zip.NewReader(in, archive.size)
	if err != nil {
		in.Close()
		return nil, fmt.Errorf("%s is a damaged zip archive (%w); copy it again, or unpack it and give the folder", path, err)
	}
	s := &source{close: in.Close}
	packed := uint64(0)
	for _, e := range z.File {
		if packed += e.CompressedSize64; e.CompressedSize64 > uint64(archive.size) || packed > uint64(archive.size) {
			in.Close()
			return nil, fmt.Errorf("%s is a damaged zip archive (its files claim more bytes than it has, so they lie over each other); have it packed again", path)
		}
		shown := printable.Plain(path + ": " + e.Name)
		switch {
		case e.FileInfo().IsDir():
			continue
		case !e.Mode().IsRegular():
			s.skip("%s is no ordinary file", shown)
			continue
		case e.Flags&1 != 0:
			in.Close()
			return nil, fmt.Errorf("%s is locked with a password; unpack it and give the folder", path)
		case e.UncompressedSize64/deflateRatio > e.CompressedSize64:
			s.skip("%s claims more than its bytes can hold", shown)
			continue
		case len(s.files) >= maxFiles:
			in.Close()
			return nil, fmt.Errorf("%s holds more than %d files; unpack it and give the folder of the scan itself", path, maxFiles)
		}
		s.files = append(s.files, &file{name: shown, size: int64(min(e.UncompressedSize64, 1<<62)), stream: e.Open})
	}
	return s, nil
}
