package main

import (
	"bytes"
	"context"
	_ "embed"
	"fmt"
	"os"
	"path/filepath"
	"text/template"
	"time"

	"plumbline/internal/cli"
)

var (
	//go:embed start-here.txt
	startHere string
	//go:embed Info.plist
	infoPlist string
	//go:embed plumbline.desktop
	desktop []byte
	//go:embed install.sh
	install []byte
)

// file is a file of an archive.
type file struct {
	name    string // with /
	data    []byte
	program bool // it can be run
	link    bool // it stands for the file whose name data is
}

// archive is an archive for a system. Top is the folder in which all its files stand; ""
// where the system makes one of the archive's name when it unpacks it.
type archive struct {
	name, top string
	files     []file
}

// pack makes the archives of the programs in a folder, with the SHA-256 of each.
func pack(r release, programs, into string) error {
	archives, err := archives(r, programs)
	if err != nil {
		return fmt.Errorf("%w; dist build makes the programs first", err)
	}
	if err := os.RemoveAll(into); err != nil {
		return err
	}
	if err := os.MkdirAll(into, 0o755); err != nil {
		return err
	}
	var written []file
	for _, a := range archives {
		data, err := a.packed(r.time)
		if err != nil {
			return err
		}
		written = append(written, file{name: a.name, data: data})
	}
	for _, f := range append(written, sums(written)) {
		fmt.Printf("%6.1f MB  %s\n", float64(len(f.data))/1e6, f.name)
		if err := os.WriteFile(filepath.Join(into, f.name), f.data, 0o644); err != nil {
			return err
		}
	}
	return nil
}

// archives are those of all systems.
func archives(r release, programs string) ([]archive, error) {
	var failed error
	read := func(path ...string) []byte {
		data, err := os.ReadFile(filepath.Join(append([]string{programs}, path...)...))
		if failed == nil {
			failed = err
		}
		return data
	}
	must := func(data []byte, err error) []byte {
		if failed == nil {
			failed = err
		}
		return data
	}
	base := "plumbline-" + r.version
	common := func(system, parts string) []file {
		text := must(filled(startHere, map[string]string{"System": system, "Version": r.version}))
		if system == "Windows" {
			text = bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n"))
		}
		return []file{{"START-HERE.txt", text, false, false}, {"NOTICES.txt", said(r, "version", "--notices"), false, false}, {partsName, read(parts, partsName), false, false}}
	}
	apple := []file{
		{"Plumbline.app/Contents/Info.plist", must(filled(infoPlist, map[string]string{"Version": r.version, "Number": r.number()})), false, false},
		{"Plumbline.app/Contents/PkgInfo", []byte("APPL????"), false, false},
		{"Plumbline.app/Contents/MacOS/plumbline", read(universal, "plumbline"), true, false},
		{"Plumbline.app/Contents/Resources/plumbline.icns", must(appleIcon()), false, false},
		{name: "plumbline", data: []byte("Plumbline.app/Contents/MacOS/plumbline"), link: true},
	}
	out := []archive{
		{base + "-windows.zip", "", append(common("Windows", "windows-amd64"),
			file{"plumbline.exe", read("windows-amd64", "plumbline.exe"), true, false},
			file{"for Arm/plumbline.exe", read("windows-arm64", "plumbline.exe"), true, false})},
		{base + "-macos.zip", "", append(common("macOS", "darwin-arm64"), apple...)},
	}
	for _, processor := range []string{"amd64", "arm64"} {
		of := "linux-" + processor
		files := append(common("Linux", of),
			file{"plumbline", read(of, "plumbline"), true, false}, file{"install.sh", install, true, false},
			file{"share/applications/plumbline.desktop", desktop, false, false},
			file{"share/icons/hicolor/scalable/apps/plumbline.svg", iconSVG(), false, false},
			file{"share/icons/hicolor/256x256/apps/plumbline.png", must(iconPNG(256)), false, false},
			file{"share/man/man1/plumbline.1", said(r, "help", "--man"), false, false},
			file{"share/bash-completion/completions/plumbline", said(r, "completion", "bash"), false, false},
			file{"share/zsh/site-functions/_plumbline", said(r, "completion", "zsh"), false, false},
			file{"share/fish/vendor_completions.d/plumbline.fish", said(r, "completion", "fish"), false, false})
		out = append(out, archive{base + "-" + of + ".tar.gz", base, files})
	}
	for i, a := range out {
		out[i].files = append(a.files, sums(a.files))
	}
	return out, failed
}

// said is what the program prints.
func said(r release, args ...string) []byte {
	var b bytes.Buffer
	cli.Run(context.Background(), args, cli.Env{Stdout: &b, Stderr: os.Stderr, Now: func() time.Time { return r.time }, Version: r.version})
	return b.Bytes()
}

// filled is a text with its blanks filled in.
func filled(text string, with map[string]string) ([]byte, error) {
	t, err := template.New("").Option("missingkey=error").Parse(text)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	err = t.Execute(&b, with)
	return b.Bytes(), err
}
