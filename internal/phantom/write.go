package phantom

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/atomicfile"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/regularfile"
	"plumbline/internal/trimesh"
	"plumbline/internal/volume"
)

// The files of a case folder, besides the sinuses' surfaces.
const (
	preFolder, postFolder = "pre", "post"
	caseName              = "case.toml"
	matrixName            = "case-matrix.toml"
	afterName, beforeName = "after.stl", "before.stl"
	truthName             = "truth.json"
)

// Write renders a case into the folder dir, which is made when it is not there:
// pre and post with one DICOM file a slice, case.toml (the alignment is found
// from the scans), case-matrix.toml (the true transform is given), truth.json
// (see Record), a surface for each sinus, and what Spec.Surface asks for: after.stl, before.stl
// and the scan bodies. The same phantom in the folder is
// replaced where its files are as they were written; other files of its folder stay.
//
// Everything is written and synced under a temporary name first. truth.json comes
// first and case.toml last, so that a folder with the latter is whole.
//
// Errors: those of Render, a folder with files in it that is no phantom's, a
// *ChangedError, and what the file system says.
func Write(dir string, s Spec) error { return write(dir, s, false) }

// Overwrite is Write that replaces another phantom and files which were changed, too,
// but none beside them.
func Overwrite(dir string, s Spec) error { return write(dir, s, true) }

