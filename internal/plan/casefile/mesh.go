package casefile

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"path/filepath"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/meshaxis"
	"plumbline/internal/regularfile"
	"plumbline/internal/tooth"
	"plumbline/internal/trimesh"
)

const (
	// maxMesh bounds a mesh file, bytes: five million binary triangles, for a
	// body that takes some ten thousand.
	maxMesh = 256 << 20
	// maxMeshDiameterGap is how far the mesh's widest diameter may lie from the
	// catalogue's, mm: necks flare by up to 0.8 mm. Common practice, no source.
	maxMeshDiameterGap = 1.0
	// wellFitted is the largest residual of a fixture's wall that needs no
	// remark, mm: the fit of a clean thread leaves 0.01 to 0.02, of a surface
	// with 0.05 mm of noise 0.06.
	wellFitted = 0.08
	// minHintShare is how much nearer to one end than to the other an apex hint
	// must lie, as a share of the distance of the ends.
	minHintShare = 0.2
	// minSlope is the least share of an axis that must point up or down for the
	// tooth's jaw to tell the apex: 20° off the horizontal.
	minSlope = 0.34
)

// mesh reads the fields that stand in place of entry and apex.
func (t table) mesh() *Mesh {
	if !t.has("mesh") {
		if t.has("apex_hint") {
			t.fail("apex_hint", "it goes with mesh; remove it, entry and apex say which is which")
		}
		return nil
	}
	for _, key := range []string{"entry", "apex"} {
		if t.has(key) {
			t.fail(key, "the fixture has both a mesh and an %s; keep the mesh, or entry and apex", key)
		}
	}
	m := &Mesh{File: t.sitePath("mesh", `mesh = "fixture.stl"`)}
	if t.has("apex_hint") {
		p := t.point("apex_hint")
		m.ApexHint = &p
	}
	return m
}

// fitMeshes fits every fixture that is planned as a mesh or in objects. The hash of the plan
// then covers these too, so that a sealed plan cannot change by them.
func (c *Case) fitMeshes() error {
	plan, bare := sha256.New(), sha256.New()
	fmt.Fprintf(plan, "%s\n", c.PlanSHA256)
	fmt.Fprintf(bare, "%s\n", c.BareSHA256)
	some := false
	for i := range c.Fixtures {
		f := &c.Fixtures[i]
		digest := ""
		switch {
		case f.Object != nil:
			if err := c.readObject(i, f); err != nil {
				return err
			}
			digest = f.Object.SHA256
		case f.Mesh != nil:
			if err := c.fitMesh(i, f); err != nil {
				return err
			}
			digest = f.Mesh.SHA256
		default:
			continue
		}
		some = true
		fmt.Fprintf(io.MultiWriter(plan, bare), "%s\n", digest)
	}
	if !some {
		return nil
	}
	c.PlanSHA256, c.BareSHA256 = hex.EncodeToString(plan.Sum(nil)), hex.EncodeToString(bare.Sum(nil))
	for i, f := range c.Fixtures {
		for j, other := range c.Fixtures[:i] {
			if r3.Norm(r3.Sub(f.Planned.Entry, other.Planned.Entry)) < minEntryGap {
				return c.meshFault(i, "its entry lies within %d mm of that of %s; each fixture has its own mesh", minEntryGap, fixtureField(j))
			}
		}
	}
	return nil
}

func (c *Case) meshFault(i int, format string, args ...any) error {
	if c.Fixtures[i].Object != nil {
		return c.objectFault(i, format, args...)
	}
	return c.errorAt(fmt.Sprintf("fixture[%d].mesh", i), fixtureField(i)+", mesh", format, args...)
}

func (c *Case) fitMesh(i int, f *Fixture) error {
	data, err := readMesh(f.Mesh.File)
	if errors.Is(err, fs.ErrNotExist) {
		return c.meshFault(i, "%q is not in the case folder; paths are relative to %s", filepath.Base(f.Mesh.File), FileName)
	}
	if err != nil {
		return fmt.Errorf("read mesh: %w", err)
	}
	if len(data) > maxMesh {
		return c.meshFault(i, "%q is larger than %d MiB; export the fixture alone", filepath.Base(f.Mesh.File), maxMesh>>20)
	}
	sum := sha256.Sum256(data)
	f.Mesh.SHA256 = hex.EncodeToString(sum[:])
	surface, err := trimesh.Decode(f.Mesh.File, data)
	if err != nil {
		return c.meshFault(i, "%v", err)
	}
	return c.fitSurface(i, f, surface)
}

// fitSurface takes the planned fixture from its surface.
func (c *Case) fitSurface(i int, f *Fixture, surface *trimesh.Mesh) error {
	solid, err := meshaxis.Fit(surface)
	if err != nil {
		return c.meshFault(i, "%q: %v", filepath.Base(f.Mesh.File), err)
	}
	apical, err := c.apicalDirection(i, solid)
	if err != nil {
		return err
	}
	found, err := solid.Fixture(apical)
	if err != nil {
		return c.meshFault(i, "%q: %v", filepath.Base(f.Mesh.File), err)
	}
	f.Planned, f.Mesh.Residual = found.Pose, found.Residual
	return c.sizeByMesh(i, f, found)
}

func readMesh(file string) ([]byte, error) {
	in, err := regularfile.Open(file)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	return io.ReadAll(io.LimitReader(in, maxMesh+1))
}

