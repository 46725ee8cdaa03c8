package phantom

import (
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicomfile"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// Write renders a case into the folder dir, which is made when it is not there:
// pre and post with one DICOM file a slice, case.toml (the alignment is found
// from the scans), case-matrix.toml (the true transform is given), truth.json,
// and a surface for each sinus.
//
// Errors: those of Render, and what the file system says.
func Write(dir string, s Spec) error {
	pair, err := Render(s)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for _, scan := range []struct {
		name string
		v    *volume.Volume
	}{{"pre", pair.Pre}, {"post", pair.Post}} {
		if err := dicomfile.Write(filepath.Join(dir, scan.name), scan.v, dicomfile.Options{StudyDate: s.placed()}); err != nil {
			return fmt.Errorf("write %s: %w", scan.name, err)
		}
	}
	for _, b := range pair.Truth.Structures {
		if b.Kind == "sinus" {
			if err := os.WriteFile(filepath.Join(dir, surfaceFile(b)), b.surface(), 0o644); err != nil {
				return err
			}
		}
	}
	plain := caseFile(s, pair) + "\n[alignment]\nmethod = \"scans\"\n"
	matrix := caseFile(s, pair) + "\n[alignment]\nmethod = \"matrix\"\nmatrix = " + numbers("%.9f", pair.Truth.PostToPre.Matrix()) + "\n"
	truth, err := json.MarshalIndent(report(s, pair.Truth), "", " ")
	if err != nil {
		return err
	}
	for name, data := range map[string][]byte{
		"case.toml": []byte(plain), "case-matrix.toml": []byte(matrix), "truth.json": append(truth, '\n'),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			return err
		}
	}
	return nil
}

func (s Spec) placed() string {
	if s.Placed == "" {
		return "2026-01-15"
	}
	return s.Placed
}

func (s Spec) name() string {
	if s.Case == "" {
		return fmt.Sprintf("P-%04d", s.Seed%10000)
	}
	return s.Case
}

func (s Spec) clinician() string {
	if s.Clinician == "" {
		return "clinician-a"
	}
	return s.Clinician
}

func surfaceFile(b Structure) string { return strings.ReplaceAll(b.Name, " ", "-") + ".stl" }

// caseFile is the case file up to the alignment.
func caseFile(s Spec, pair *Pair) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Simulated: no patient's data.\ncase      = %q\nplaced    = %s\nclinician = %q\nframe     = \"lps\"\nnumbering = \"iso3950\"\npre       = \"pre\"\npost      = \"post\"\n",
		s.name(), s.placed(), s.clinician())
	vec := func(v geom.Vec) string { return numbers("%.5f", [3]float64{v.X, v.Y, v.Z}) }
	for _, f := range pair.Truth.Fixtures {
		guidance := f.Guidance
		if guidance == "" {
			guidance = "freehand"
		}
		fmt.Fprintf(&b, "\n[[fixture]]\nsite     = %q\nentry    = %s\napex     = %s\ndiameter = %g\nlength   = %g\nguidance = %q\nmesial   = %s\n",
			f.Site, vec(f.Planned.Entry), vec(f.Planned.Apex), f.Diameter, f.Length, guidance, vec(f.Mesial))
	}
	for _, t := range pair.Truth.Structures {
		if t.Kind == "sinus" {
			fmt.Fprintf(&b, "\n[[structure]]\nname    = %q\nkind    = \"sinus\"\nsurface = %q\n", t.Name, surfaceFile(t))
			continue
		}
		// A planner draws what the scan shows.
		var path, radius []string
		for i, p := range t.Path {
			if !pair.Pre.Contains(p) {
				continue
			}
			path = append(path, vec(p))
			radius = append(radius, fmt.Sprintf("%.3f", t.Radius[min(i, len(t.Radius)-1)]))
		}
		if len(path) < 2 {
			continue
		}
		r := "[" + strings.Join(radius, ", ") + "]"
		if len(t.Radius) == 1 {
			r = radius[0]
		}
		fmt.Fprintf(&b, "\n[[structure]]\nname   = %q\nkind   = %q\npath   = [%s]\nradius = %s\n", t.Name, t.Kind, strings.Join(path, ", "), r)
	}
	return b.String()
}

func numbers[T [3]float64 | [16]float64](format string, list T) string {
	var words []string
	for i := range len(list) {
		words = append(words, fmt.Sprintf(format, list[i]))
	}
	return "[" + strings.Join(words, ", ") + "]"
}

// surface is the ellipsoid as a binary STL in the planning scan's coordinates.
// Its corners lie on the ellipsoid, so its faces lie inside by up to 0.01 mm at
// a radius of 17 mm.
func (b Structure) surface() []byte {
	const rings, turns = 64, 128
	at := func(i, k int) geom.Vec {
		st, ct := math.Sincos(math.Pi * float64(i) / rings)
		sp, cp := math.Sincos(2 * math.Pi * float64(k%turns) / turns)
		p := geom.Vec{X: b.Radii.X * st * cp, Y: b.Radii.Y * st * sp, Z: b.Radii.Z * ct}
		return r3.Add(b.Centre, b.Place.Rotate(p))
	}
	header := make([]byte, 80)
	copy(header, "simulated, mm")
	body := []byte{}
	count := uint32(0)
	facet := func(p ...geom.Vec) {
		n := r3.Unit(r3.Cross(r3.Sub(p[1], p[0]), r3.Sub(p[2], p[0])))
		for _, v := range append([]geom.Vec{n}, p...) {
			for _, x := range [3]float64{v.X, v.Y, v.Z} {
				body = binary.LittleEndian.AppendUint32(body, math.Float32bits(float32(x)))
			}
		}
		body = append(body, 0, 0)
		count++
	}
	for i := range rings {
		for k := range turns {
			a, c, d, e := at(i, k), at(i+1, k), at(i+1, k+1), at(i, k+1)
			if i < rings-1 {
				facet(a, c, d)
			}
			if i > 0 {
				facet(a, d, e)
			}
		}
	}
	return append(binary.LittleEndian.AppendUint32(header, count), body...)
}

// report is truth.json: lengths mm, coordinates patient LPS of the planning
// scan unless a name says post.
func report(s Spec, t Truth) map[string]any {
	vec := func(v geom.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }
	pose := func(p geom.Pose) map[string]any {
		return map[string]any{"entry": vec(p.Entry), "apex": vec(p.Apex)}
	}
	var fixtures []map[string]any
	for _, f := range t.Fixtures {
		var clear []map[string]any
		for _, c := range f.Clearance {
			m := map[string]any{"structure": c.Structure, "planned_mm": c.Planned}
			if !f.Missing {
				m["achieved_mm"] = c.Achieved
			}
			clear = append(clear, m)
		}
		m := map[string]any{
			"site": f.Site, "diameter_mm": f.Diameter, "length_mm": f.Length, "missing": f.Missing,
			"planned": pose(f.Planned), "clearance": clear,
		}
		if !f.Missing {
			m["achieved"], m["achieved_post"] = pose(f.Achieved), pose(f.AchievedPost)
		}
		fixtures = append(fixtures, m)
	}
	var landmarks []map[string]any
	for _, l := range t.Landmarks {
		landmarks = append(landmarks, map[string]any{"name": l.Name, "pre": vec(l.Pre), "post": vec(l.Post)})
	}
	return map[string]any{
		"schema": "plumbline/phantom/1", "post_to_pre": t.PostToPre.Matrix(),
		"fixtures": fixtures, "landmarks": landmarks, "spec": s,
	}
}
