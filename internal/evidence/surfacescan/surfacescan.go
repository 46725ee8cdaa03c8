// Package surfacescan observes placed fixtures in a scan of the mouth's surface with scan
// bodies on them: it registers the surface to the planning scan and finds the scan bodies.
//
// Conventions: what comes out is in the planning frame, patient LPS, mm. Start with Open.
//
// Limits: a scan body that is not down on its fixture, or of another height than stated,
// puts the fixture too high by as much, and no surface shows it: gum covers the gap, its height
// over the platform varies by millimetres from mouth to mouth, and what is seen of the body is the
// same. The depth alone tells, once it is odd (oddDepth), and a follow-up scan beside it.
package surfacescan

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration/surface"
	"plumbline/internal/regularfile"
	"plumbline/internal/scanbody"
	"plumbline/internal/trimesh"
	"plumbline/internal/volume"
)

// Scan is a surface scan beside the planning scan.
type Scan struct {
	// Plan has the case's coordinates in the planning frame.
	Plan  *casefile.Case
	Flags []measurement.Flag

	pre    *scan.Scan
	after  *surface.Cloud
	mesh   *trimesh.Mesh  // after
	before *surface.Index // in the planning frame; nil where there is none
	middle geom.Vec       // of before
	bodies []*scanbody.Body
	found  [][]scanbody.Found // of each fixture's kind of body
	files  []measurement.File
	fitted *surface.Found // the registration that was reported
}

// Sizes of a jaw's surface along its longest way, mm: a quadrant to a full arch with the
// gum behind it.
const leastJaw, mostJaw = 40.0, 90.0

// Open reads the surfaces of a case.
//
// Errors: those of trimesh.Read and casefile.Case.Locate; a surface of another size than a
// jaw, with the unit that would fit; a scan body that is none.
func Open(c *casefile.Case, pre *scan.Scan) (*Scan, error) {
	plan, flags, err := c.Locate(pre.Grid, pre.Grid)
	if err != nil {
		return nil, err
	}
	s := &Scan{Plan: plan, Flags: flags, pre: pre, bodies: make([]*scanbody.Body, len(plan.Fixtures))}
	const surfaces = 2
	files := make([]measurement.File, surfaces+len(plan.Fixtures))
	errs := make([]error, len(files))
	parallel.For(len(files), func(i int) {
		switch i {
		case 0:
			if s.mesh, files[i], errs[i] = s.read("post_surface", c.PostSurface); errs[i] == nil {
				s.after = surface.Of(s.mesh)
			}
		case 1:
			if c.PreSurface != "" {
				files[i], errs[i] = s.readBefore(c, pre.Grid)
			}
		default:
			k := i - surfaces
			if s.bodies[k], files[i], errs[i] = body(plan.Fixtures[k].ScanBody); errs[i] != nil {
				errs[i] = fmt.Errorf("%s: fixture %d, scan_body: %w", c.File, k+1, errs[i])
			}
		}
	})
	for i, f := range files {
		if errs[i] != nil {
			return nil, errs[i]
		}
		if f.Name != "" && !slices.Contains(s.files, f) {
			s.files = append(s.files, f)
		}
	}
	s.found = findBodies(s.after, plan.Fixtures, s.bodies)
	return s, nil
}

// readBefore reads the surface before surgery and brings it into the planning frame.
func (s *Scan) readBefore(c *casefile.Case, pre volume.Grid) (measurement.File, error) {
	m, file, err := s.read("pre_surface", c.PreSurface)
	if err != nil {
		return file, err
	}
	var sum geom.Vec
	for i, v := range m.Vertices {
		m.Vertices[i] = c.Frame.ToLPS(v, pre)
		sum = r3.Add(sum, m.Vertices[i])
	}
	s.middle = r3.Scale(1/float64(len(m.Vertices)), sum)
	s.before = surface.NewIndex(m)
	return file, nil
}

// read reads a surface, in mm, and holds its size against a jaw's.
func (s *Scan) read(key, path string) (*trimesh.Mesh, measurement.File, error) {
	m, file, err := readMesh(path)
	if err != nil {
		return nil, file, fmt.Errorf("%s: %s: %w", s.Plan.File, key, err)
	}
	unit := s.Plan.SurfaceUnit.Millimetres()
	for i, v := range m.Vertices {
		m.Vertices[i] = r3.Scale(unit, v)
	}
	across := surface.Across(m)
	if across >= leastJaw && across <= mostJaw {
		return m, file, nil
	}
	for _, other := range casefile.Units {
		if x := across / unit * other.Millimetres(); x >= leastJaw && x <= mostJaw {
			return nil, file, fmt.Errorf("%s: %s: the surface is %.4g mm across, and a jaw is %.0f to %.0f; write surface_unit = %q, in which it would be %.0f mm", s.Plan.File, key, across, leastJaw, mostJaw, string(other), x)
		}
	}
	return nil, file, fmt.Errorf("%s: %s: the surface is %.4g mm across, and a jaw is %.0f to %.0f in no unit that surfaces are written in; export the scan of the whole jaw or a quadrant of it", s.Plan.File, key, across, leastJaw, mostJaw)
}

