package casefile

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

// Draft is a case file that is being started. What is empty or zero is written as
// a field to fill in, which Read refuses until it is.
type Draft struct {
	Case, Clinician, Placed string
	Frame                   Frame
	Numbering               tooth.System
	Pre, Post               string // relative to the case file
	ScanNote                string // how pre and post were told apart, in words
	Fixtures                []DraftFixture
}

// DraftFixture is a planned fixture of a draft, mm.
type DraftFixture struct {
	Site             string // label in the draft's numbering
	Planned          *geom.Pose
	Mesh             string // STL file in place of it, relative to the case file
	Decimals         int    // of the coordinates
	Diameter, Length float64
	Guidance         Guidance
}

// fillIn marks a field that its author has to fill in.
const fillIn = "FILL IN: "

// Missing names what has to be filled in, in the order of the file.
func (d Draft) Missing() []string {
	var out []string
	need := func(there bool, name string) {
		if !there {
			out = append(out, name)
		}
	}
	need(d.Case != "", "case")
	need(d.Placed != "", "placed")
	need(d.Clinician != "", "clinician")
	need(d.Numbering != "", "numbering")
	need(d.Pre != "", "pre")
	for i, f := range d.Fixtures {
		field := fixtureField(i) + ", "
		need(f.Site != "", field+"site")
		need(f.Planned != nil || f.Mesh != "", field+"entry and apex")
		need(f.Diameter > 0 || f.Mesh != "", field+"diameter")
	}
	return out
}

// Text is the draft as a commented case file.
func (d Draft) Text() string {
	var b strings.Builder
	line := func(key, value, comment string) {
		fmt.Fprintf(&b, "%-9s = %-20s # %s\n", key, value, comment)
	}
	text := func(key, value, what string) {
		if value == "" {
			what = fillIn + what
		}
		line(key, strconv.Quote(value), what)
	}
	b.WriteString("# One surgery. Lengths are mm. Fields marked FILL IN are needed; what follows a #\n# is a remark or an example and does not count.\n\n")
	text("case", d.Case, `a pseudonym such as "C-007"; never a patient's name`)
	if d.Placed == "" {
		b.WriteString("# placed  = 2026-03-14           # " + fillIn + "the date of surgery, without quotes; take the first # away\n")
	} else {
		line("placed", d.Placed, "date of surgery")
	}
	text("clinician", d.Clinician, `a pseudonym such as "clinician-a"`)
	frame := d.Frame
	if frame == "" {
		frame = LPS
	}
	line("frame", strconv.Quote(string(frame)), `coordinates below: "lps" (DICOM patient coordinates), "ras", or "corner"`)
	text("numbering", string(d.Numbering), `"iso3950" (11 to 48) or "universal" (1 to 32)`)
	text("pre", d.Pre, "planning scan: folder, file or zip archive beside this file")
	if d.Post == "" {
		line("post", `""`, "follow-up scan: entered after surgery, see plumbline help case")
	} else {
		line("post", strconv.Quote(d.Post), "follow-up scan, likewise")
	}
	if d.ScanNote != "" {
		b.WriteString("# " + d.ScanNote + "\n")
	}
	for _, f := range d.Fixtures {
		b.WriteString("\n[[fixture]]\n")
		text("site", f.Site, "tooth number")
		switch {
		case f.Mesh != "":
			line("mesh", strconv.Quote(f.Mesh), "the planned fixture's surface, in place of entry and apex")
		case f.Planned == nil:
			b.WriteString("# entry   = [-24.10, 11.32, 8.05]   # " + fillIn + "platform centre, and take the first # away;\n")
			b.WriteString("# apex    = [-24.62, 12.01, -1.91]  # " + fillIn + "apex point; or in place of both\n")
			b.WriteString("# mesh    = \"fixture.stl\"           # the planned fixture as a surface\n")
		default:
			line("entry", formatPoint(f.Planned.Entry, f.Decimals), "platform centre")
			line("apex", formatPoint(f.Planned.Apex, f.Decimals), "apex point")
		}
		switch {
		case f.Diameter > 0:
			line("diameter", formatNumber(f.Diameter), "outer")
		case f.Mesh == "":
			b.WriteString("# diameter = 4.1                # " + fillIn + "outer diameter, and take the first # away\n")
		}
		if f.Length > 0 {
			line("length", formatNumber(f.Length), "of the catalogue")
		}
		if f.Guidance != "" {
			line("guidance", strconv.Quote(string(f.Guidance)), `"full-guide", "pilot-guide", "freehand" or "navigated"`)
		} else {
			b.WriteString("# guidance = \"full-guide\"       # or \"pilot-guide\", \"freehand\", \"navigated\"\n")
		}
	}
	b.WriteString(`
# What the fixtures must keep clear of, as many as there are:
# [[structure]]
# name   = "left mandibular canal"
# kind   = "nerve"              # or sinus, root, fixture, cortex, other
# path   = [[-30.1, 20.2, -6.0], [-25.0, 14.1, -5.5]]   # centre line
# radius = 1.4
# surface = "sinus.stl"         # in place of path and radius
# file = "structures.dcm"       # in place of either: a DICOM object that has a body of this name
# find = "canal"                # in place of all: followed through the planning scan, between
# through = [[-30.1, 20.2, -6.0], [-25.0, 14.1, -5.5]]  # points of it

# How the scans are brought together, where not from the scans themselves:
# [alignment]
# method = "landmarks"          # or "matrix" or "same-frame"
# landmarks = [{pre = [x,y,z], post = [x,y,z]}, …]      # three pairs or more
`)
	return b.String()
}

func formatPoint(p geom.Vec, decimals int) string {
	x := make([]string, 3)
	for i, v := range []float64{p.X, p.Y, p.Z} {
		x[i] = strconv.FormatFloat(v, 'f', decimals, 64)
	}
	return "[" + strings.Join(x, ", ") + "]"
}

func formatNumber(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// relative is a path as the case file at file names it.
func relative(file, path string) string {
	if r, err := filepath.Rel(filepath.Dir(file), path); err == nil {
		return filepath.ToSlash(r)
	}
	return path
}
