package main

import (
	"bytes"
	"debug/macho"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

// target is a system and processor that the program is built for, as Go names them.
type target struct{ system, processor string }

var targets = []target{
	{"linux", "amd64"}, {"linux", "arm64"}, {"windows", "amd64"}, {"windows", "arm64"}, {"darwin", "amd64"}, {"darwin", "arm64"},
}

// universal is both programs for macOS in one file.
const universal = "darwin-universal"

// program is where a program lies among the programs.
func (t target) program() string {
	if t.system == "windows" {
		return filepath.Join(t.system+"-"+t.processor, "plumbline.exe")
	}
	return filepath.Join(t.system+"-"+t.processor, "plumbline")
}

// build makes the program of every system in a folder, each with the list of its parts.
func build(r release, folder string) error {
	if err := os.RemoveAll(folder); err != nil {
		return err
	}
	for _, t := range targets {
		path := filepath.Join(folder, t.program())
		if err := compile(r, t, path); err != nil {
			return fmt.Errorf("%s for %s: %w", t.system, t.processor, err)
		}
		if err := writeParts(path, filepath.Join(filepath.Dir(path), partsName), r); err != nil {
			return err
		}
		if t.system == "windows" {
			if err := addResources(path, r); err != nil {
				return err
			}
		}
	}
	var thin [][]byte
	for _, t := range targets {
		if t.system != "darwin" {
			continue
		}
		data, err := os.ReadFile(filepath.Join(folder, t.program()))
		if err != nil {
			return err
		}
		thin = append(thin, data)
	}
	fat, err := fatMachO(thin)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Join(folder, universal), 0o755); err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(folder, universal, "plumbline"), fat, 0o755)
}

// compile builds the program as make build does.
func compile(r release, t target, path string) error {
	fmt.Println("building for", t.system, t.processor)
	c := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -buildid= -X main.version="+r.version, "-o", path, "./cmd/plumbline")
	c.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS="+t.system, "GOARCH="+t.processor)
	c.Stdout, c.Stderr = os.Stdout, os.Stderr
	return c.Run()
}

// fatAlign is the boundary, as a power of two, on which each program begins in a universal
// file: the largest page of the processors, 16 kB.
const fatAlign = 14

// fatMachO puts Mach-O programs of 64 bits for several processors into one universal file:
// a header and an entry for each, big-endian, as <mach-o/fat.h> has it (fat_header,
// fat_arch). Each program's own signature stays valid, as it lies within the program.
func fatMachO(programs [][]byte) ([]byte, error) {
	header := []uint32{macho.MagicFat, uint32(len(programs))}
	at := 0
	next := func(n int) { at = (n + 1<<fatAlign - 1) >> fatAlign << fatAlign }
	next(8 + 20*len(programs))
	var offsets []int
	for _, p := range programs {
		f, err := macho.NewFile(bytes.NewReader(p))
		if err != nil {
			return nil, err
		}
		header = append(header, uint32(f.Cpu), f.SubCpu, uint32(at), uint32(len(p)), fatAlign)
		offsets = append(offsets, at)
		next(at + len(p))
	}
	last := len(programs) - 1
	out := make([]byte, offsets[last]+len(programs[last]))
	for i, v := range header {
		binary.BigEndian.PutUint32(out[4*i:], v)
	}
	for i, p := range programs {
		copy(out[offsets[i]:], p)
	}
	return out, nil
}
