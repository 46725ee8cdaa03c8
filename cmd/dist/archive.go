package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/flate"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"
	"time"
)

// sumsName lists the SHA-256 of the files beside it, as sha256sum writes them.
const sumsName = "SHA256SUMS"

func sums(files []file) file {
	var b strings.Builder
	for _, f := range files {
		if f.link {
			continue
		}
		fmt.Fprintf(&b, "%x  %s\n", sha256.Sum256(f.data), f.name)
	}
	return file{name: sumsName, data: []byte(b.String())}
}

// mode is the rights of a file.
func (f file) mode() fs.FileMode {
	switch {
	case f.link:
		return fs.ModeSymlink | 0o755
	case f.program:
		return 0o755
	}
	return 0o644
}

// packed is the archive's bytes: zip or, by its name, a compressed tar. Every file is of one
// time, and nothing tells who made it where.
func (a archive) packed(made time.Time) ([]byte, error) {
	var b bytes.Buffer
	write := writeTar
	if strings.HasSuffix(a.name, ".zip") {
		write = writeZip
	}
	if err := write(&b, a, made); err != nil {
		return nil, fmt.Errorf("%s: %w", a.name, err)
	}
	return b.Bytes(), nil
}

func writeZip(w io.Writer, a archive, made time.Time) error {
	z := zip.NewWriter(w)
	z.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) { return flate.NewWriter(w, flate.BestCompression) })
	for _, f := range a.files {
		h := &zip.FileHeader{Name: path.Join(a.top, f.name), Method: zip.Deflate, Modified: made}
		h.SetMode(f.mode())
		to, err := z.CreateHeader(h)
		if err != nil {
			return err
		}
		if _, err := to.Write(f.data); err != nil {
			return err
		}
	}
	return z.Close()
}

func writeTar(w io.Writer, a archive, made time.Time) error {
	g, err := gzip.NewWriterLevel(w, gzip.BestCompression)
	if err != nil {
		return err
	}
	t := tar.NewWriter(g)
	for _, f := range a.files {
		h := &tar.Header{Typeflag: tar.TypeReg, Name: path.Join(a.top, f.name), Size: int64(len(f.data)), Mode: int64(f.mode()), ModTime: made, Format: tar.FormatUSTAR}
		if err := t.WriteHeader(h); err != nil {
			return err
		}
		if _, err := t.Write(f.data); err != nil {
			return err
		}
	}
	if err := t.Close(); err != nil {
		return err
	}
	return g.Close()
}