// sizeByMesh takes the size from the mesh where the file gives none, and checks
// one against the other.
func (c *Case) sizeByMesh(i int, f *Fixture, found meshaxis.Fixture) error {
	long := found.Pose.Length()
	if long < minLength || long > maxLength {
		return c.meshFault(i, "the fixture in it is %.2f mm long; expected %d to %d mm, coordinates in mm", long, minLength, maxLength)
	}
	if found.Diameter < minDiameter || found.Diameter > maxDiameter {
		return c.meshFault(i, "the fixture in it is %.2f mm wide; expected %d to %d mm, coordinates in mm", found.Diameter, minDiameter, maxDiameter)
	}
	if f.Length == 0 {
		f.Length = long
	}
	if math.Abs(f.Length-long) > maxLengthGap {
		return c.errorAt(fmt.Sprintf("fixture[%d].length", i), fixtureField(i)+", length",
			"it is %g mm, but the fixture in the mesh is %.2f mm long; they may differ by %g mm, so correct it, or export the fixture without what stands on it", f.Length, long, maxLengthGap)
	}
	if f.Diameter == 0 {
		f.Diameter = found.Diameter
	}
	if math.Abs(f.Diameter-found.Diameter) > maxMeshDiameterGap {
		return c.errorAt(fmt.Sprintf("fixture[%d].diameter", i), fixtureField(i)+", diameter",
			"it is %g mm, but the fixture in the mesh is %.2f mm at its widest; they may differ by %g mm", f.Diameter, found.Diameter, maxMeshDiameterGap)
	}
	if err := c.settle(i, f); err != nil {
		return err
	}
	if f.Mesh.Residual > wellFitted {
		c.flags = append(c.flags, measurement.Flag{Code: measurement.CodePlanMeshUneven, Level: measurement.Doubt,
			Message: fmt.Sprintf("site %s: the surface in %q is off a round wall by %.2f mm (root mean square; a clean one by 0.02 mm), so the planned axis is uncertain; export the fixture alone and with more triangles, or write its entry and apex",
				f.Site, filepath.Base(f.Mesh.File), f.Mesh.Residual)})
	}
	return nil
}

// settle fills and checks what follows from a plan that is not in the case file.
func (c *Case) settle(i int, f *Fixture) error {
	if f.PlacedDiameter == 0 {
		f.PlacedDiameter = f.Diameter
	}
	if f.PlacedLength == 0 {
		f.PlacedLength = f.Length
	}
	if f.Mesial != nil {
		if message := alongFixture(*f.Mesial, f.Planned); message != "" {
			return c.errorAt(fmt.Sprintf("fixture[%d].mesial", i), fixtureField(i)+", mesial", "%s", message)
		}
	}
	return nil
}

// apicalDirection tells which way along a mesh's axis the apex lies: by the hint, else by
// the tooth's jaw, where the coordinates say what is up, else by the structures,
// a root being wider at its crown and a canal or a sinus lying beyond the apex.
func (c *Case) apicalDirection(i int, solid *meshaxis.Solid) (geom.Vec, error) {
	f := &c.Fixtures[i]
	a, b := solid.Ends()
	along := r3.Unit(r3.Sub(b, a))
	if hint := f.Mesh.ApexHint; hint != nil {
		middle := r3.Scale(0.5, r3.Add(a, b))
		lean := r3.Dot(r3.Sub(*hint, middle), along)
		if math.Abs(lean) < minHintShare/2*r3.Norm(r3.Sub(b, a)) {
			return geom.Vec{}, c.errorAt(fmt.Sprintf("fixture[%d].apex_hint", i), fixtureField(i)+", apex_hint", "it lies as near to the one end of the mesh as to the other; give a point at the apex")
		}
		return r3.Scale(lean, along), nil
	}
	if c.Frame != Corner && math.Abs(along.Z) >= minSlope {
		up := geom.Vec{Z: -1}
		if f.Site.Jaw() == tooth.Upper {
			up.Z = 1
		}
		return up, nil
	}
	if d, ok := c.apicalByStructures(a, b); ok {
		return d, nil
	}
	return geom.Vec{}, c.meshFault(i, "which of its ends is the apex cannot be told; add apex_hint = [x, y, z], a point at the apex")
}

// beside is how far from a fixture a root still tells its direction, mm: two
// teeth.
const beside = 20

func (c *Case) apicalByStructures(a, b geom.Vec) (geom.Vec, bool) {
	middle := r3.Scale(0.5, r3.Add(a, b))
	along := r3.Unit(r3.Sub(b, a))
	lean := 0.0
	for _, s := range c.Structures {
		n := len(s.Path)
		if s.Kind != Root || n < 2 || len(s.Radius) != n || s.Radius[0] == s.Radius[n-1] || r3.Norm(r3.Sub(s.Path[0], middle)) > beside {
			continue
		}
		d := r3.Unit(r3.Sub(s.Path[n-1], s.Path[0]))
		if s.Radius[n-1] > s.Radius[0] {
			d = r3.Scale(-1, d)
		}
		lean += r3.Dot(d, along)
	}
	if math.Abs(lean) >= minSlope {
		return r3.Scale(lean, along), true
	}
	toA, toB := math.Inf(1), math.Inf(1)
	for _, s := range c.Structures {
		if !s.Kind.Spec().BeyondApex {
			continue
		}
		for _, p := range s.Path {
			toA, toB = min(toA, r3.Norm(r3.Sub(p, a))), min(toB, r3.Norm(r3.Sub(p, b)))
		}
	}
	if !math.IsInf(toA, 1) && math.Abs(toA-toB) > minHintShare*r3.Norm(r3.Sub(b, a)) {
		return r3.Scale(toA-toB, along), true
	}
	return geom.Vec{}, false
}
