// Command notices gathers the licences of all that is linked into plumbline, for
// plumbline version --notices: those of the Go standard library, of every module
// and of the fonts in them. make notices runs it; its test says when that is due.
package main

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// systems are those that make dist builds for; each links modules of its own.
var systems = []string{"linux", "windows", "darwin"}

// program is the package whose modules are looked at.
const program = "plumbline/cmd/plumbline"

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "usage: notices FILE")
		os.Exit(2)
	}
	text, err := gather()
	if err == nil {
		err = os.WriteFile(os.Args[1], text, 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "notices:", err)
		os.Exit(1)
	}
}

// module is a module with its folders that the program has packages of.
type module struct {
	path, version, dir string
	folders            []string // with those above them in the module
}

// title is the heading of the module's notices.
func (m module) title() string { return strings.TrimSpace(m.path + " " + m.version) }

// linked are the modules that the program links on any system, in the order of
// their paths.
func linked() ([]module, error) {
	found := map[string]*module{}
	for _, system := range systems {
		list := exec.Command("go", "list", "-deps", "-f", "{{with .Module}}{{if not .Replace}}{{.Path}}\t{{.Version}}\t{{.Dir}}\t{{$.Dir}}{{end}}{{end}}", program)
		list.Env = append(os.Environ(), "GOOS="+system, "CGO_ENABLED=0")
		var said bytes.Buffer
		list.Stderr = &said
		out, err := list.Output()
		if err != nil {
			return nil, fmt.Errorf("go list for %s: %w: %s; go mod download brings modules that are missing", system, err, said.String())
		}
		for line := range strings.Lines(string(out)) {
			field := strings.Split(strings.TrimSpace(line), "\t")
			if len(field) != 4 || field[1] == "" {
				continue // the standard library, and the program itself with what stands in for a module
			}
			m := found[field[0]]
			if m == nil {
				m = &module{path: field[0], version: field[1], dir: field[2]}
				found[m.path] = m
			}
			for at := field[3]; ; at = filepath.Dir(at) {
				if !slices.Contains(m.folders, at) {
					m.folders = append(m.folders, at)
				}
				if at == m.dir || at == filepath.Dir(at) {
					break
				}
			}
		}
	}
	var out []module
	for _, m := range found {
		slices.Sort(m.folders)
		out = append(out, *m)
	}
	slices.SortFunc(out, func(a, b module) int { return strings.Compare(a.path, b.path) })
	return out, nil
}

// A legal file is known by its name; a folder of a legal name holds nothing else.
var legal = regexp.MustCompile(`(?i)^(licen[cs]e|copying|notice|patents|third_party_licen[cs]es)`)

// notices are the legal files in folders of a module, each under its name.
func notices(dir string, folders []string) (string, error) {
	var b strings.Builder
	for _, folder := range folders {
		entries, err := os.ReadDir(folder)
		if err != nil {
			return "", err
		}
		for _, entry := range entries {
			if !legal.MatchString(entry.Name()) || strings.HasSuffix(entry.Name(), ".go") {
				continue
			}
			err := filepath.WalkDir(filepath.Join(folder, entry.Name()), func(path string, entry fs.DirEntry, err error) error {
				if err != nil || entry.IsDir() {
					return err
				}
				text, err := os.ReadFile(path)
				if err != nil {
					return err
				}
				name, err := filepath.Rel(dir, path)
				fmt.Fprintf(&b, "\n-- %s --\n\n%s\n", filepath.ToSlash(name), tidy(text))
				return err
			})
			if err != nil {
				return "", err
			}
		}
	}
	return b.String(), nil
}

// tidy takes blanks off the ends of lines and of the text.
func tidy(text []byte) string {
	var b strings.Builder
	for line := range strings.Lines(string(text)) {
		b.WriteString(strings.TrimRight(line, " \t\r\n") + "\n")
	}
	return strings.Trim(b.String(), "\n")
}

// rule stands above every heading.
var rule = strings.Repeat("=", 72) + "\n"

// goTitle is the heading of what every Go program has in it.
const goTitle = "The Go standard library and runtime"

// gather gives all notices as one text.
func gather() ([]byte, error) {
	modules, err := linked()
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	b.WriteString("Licences of the libraries and fonts that plumbline is built from.\n\n")
	put := func(title, dir string, folders []string) error {
		text, err := notices(dir, folders)
		if err == nil && text == "" {
			err = fmt.Errorf("%s has no licence file in %s", title, dir)
		}
		fmt.Fprintf(&b, "%s%s\n%s\n", rule, title, text)
		return err
	}
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return nil, fmt.Errorf("go env GOROOT: %w", err)
	}
	home := strings.TrimSpace(string(root))
	if err := put(goTitle, home, []string{home}); err != nil {
		return nil, err
	}
	for _, m := range modules {
		if err := put(m.title(), m.dir, m.folders); err != nil {
			return nil, err
		}
	}
	return b.Bytes(), nil
}
