// Package bodies reads what a case takes from objects: structures to keep clear of, and
// planned fixtures. It knows which package reads which kind of object.
//
// Conventions: patient LPS of the frame of reference that comes with each, mm; whether that is
// the planning scan's is the caller's to ask. Start with Structure and Planned.
package bodies

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encapsulated"
	"plumbline/internal/dicom/fiducials"
	"plumbline/internal/dicom/implantplan"
	"plumbline/internal/dicom/rtstruct"
	"plumbline/internal/dicom/segmentation"
	"plumbline/internal/dicom/spatialreg"
	"plumbline/internal/dicom/surfacesegmentation"
	"plumbline/internal/geom"
	"plumbline/internal/regularfile"
)

const (
	// maxFile bounds an object, bytes: a segmentation of a large scan in eight bits has some
	// 100 MB.
	maxFile = 512 << 20
	// maxItems bounds the kept sequence items of an object: contours and frames.
	maxItems = 200_000
	// maxFiles bounds the files of a plan's folder.
	maxFiles = 200
)

// syntaxes are the transfer syntaxes that are read.
var syntaxes = []string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian}

// open reads an object's file.
func open(path string) (carrier.Input, string, error) {
	f, err := regularfile.Open(path)
	if err != nil {
		return carrier.Input{}, "", err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return carrier.Input{}, "", err
	}
	return decode(data)
}

func decode(data []byte) (carrier.Input, string, error) {
	if len(data) > maxFile {
		return carrier.Input{}, "", fmt.Errorf("it is larger than %d MiB", maxFile>>20)
	}
	keep := element.Selection{MaxItems: maxItems, Longest: carrier.Selected(
		rtstruct.Longest(), segmentation.Longest(), surfacesegmentation.Longest(), encapsulated.Longest(), fiducials.Longest(), implantplan.Longest(),
		carrier.Values(carrier.Text, tag.SOPClassUID))}
	file, err := element.Read(bytes.NewReader(data), int64(len(data)), keep)
	switch {
	case errors.Is(err, element.ErrNotDICOM) || errors.Is(err, element.ErrArchive):
		return carrier.Input{}, "", errors.New("it is no DICOM file")
	case err != nil:
		return carrier.Input{}, "", err
	case !slices.Contains(syntaxes, file.Syntax):
		return carrier.Input{}, "", fmt.Errorf("its transfer syntax %q is not read here; export it as Explicit VR Little Endian", file.Syntax)
	case file.Pixels != nil && file.Pixels.DeflatedAt != 0:
		return carrier.Input{}, "", errors.New("its voxels are compressed with the whole file; export it as Explicit VR Little Endian")
	}
	return carrier.Input{Data: file.Data, Pixels: file.Pixels, Bytes: data}, file.Data.Identifier(tag.SOPClassUID), nil
}

// Structure is the body of a name in an object: an RT Structure Set, a Segmentation, a
// Surface Segmentation or an Encapsulated STL. Of an object with one body it is that one,
// whatever its name.
//
// Errors: what is wrong with the object and what to do.
func Structure(path, name string) (*carrier.Body, error) {
	in, class, err := open(path)
	if err != nil {
		return nil, err
	}
	return structure(in, class, name)
}

func structure(in carrier.Input, class, name string) (*carrier.Body, error) {
	wanted := func(other string, of int) bool {
		return of == 1 || strings.EqualFold(strings.TrimSpace(other), strings.TrimSpace(name))
	}
	var list []carrier.Body
	var err error
	switch class {
	case rtstruct.Storage:
		list, err = rtstruct.Bodies(in, wanted)
	case segmentation.Storage:
		list, err = segmentation.Bodies(in, wanted)
	case surfacesegmentation.Storage:
		list, err = surfacesegmentation.Bodies(in)
	case encapsulated.Storage:
		var one *carrier.Body
		if one, err = encapsulated.Body(in); err == nil {
			list = []carrier.Body{*one}
		}
	default:
		return nil, fmt.Errorf("it is no object that structures are read from (its SOP class is %q); export an RT Structure Set, a Segmentation, a Surface Segmentation or an Encapsulated STL", class)
	}
	if err != nil {
		return nil, err
	}
	b, err := carrier.Pick(list, name)
	if err != nil {
		return nil, err
	}
	return b, check(b)
}

// check refuses a body that cannot be meant, and one without a frame of reference.
func check(b *carrier.Body) error {
	if err := b.CheckSize(); err != nil {
		return err
	}
	if b.Frame == "" {
		return errors.New("it does not name its frame of reference, so that it cannot be told which scan it lies in")
	}
	return nil
}

