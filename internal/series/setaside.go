package series

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

	"plumbline/internal/atomicfile"
	"plumbline/internal/regularfile"
)

// takeOff keeps what stands from end to size with setAside and says what it was;
// nil where nothing stands there.
func takeOff(f io.ReaderAt, end, size int64, setAside func([]byte) (string, error)) (*Dropped, error) {
	if size == end {
		return nil, nil
	}
	if size-end > maxLine {
		return nil, fmt.Errorf("nothing was added, as %d bytes that are no record stand behind the last one; go on from an unchanged copy", size-end)
	}
	text := make([]byte, size-end)
	if _, err := f.ReadAt(text, end); err != nil {
		return nil, err
	}
	name, err := setAside(text)
	if err != nil {
		return nil, fmt.Errorf("nothing was added, as what stands behind the last record could not be set aside: %w", err)
	}
	sum := sha256.Sum256(text)
	return &Dropped{Bytes: len(text), SHA256: hex.EncodeToString(sum[:]), File: name}, nil
}

// mostAside bounds the files set aside beside one series.
const mostAside = 10_000

// setAside writes a text to a new file beside the series and gives its name. A
// file that has the same text already, as a writer leaves it that was stopped
// between setting aside and cutting off, serves again.
func setAside(path string, text []byte) (string, error) {
	for i := 1; i <= mostAside; i++ {
		file := fmt.Sprintf("%s.set-aside-%d", path, i)
		old, err := regularfile.Read(file, maxLine)
		if err == nil && bytes.Equal(old, text) {
			return filepath.Base(file), nil
		}
		if _, err := os.Lstat(file); err == nil {
			continue
		} else if !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
		return filepath.Base(file), atomicfile.WriteBytes(file, text)
	}
	return "", fmt.Errorf("there are %d files set aside beside %s; move them elsewhere", mostAside, path)
}
