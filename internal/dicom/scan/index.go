package scan

import (
	"fmt"
	"path/filepath"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/printable"
)

// A DICOMDIR is never followed to find files: its names may differ from those
// on the disc in case or ending, or lead out of it. All files are looked at, and
// the index only shows whether some that it names are missing.

// newIndex reads the file names of a DICOMDIR (PS3.3 F.3).
func newIndex(f *file, d element.Dataset) *index {
	x := &index{file: f}
	for _, record := range d[tag.DirectoryRecordSequence].Items {
		if parts := record.Values(tag.ReferencedFileID); parts != nil {
			x.parts = append(x.parts, parts)
		}
	}
	return x
}

// checkIndexes notes which files the DICOMDIRs name that are not there.
func (s *survey) checkIndexes() {
	there := map[string]bool{}
	for _, f := range s.source.files {
		there[plainName(f.name)] = true
	}
	for _, x := range s.indexes {
		missing, outside, example := 0, 0, ""
		dir := filepath.Dir(x.file.name)
		if i := strings.LastIndex(x.file.name, ": "); i >= 0 && s.path == x.file.name[:i] { // in an archive
			dir = s.path + ": " + filepath.Dir(x.file.name[i+2:])
			dir = strings.TrimSuffix(dir, ".")
		}
		for _, parts := range x.parts {
			if leavesFolder(parts) {
				outside++
				continue
			}
			rel := strings.Join(parts, string(filepath.Separator))
			whole := filepath.Join(dir, rel)
			if strings.HasSuffix(dir, ": ") {
				whole = dir + rel
			}
			if !there[plainName(whole)] {
				missing++
				if example == "" {
					example = strings.Join(parts, "/")
				}
			}
		}
		if missing > 0 {
			s.problems = append(s.problems, fmt.Sprintf("%s names %s that %s not there, first %s", x.file.name, plural(missing, "file"), isAre(missing), printable.Plain(element.Shorten(example))))
		}
		if outside > 0 {
			s.problems = append(s.problems, fmt.Sprintf("%s names %s outside its folder, which %s not followed", x.file.name, plural(outside, "file"), wasWere(outside)))
		}
	}
}

// leavesFolder reports whether a reference has a part that is no plain name.
func leavesFolder(parts []string) bool {
	for _, p := range parts {
		if p == "" || p == "." || p == ".." || strings.ContainsAny(p, `/:`) {
			return true
		}
	}
	return false
}

// plainName makes names comparable that differ in case or in a .dcm ending.
func plainName(s string) string {
	return strings.TrimSuffix(strings.ToLower(filepath.ToSlash(s)), ".dcm")
}

func isAre(n int) string {
	if n == 1 {
		return "is"
	}
	return "are"
}

func wasWere(n int) string {
	if n == 1 {
		return "was"
	}
	return "were"
}