// Fixture is a planned fixture from objects: a surface, or its two ends.
type Fixture struct {
	Body *carrier.Body // nil where Pose is given
	Pose *geom.Pose
	// Frame is the Frame of Reference UID that either lies in.
	Frame string
}

// Planned is the planned fixture in an object, an Encapsulated STL, a Surface Segmentation or
// Spatial Fiducials, or in a folder with an Implantation Plan SR and what it refers to.
//
// In: id tells it among several: the name of a body or a component; of fiducials, what
// their identifiers begin with, as in "36 entry" and "36 apex".
//
// Errors: what is wrong with the objects and what to do.
func Planned(path, id string) (*Fixture, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.IsDir() {
		return fromPlan(path, id)
	}
	in, class, err := open(path)
	if err != nil {
		return nil, err
	}
	switch class {
	case fiducials.Storage:
		return fromPoints(in, id)
	case encapsulated.Storage, surfacesegmentation.Storage:
		b, err := structure(in, class, id)
		if err != nil {
			return nil, err
		}
		return &Fixture{Body: b, Frame: b.Frame}, nil
	case implantplan.Storage:
		return nil, errors.New("an Implantation Plan says where nothing lies; name the folder that it is in, with its Implant Template and Spatial Registration")
	}
	return nil, fmt.Errorf("it is no object that a planned fixture is read from (its SOP class is %q); export an Encapsulated STL, or Spatial Fiducials for entry and apex", class)
}

// fromPoints takes entry and apex of a fixture.
func fromPoints(in carrier.Input, id string) (*Fixture, error) {
	points, err := fiducials.Points(in)
	if err != nil {
		return nil, err
	}
	find := func(end string) (*fiducials.Point, error) {
		var found *fiducials.Point
		for i := range points {
			if !strings.EqualFold(strings.Join(strings.Fields(points[i].Name), " "), id+" "+end) {
				continue
			}
			if found != nil {
				return nil, fmt.Errorf("two fiducials are called %q", id+" "+end)
			}
			found = &points[i]
		}
		if found == nil {
			return nil, fmt.Errorf("no point of its %d fiducials has the identifier %q", len(points), id+" "+end)
		}
		return found, nil
	}
	entry, err := find("entry")
	if err != nil {
		return nil, err
	}
	apex, err := find("apex")
	switch {
	case err != nil:
		return nil, err
	case entry.Frame != apex.Frame || entry.Frame == "":
		return nil, errors.New("entry and apex are not in one frame of reference that is named")
	}
	return &Fixture{Pose: &geom.Pose{Entry: entry.At, Apex: apex.At}, Frame: entry.Frame}, nil
}

// PlanFiles are the files of a plan's folder, or the one file of an object, in order.
//
// Errors: what the file system said, and a folder with more files than a plan has.
func PlanFiles(path string) ([]string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.IsDir() {
		return []string{path}, nil
	}
	entries, err := os.ReadDir(path)
	if err != nil {
		return nil, err
	}
	if len(entries) > maxFiles {
		return nil, fmt.Errorf("the folder has more than %d files; a plan has some ten: keep those of the plan", maxFiles)
	}
	var out []string
	for _, e := range entries {
		if file := filepath.Join(path, e.Name()); e.Type().IsRegular() && element.IsFile(file) {
			out = append(out, file)
		}
	}
	return out, nil
}

// fromPlan reads the objects of a plan's folder.
func fromPlan(folder, id string) (*Fixture, error) {
	files, err := PlanFiles(folder)
	if err != nil {
		return nil, err
	}
	var p implantplan.Plan
	plans := 0
	for _, file := range files {
		in, class, err := open(file)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", filepath.Base(file), err)
		}
		switch class {
		case implantplan.Storage:
			p.SR = in
			plans++
		case implantplan.Template:
			p.Templates = append(p.Templates, in)
		case spatialreg.Storage:
			r, err := spatialreg.Read(file)
			if err != nil {
				return nil, err
			}
			p.Registrations = append(p.Registrations, r)
		}
	}
	if plans != 1 {
		return nil, fmt.Errorf("the folder has %d Implantation Plan objects, expected one", plans)
	}
	b, err := p.Body(id)
	if err != nil {
		return nil, err
	}
	if err := check(b); err != nil {
		return nil, err
	}
	return &Fixture{Body: b, Frame: b.Frame}, nil
}
