package casefile

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"

	"plumbline/internal/dicom/bodies"
)

// Object names DICOM objects that a fixture is planned in.
type Object struct {
	Path      string // a file, or the folder of an Implantation Plan SR
	Component string // which of its bodies, components or pairs of points
	SHA256    string // of all its files, hex
	Frame     string // Frame of Reference UID that the plan lies in
}

// object reads the fields that stand in place of entry and apex.
func (t table) object(frame Frame) *Object {
	if !t.has("plan") {
		if t.has("component") {
			t.fail("component", "it goes with plan; remove it, or name the plan's file as in plan = \"plan.dcm\"")
		}
		return nil
	}
	for _, key := range []string{"entry", "apex", "mesh"} {
		if t.has(key) {
			t.fail(key, "the fixture has both a plan and %s; keep one of the two", key)
		}
	}
	if frame != LPS {
		t.fail("plan", "the object has patient coordinates, and the case has frame = %q; write frame = %q", string(frame), string(LPS))
	}
	return &Object{
		Path:      t.sitePath("plan", `plan = "plan.dcm"`),
		Component: t.text("component", `component = "1"`),
	}
}

func (c *Case) objectFault(i int, format string, args ...any) error {
	return c.errorAt(fmt.Sprintf("fixture[%d].plan", i), fixtureField(i)+", plan", format, args...)
}

// readObject takes a fixture's plan from its objects: its two ends, or a surface that is
// fitted as a mesh is. Without a component, it is the one that has the site's number.
func (c *Case) readObject(i int, f *Fixture) error {
	o := f.Object
	name := filepath.Base(o.Path)
	id := o.Component
	if id == "" {
		id = f.Site.Label(c.Numbering)
	}
	files, err := bodies.PlanFiles(o.Path)
	if errors.Is(err, fs.ErrNotExist) {
		return c.objectFault(i, "%q is not in the case folder; paths are relative to %s", name, FileName)
	}
	if err != nil {
		return c.objectFault(i, "%q: %v", name, err)
	}
	sum := sha256.New()
	for _, file := range files {
		digest, err := hashFile(file)
		if err != nil {
			return c.objectFault(i, "%q: %v", name, err)
		}
		fmt.Fprintf(sum, "%s\n", digest)
	}
	o.SHA256 = hex.EncodeToString(sum.Sum(nil))
	found, err := bodies.Planned(o.Path, id)
	if err != nil {
		return c.objectFault(i, "%q: %v", name, err)
	}
	o.Frame = found.Frame
	if found.Pose == nil {
		f.Mesh = &Mesh{File: o.Path, SHA256: o.SHA256}
		return c.fitSurface(i, f, found.Body.Mesh)
	}
	f.Planned = *found.Pose
	return c.sizeByPoints(i, f)
}

// sizeByPoints checks a fixture that is planned as two points as one in the case file is
// checked.
func (c *Case) sizeByPoints(i int, f *Fixture) error {
	name := filepath.Base(f.Object.Path)
	long := f.Planned.Length()
	if !MayBeLength(long) {
		return c.objectFault(i, "entry and apex in %q lie %s mm apart; expected a planned fixture of %d to %d mm", name, apartText(long), minLength, maxLength)
	}
	if f.Diameter == 0 {
		return c.errorAt(fmt.Sprintf("fixture[%d].site", i), fixtureField(i), "points do not say how wide the fixture is; write diameter = 4.1")
	}
	if f.Length == 0 {
		f.Length = long
	}
	if math.Abs(f.Length-long) > maxLengthGap {
		return c.errorAt(fmt.Sprintf("fixture[%d].length", i), fixtureField(i)+", length", "it is %g mm, but entry and apex in %q lie %s mm apart; %s", f.Length, name, apartText(long), lengthRemedy(long, f.Length))
	}
	return c.settle(i, f)
}

// CheckFrames refuses a plan that lies in another frame of reference than the planning scan,
// whose Frame of Reference UID is given.
//
// Errors: *Error.
func (c *Case) CheckFrames(pre string) error {
	for i, f := range c.Fixtures {
		if f.Object == nil || pre != "" && f.Object.Frame == pre {
			continue
		}
		return c.objectFault(i, "%q lies in %s; export the plan from this planning scan", filepath.Base(f.Object.Path), OtherFrame(pre))
	}
	return nil
}

// OtherFrame says in words that an object does not lie in the planning scan's frame.
func OtherFrame(pre string) string {
	if pre == "" {
		return "a frame of reference, and the planning scan does not name its own, so that both cannot be brought together"
	}
	return "another frame of reference than the planning scan"
}