func write(dir string, s Spec, over bool) error {
	if err := s.Check(); err != nil {
		return err
	}
	if err := checkWritable(dir); err != nil {
		return err
	}
	own := []string{preFolder, caseName, matrixName, truthName}
	if s.Surface != nil {
		own = append(own, afterName)
	}
	if s.Surface == nil || !s.Surface.Alone {
		own = append(own, postFolder)
	}
	if err := unchanged(dir, own, over); err != nil {
		return err
	}
	if there, err := ReadRecord(dir); err == nil && !over && !reflect.DeepEqual(there.Spec, s) {
		return &ChangedError{File: dir, Other: true}
	}
	pair, err := s.records()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	part, err := os.MkdirTemp(dir, partPrefix+"*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(part)
	names, err := pair.writeInto(part, s)
	if err != nil {
		return err
	}
	if err := unchanged(dir, names, over); err != nil {
		return err
	}
	if err := os.Remove(filepath.Join(dir, caseName)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	for _, name := range names {
		if name == preFolder || name == postFolder { // a file is replaced by the renaming
			if err := os.RemoveAll(filepath.Join(dir, name)); err != nil {
				return err
			}
		}
		if err := os.Rename(filepath.Join(part, name), filepath.Join(dir, name)); err != nil {
			return err
		}
	}
	return nil
}

// partPrefix begins the name of a folder that is being filled.
const partPrefix = ".writing-"

// checkWritable refuses a folder whose files could be somebody's.
func checkWritable(dir string) error {
	entries, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	others := slices.DeleteFunc(entries, func(e fs.DirEntry) bool { return strings.HasPrefix(e.Name(), partPrefix) })
	if len(others) == 0 {
		return nil
	}
	if _, err := ReadRecord(dir); err != nil {
		return fmt.Errorf("%s: the folder has files that are not a phantom's, such as %s; give a new or an empty folder", dir, others[0].Name())
	}
	return nil
}

// ChangedError is a file that a phantom would replace and that is not as a phantom
// was written.
type ChangedError struct {
	File string
	// Beside is whether it is a file that no phantom wrote, Other whether it is the
	// folder of another phantom.
	Beside, Other bool
}

func (e *ChangedError) Error() string {
	if e.Other {
		return fmt.Sprintf("%s holds another phantom than this would be; name another folder", e.File)
	}
	if e.Beside {
		return fmt.Sprintf("%s is no file of the phantom in its folder, which would be replaced; move it, or name another folder", e.File)
	}
	return fmt.Sprintf("%s is not as the phantom in its folder was written; name another folder", e.File)
}

// unchanged reports what a phantom with files and folders of some names would
// replace in dir that is not as it was written; over, only what no phantom wrote.
func unchanged(dir string, names []string, over bool) error {
	record, err := ReadRecord(dir)
	if err != nil {
		record = &Record{}
	}
	for _, name := range names {
		err := filepath.WalkDir(filepath.Join(dir, name), func(path string, d fs.DirEntry, err error) error {
			if errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			if err != nil || d.IsDir() {
				return err
			}
			within, err := filepath.Rel(dir, path)
			if err != nil {
				return err
			}
			want, listed := record.Files[filepath.ToSlash(within)]
			switch {
			case !listed && len(record.Files) > 0:
				return &ChangedError{File: path, Beside: true}
			case over:
				return nil
			case !listed:
				return &ChangedError{File: path}
			}
			same := false
			if name == truthName {
				var data, written []byte
				if data, err = regularfile.Read(path, maxRecord); err == nil {
					written, err = record.text(record.Files)
				}
				same = bytes.Equal(data, written)
			} else {
				var is string
				is, err = hashOf(path)
				same = is == want
			}
			if err == nil && !same {
				return &ChangedError{File: path}
			}
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// hashOf is the SHA-256 of a file, in hexadecimal digits.
func hashOf(path string) (string, error) {
	f, err := regularfile.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// written is what goes into a case folder.
type written struct {
	Pair               // without Post where a surface is in its place
	surfaces *Surfaces // nil for none
}

// records renders what goes into the case folder.
func (s Spec) records() (*written, error) {
	if s.Surface == nil || !s.Surface.Alone {
		pair, err := Render(s)
		if err != nil {
			return nil, err
		}
		out := &written{Pair: *pair}
		if s.Surface != nil {
			out.surfaces, err = RenderSurfaces(s, *s.Surface)
		}
		return out, err
	}
	pre, truth, err := RenderPre(s)
	if err != nil {
		return nil, err
	}
	out := &written{Pair: Pair{Pre: pre, Truth: *truth}}
	if out.surfaces, err = RenderSurfaces(s, *s.Surface); err != nil {
		return nil, err
	}
	// What is said of the follow-up scan holds for the surface.
	t, back := &out.Truth, out.surfaces.ToPre.Inverse()
	t.PostToPre = out.surfaces.ToPre
	for i := range t.Fixtures {
		if f := &t.Fixtures[i]; !f.Missing {
			f.AchievedPost = back.ApplyPose(f.Achieved)
		}
	}
	for i := range t.Landmarks {
		t.Landmarks[i].Post = back.Apply(t.Landmarks[i].Pre)
	}
	return out, nil
}

// writeInto fills an empty folder and gives the names in it, truth.json first and
// case.toml last.
func (p *written) writeInto(dir string, s Spec) (names []string, err error) {
	for _, scan := range []struct {
		name, date string
		v          *volume.Volume
		c          Scan
	}{{preFolder, s.planned(), p.Pre, s.Pre}, {postFolder, s.placed(), p.Post, s.Post}} {
		if scan.v == nil {
			continue
		}
		o := encode.Options{StudyDate: scan.date}
		if scan.c.Clip12 {
			o.BitsStored = 12
		}
		if err := encode.Volume(filepath.Join(dir, scan.name), scan.v, o); err != nil {
			return nil, fmt.Errorf("write %s: %w", scan.name, err)
		}
		names = append(names, scan.name)
	}
	plan := caseFile(s, p)
	type file struct {
		name string
		data []byte
	}
	files := []file{
		{matrixName, []byte(plan + "\n[alignment]\nmethod = \"matrix\"\nmatrix = " + numbers("%.9f", p.Truth.PostToPre.Matrix()) + "\n")},
	}
	for _, b := range p.Truth.Structures {
		if b.Kind == "sinus" {
			files = append(files, file{surfaceFile(b), b.surface()})
		}
	}
	if p.surfaces != nil {
		files = append(files, file{afterName, trimesh.EncodeSTL("simulated", p.surfaces.After)})
		if p.surfaces.Before != nil {
			files = append(files, file{beforeName, trimesh.EncodeSTL("simulated", p.surfaces.Before)})
		}
		for i, f := range s.Fixtures {
			files = append(files, file{bodyFile(f), trimesh.EncodeSTL("simulated, mm", p.surfaces.Bodies[i])})
		}
	}
	files = append(files, file{caseName, []byte(plan + "\n[alignment]\nmethod = \"scans\"\n")})
	for _, f := range files {
		if err := os.WriteFile(filepath.Join(dir, f.name), f.data, 0o644); err != nil {
			return nil, err
		}
		names = append(names, f.name)
	}
	record := newRecord(s, p.Truth, p.surfaces)
	hashes, err := syncFiles(dir)
	if err != nil {
		return nil, err
	}
	truth, err := record.text(hashes)
	if err != nil {
		return nil, err
	}
	return append([]string{truthName}, names...), atomicfile.Write(filepath.Join(dir, truthName), func(w io.Writer) error {
		_, err := w.Write(truth)
		return err
	})
}

// syncFiles makes every file of a folder and its subfolders last, and gives their
// hashes by their paths in it, with slashes.
func syncFiles(dir string) (map[string]string, error) {
	var paths []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	errs, hashes := make([]error, len(paths)), make([]string, len(paths))
	parallel.For(len(paths), func(i int) {
		f, err := os.OpenFile(paths[i], os.O_RDWR, 0)
		if err != nil {
			errs[i] = err
			return
		}
		errs[i] = errors.Join(f.Sync(), f.Close())
		if errs[i] == nil {
			hashes[i], errs[i] = hashOf(paths[i])
		}
	})
	out := map[string]string{}
	for i, path := range paths {
		within, err := filepath.Rel(dir, path)
		errs = append(errs, err)
		out[filepath.ToSlash(within)] = hashes[i]
	}
	return out, errors.Join(errs...)
}

// planned is the date of the planning scan: three weeks before surgery.
func (s Spec) planned() string {
	day, err := time.Parse(time.DateOnly, s.placed())
	if err != nil {
		return ""
	}
	return day.AddDate(0, 0, -21).Format(time.DateOnly)
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

func bodyFile(f Fixture) string { return "scan-body-" + f.Site + ".stl" }

func surfaceFile(b Structure) string { return strings.ReplaceAll(b.Name, " ", "-") + ".stl" }

// caseFile is the case file up to the alignment.
func caseFile(s Spec, pair *written) string {
	var b strings.Builder
	fmt.Fprintf(&b, "# Simulated: no patient's data.\ncase      = %q\nplaced    = %s\nclinician = %q\nsimulated = true\nframe     = \"lps\"\nnumbering = \"iso3950\"\npre       = \"pre\"\n",
		s.name(), s.placed(), s.clinician())
	if pair.Post != nil {
		fmt.Fprintf(&b, "post      = %q\n", postFolder)
	}
	if pair.surfaces != nil {
		fmt.Fprintf(&b, "post_surface = %q\n", afterName)
		if pair.surfaces.Before != nil {
			fmt.Fprintf(&b, "pre_surface  = %q\n", beforeName)
		}
	}
	vec := func(v geom.Vec) string { return numbers("%.5f", [3]float64{v.X, v.Y, v.Z}) }
	for _, f := range pair.Truth.Fixtures {
		guidance := f.Guidance
		if guidance == "" {
			guidance = "freehand"
		}
		fmt.Fprintf(&b, "\n[[fixture]]\nsite     = %q\nentry    = %s\napex     = %s\ndiameter = %g\nlength   = %g\nguidance = %q\nmesial   = %s\n",
			f.Site, vec(f.Planned.Entry), vec(f.Planned.Apex), f.Diameter, f.Length, guidance, vec(f.Mesial))
		if pair.surfaces != nil {
			fmt.Fprintf(&b, "scan_body = %q\n", bodyFile(f.Fixture))
		}
	}
	for _, t := range pair.Truth.Structures {
		if t.Kind == "sinus" {
			fmt.Fprintf(&b, "\n[[structure]]\nname    = %q\nkind    = \"sinus\"\nsurface = %q\n", t.Name, surfaceFile(t))
			continue
		}
		var path, radius []string
		from, to := pathRange(t.Path, pair.Pre.Grid)
		for i := from; i < to; i++ {
			path = append(path, vec(t.Path[i]))
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

// pathRange is the longest run of a centre line within the planning scan: a planner
// draws what the scan shows.
func pathRange(path []geom.Vec, g volume.Grid) (from, to int) {
	start := 0
	for i := range path {
		if !g.Contains(path[i]) {
			start = i + 1
		} else if i+1-start > to-from {
			from, to = start, i+1
		}
	}
	return from, to
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