// readMesh reads a mesh and says which file it was.
func readMesh(path string) (*trimesh.Mesh, measurement.File, error) {
	var file measurement.File
	m, err := trimesh.Read(path)
	if err != nil {
		return nil, file, err
	}
	f, err := regularfile.Open(path)
	if err != nil {
		return nil, file, err
	}
	defer f.Close()
	sum := sha256.New()
	if _, err := io.Copy(sum, f); err != nil {
		return nil, file, fmt.Errorf("%s: %w", path, err)
	}
	file = measurement.File{Name: filepath.Base(path), SHA256: hex.EncodeToString(sum.Sum(nil))}
	return m, file, nil
}

// body makes a scan body's shape; its file is empty where the case file states it.
func body(b *casefile.ScanBody) (*scanbody.Body, measurement.File, error) {
	if b.File == "" {
		shape, err := scanbody.Cylinder(b.Diameter, b.Height)
		return shape, measurement.File{}, err
	}
	m, file, err := readMesh(b.File)
	if err != nil {
		return nil, file, err
	}
	shape, err := scanbody.New(m)
	return shape, file, err
}

// findBodies finds each fixture's kind of scan body, each kind once.
func findBodies(c *surface.Cloud, fixtures []casefile.Fixture, bodies []*scanbody.Body) [][]scanbody.Found {
	out := make([][]scanbody.Found, len(fixtures))
	for i, f := range fixtures {
		same := slices.IndexFunc(fixtures[:i], func(o casefile.Fixture) bool {
			return o.ScanBody.File == f.ScanBody.File && o.ScanBody.Diameter == f.ScanBody.Diameter && o.ScanBody.Height == f.ScanBody.Height
		})
		if same >= 0 {
			out[i] = out[same]
		} else {
			out[i] = scanbody.Find(c, bodies[i])
		}
	}
	return out
}

// Identify adds the surfaces and the scan bodies to what was measured.
func (s *Scan) Identify(in *measurement.Inputs) {
	in.Files = append(in.Files, s.files...)
}

const (
	// nearPlan, mm and radians, is how far from its plan a fixture's scan body may stand: twice
	// what the least accurate placements show, and less than half way to the next tooth.
	nearPlan = 4.0
	likePlan = math.Pi / 6
	// usualSeating, mm, along each axis, of a scan body down on its platform, and the arm, mm,
	// over which the same gap tilts it: 10-50 µm and some tenths of a degree. From memory. No
	// scan shows it, so that intervals are too wide where parts fit better; seating in the case
	// file says so.
	usualSeating = 0.03
	seatArm      = 12.0
	// stitched, mm, along each axis, is how far a surface scan puts a scan body off the teeth
	// beside it, and stitchedOver, mm, their distance, over which it tilts it: in patients
	// scans are locally true to 0.015 mm in the median (PMC6981254); on models two scan bodies
	// lay 0.010 mm off (PMC12535590).
	stitched     = 0.015
	stitchedOver = 10.0
	// wellSeen is the share of a scan body's surface, and fits the residual, mm, at which
	// nothing is wrong with it: whole ones show 0.67 and more, and scanners' noise is 0.01 to
	// 0.02. fewSeen and misfits are a doubt.
	fewSeen = 0.35
	fewTop  = 0.4
	misfits = 0.05
	// otherShape is the share of the surface that runs beside a scan body instead of on it:
	// right ones had 0.01 and less, with the flat side left out 0.08 and more.
	otherShape = 0.03
	// oddDepth, mm, is twice the root mean square of the depth deviations of 23 fixtures, 0.75
	// (Onclin P, doctoral thesis, University of Groningen, table 3.1). A scan body that is not down
	// or of another height shows in nothing else.
	oddDepth = 1.5
)

// errNoBody says that no scan body was found.
var errNoBody = errors.New("no scan body of the stated shape stands on the surface")

// Who is nobody: a surface's file names no one.
func (s *Scan) Who() scan.Identity { return scan.Identity{} }
