package casefile

import (
	"fmt"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// Frame says what a case file's coordinates are, mm.
type Frame string

const (
	LPS    Frame = "lps"    // DICOM patient coordinates: left, posterior, superior
	RAS    Frame = "ras"    // the same with right and anterior positive
	Corner Frame = "corner" // from the outer corner of the scan's first voxel along rows, columns, slices
)

// Frames are all frames, the usual one first.
var Frames = []Frame{LPS, RAS, Corner}

// ToLPS turns a point of this frame into patient coordinates; scan is the one it
// lies in, which is the planning scan for all but the follow-up's landmarks.
func (f Frame) ToLPS(p geom.Vec, scan volume.Grid) geom.Vec {
	if f == Corner {
		return r3.Add(scan.Patient(-0.5, -0.5, -0.5), f.rotate(p, scan))
	}
	return f.rotate(p, scan)
}

// FromLPS turns a point of patient coordinates into this frame: ToLPS the other way round.
func (f Frame) FromLPS(p geom.Vec, scan volume.Grid) geom.Vec {
	if f != Corner {
		return f.rotate(p, scan) // half a turn, or none
	}
	d := r3.Sub(p, scan.Patient(-0.5, -0.5, -0.5))
	axes := scan.Axes()
	return geom.Vec{X: r3.Dot(d, axes[0]), Y: r3.Dot(d, axes[1]), Z: r3.Dot(d, axes[2])}
}

// rotate is ToLPS for a direction.
func (f Frame) rotate(v geom.Vec, pre volume.Grid) geom.Vec {
	switch f {
	case RAS:
		return geom.Vec{X: -v.X, Y: -v.Y, Z: v.Z}
	case Corner:
		out := r3.Scale(v.X, r3.Unit(pre.Step[0]))
		out = r3.Add(out, r3.Scale(v.Y, r3.Unit(pre.Step[1])))
		return r3.Add(out, r3.Scale(v.Z, r3.Unit(pre.Step[2])))
	}
	return v
}

// Locate gives the case with every coordinate in patient coordinates (LPS) of
// its scan, Frame set accordingly; c stays as it is. Surfaces are files of their
// own and stay in c.Frame.
//
// Errors: *Error where a planned entry or apex lies outside the planning scan,
// or a landmark outside its scan; the message says which other frame would put
// the plan inside; and where Corner is asked of a scan that leans. Structures are
// not checked.
func (c *Case) Locate(pre, post volume.Grid) (*Case, []measurement.Flag, error) {
	if c.Frame == Corner && (pre.Leans() || len(c.Alignment.Landmarks) > 0 && post.Leans()) {
		return nil, nil, c.errorAt("frame", "frame",
			"a scan leans against its slices (gantry tilt), and places counted from its corner may or may not follow the lean; export the plan in patient coordinates (frame = %q or %q)", string(LPS), string(RAS))
	}
	if i, key := c.firstOutside(pre); key != "" {
		return nil, nil, c.errorAt(fmt.Sprintf("fixture[%d].%s", i, key), fixtureField(i)+", "+key,
			"the point lies outside the planning scan; %s", c.frameHint(pre))
	}
	out := *c
	out.Frame = LPS
	lps := func(p geom.Vec) geom.Vec { return c.Frame.ToLPS(p, pre) }

	out.Fixtures = slices.Clone(c.Fixtures)
	for i := range out.Fixtures {
		f := &out.Fixtures[i]
		f.Planned = geom.Pose{Entry: lps(f.Planned.Entry), Apex: lps(f.Planned.Apex)}
		if f.Mesial != nil {
			m := c.Frame.rotate(*f.Mesial, pre)
			f.Mesial = &m
		}
	}
	flags := slices.Clone(c.flags)
	out.Structures = slices.Clone(c.Structures)
	for i := range out.Structures {
		s := &out.Structures[i]
		s.Path, s.Through = nil, nil
		for _, p := range c.Structures[i].Path {
			s.Path = append(s.Path, lps(p))
		}
		for _, p := range c.Structures[i].Through {
			s.Through = append(s.Through, lps(p))
		}
	}
	marks, err := c.locateLandmarks(pre, post)
	if err != nil {
		return nil, nil, err
	}
	out.Alignment.Landmarks = marks
	return &out, flags, nil
}

// firstOutside finds the first planned point outside the planning scan.
func (c *Case) firstOutside(pre volume.Grid) (fixture int, key string) {
	return c.firstOutsideAfter(func(p geom.Vec) geom.Vec { return c.Frame.ToLPS(p, pre) }, pre)
}

func (c *Case) firstOutsideAfter(lps func(geom.Vec) geom.Vec, pre volume.Grid) (fixture int, key string) {
	for i, f := range c.Fixtures {
		if !pre.Contains(lps(f.Planned.Entry)) {
			return i, "entry"
		}
		if !pre.Contains(lps(f.Planned.Apex)) {
			return i, "apex"
		}
	}
	return 0, ""
}

// frameHint says which reading of the coordinates would put the whole plan
// inside the planning scan.
func (c *Case) frameHint(pre volume.Grid) string {
	var fit []string
	for _, f := range Frames {
		if f == c.Frame {
			continue
		}
		if _, key := c.firstOutsideAfter(func(p geom.Vec) geom.Vec { return f.ToLPS(p, pre) }, pre); key == "" {
			fit = append(fit, fmt.Sprintf("frame = %q", string(f)))
		}
	}
	if len(fit) > 0 {
		return fmt.Sprintf("with %s the whole plan would lie inside, so check which coordinates the planning program exports", strings.Join(fit, " or "))
	}
	mirrored := func(p geom.Vec) geom.Vec {
		p = c.Frame.ToLPS(p, pre)
		p.X = -p.X
		return p
	}
	if _, key := c.firstOutsideAfter(mirrored, pre); key == "" {
		return "with left and right exchanged the whole plan would lie inside, so check the sign of the first coordinate"
	}
	return fmt.Sprintf("check that the plan belongs to this scan, that its coordinates are mm and that frame = %q is what the planning program exports", string(c.Frame))
}

func (c *Case) locateLandmarks(pre, post volume.Grid) ([]Landmark, error) {
	var out []Landmark
	for i, m := range c.Alignment.Landmarks {
		q := Landmark{Pre: c.Frame.ToLPS(m.Pre, pre), Post: c.Frame.ToLPS(m.Post, post)}
		for _, side := range []struct {
			key, scan string
			inside    bool
		}{{"pre", "planning", pre.Contains(q.Pre)}, {"post", "follow-up", post.Contains(q.Post)}} {
			if !side.inside {
				hint := "check its coordinates and the frame they are in"
				if pre.Contains(q.Post) && post.Contains(q.Pre) {
					hint = "pre and post seem to be exchanged"
				}
				return nil, c.errorAt(fmt.Sprintf("alignment.landmarks[%d].%s", i, side.key),
					fmt.Sprintf("alignment, landmarks, pair %d, %s", i+1, side.key),
					"the point lies outside the %s scan; %s", side.scan, hint)
			}
		}
		out = append(out, q)
	}
	return out, nil
}
