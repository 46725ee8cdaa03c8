package reviewpack

import (
	"archive/zip"
	"bytes"
	"io"
	"os"
)

// Is reports whether a file is an archive that Write wrote: its manifest begins
// with the schema of this program's packs, of any version.
func Is(f *os.File) bool {
	info, err := f.Stat()
	if err != nil {
		return false
	}
	z, err := zip.NewReader(f, info.Size())
	if err != nil {
		return false
	}
	in, err := z.Open(manifestName)
	if err != nil {
		return false
	}
	defer in.Close()
	start := make([]byte, 256) // more than the schema takes
	n, err := io.ReadFull(in, start)
	return (err == nil || err == io.ErrUnexpectedEOF) && bytes.Contains(start[:n], []byte(`"schema": "plumbline/pack/`))
}
