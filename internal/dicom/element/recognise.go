package element

import (
	"io"
	"os"
	"path/filepath"

	"plumbline/internal/regularfile"
)

// IsFile reports whether a file begins as a DICOM file does (PS3.10 7.1).
func IsFile(path string) bool {
	f, err := regularfile.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	head := make([]byte, preambleLength+len(dicomMark))
	_, err = io.ReadFull(f, head)
	return err == nil && string(head[preambleLength:]) == dicomMark
}

// mostLookedAt bounds the files that FilesIn opens, for folders of thousands.
const mostLookedAt = 100

// FilesIn is how many of a folder's own files, at most most, are DICOM files.
func FilesIn(folder string, most int) int {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return 0
	}
	n := 0
	for i, e := range entries {
		if n == most || i == mostLookedAt {
			break
		}
		if !e.IsDir() && IsFile(filepath.Join(folder, e.Name())) {
			n++
		}
	}
	return n
}
