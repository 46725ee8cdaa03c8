// Package whereabouts judges whether a structure of a case can be what and where
// the case says: of a plausible size for its kind, in the planning scan, on the
// side and at the height that its name, its kind and the sites call for, and where
// the planning scan shows it: a root denser than what is around it, a canal and a sinus
// darker, a canal along the jaw.
//
// Conventions: planning frame, patient LPS, mm. Where something is wrong, the
// coordinates are read in other units and mirrored, and the reading that would be
// right is named. Start with Check.
//
// Limits: the midline is estimated from the plan and the usual arch, to some 5 mm,
// in a head that is turned by no more than some 30°. A structure that is misplaced
// by less than a millimetre passes, and one along its own course. What the scan does not
// show is a notice.
package whereabouts

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

// Body is a structure as points on it.
type Body struct {
	Points  []geom.Vec // of the centre line, or spread over the surface
	Normals []geom.Vec // outer normals at Points, where there is an inside; else nil
	Radius  []float64  // of a centre line, one for each of Points, mm
	Surface bool       // a surface, no centre line
	Size    float64    // the longest side of its bounding box
}

// Check judges the structures of a case in the planning frame; written is the case
// as its file has it, and bodies are in the order of its structures.
//
// The flags are doubts, but for a structure on the other side of a small scan and one
// that the scan does not show, which are notices.
func Check(plan, written *casefile.Case, bodies []Body, pre *volume.Volume) []measurement.Flag {
	if len(bodies) == 0 {
		return nil
	}
	j := newJudge(plan, written, bodies, pre)
	flags := make([]*measurement.Flag, len(plan.Structures))
	parallel.For(len(flags), func(i int) { flags[i] = j.flag(i, plan.Structures[i]) })
	var out []measurement.Flag
	for _, f := range flags {
		if f != nil {
			out = append(out, *f)
		}
	}
	return out
}

func (j *judge) flag(i int, st casefile.Structure) *measurement.Flag {
	b := j.bodies[i]
	against := j.objections(i, b)
	if len(against) == 0 {
		against = j.betterElsewhere(i, st, b)
	}
	if len(against) > 0 {
		advice := fmt.Sprintf("check that it belongs to this scan, is in mm and in the frame %q", string(j.frame))
		if r, found := j.fitting(i, readings); found {
			advice = fmt.Sprintf("it would fit %s: %s", r.words, r.remedy)
		}
		return &measurement.Flag{Code: measurement.CodeStructureMisplaced, Level: measurement.Doubt,
			Message: fmt.Sprintf("%q: %s; %s; distances to it are not to be relied on", st.Name, strings.Join(against, ", and "), advice)}
	}
	if gap := j.gap(b); gap > 0 {
		return &measurement.Flag{Code: measurement.CodeStructureOutsideScan, Level: measurement.Notice,
			Message: fmt.Sprintf("no point of %q lies inside the planning scan; the nearest one is %.0f mm from it, so check its coordinates", st.Name, gap)}
	}
	if j.unseen(st, b) {
		return &measurement.Flag{Code: measurement.CodeStructureNotSeen, Level: measurement.Notice,
			Message: fmt.Sprintf("%q: the planning scan does not show it where it is drawn, or too little of it, so that its place is not checked; look at it in the planning scan, and draw it anew if it lies elsewhere", st.Name)}
	}
	return nil
}

// betterElsewhere is an objection to a body that may be right by itself where another
// reading fits better: to a short centre line that would fit in another unit, although
// a single spot of a canal may be all that was drawn, and to a body outside the scan
// that would fit inside it.
func (j *judge) betterElsewhere(i int, st casefile.Structure, b Body) []string {
	if j.short(i, b) {
		if _, found := j.fitting(i, units); found {
			return []string{fmt.Sprintf("its centre line is %.2g mm long", b.Size)}
		}
	}
	if j.gap(b) == 0 {
		return nil
	}
	among := readings
	if side, _ := j.side(st); side == "" { // the other side's would fit as its mirror image
		among = slices.DeleteFunc(slices.Clone(readings), func(r reading) bool { return r.factor.X < 0 })
	}
	if _, found := j.fitting(i, among); found {
		return []string{"no point of it lies inside the planning scan"}
	}
	return nil
}

// reading is another way to take coordinates: multiplied, about the origin.
type reading struct {
	factor        geom.Vec
	words, remedy string
}

func scaled(by float64, unit string) reading {
	return reading{geom.Vec{X: by, Y: by, Z: by}, "in " + unit + " instead of mm", "are its coordinates in " + unit + "?"}
}

func mirrored(x, y, z float64, words string) reading {
	return reading{geom.Vec{X: x, Y: y, Z: z}, words, "check the frame that it was exported in"}
}

// units and readings are tried in turn.
var (
	units    = []reading{scaled(1000, "metres"), scaled(10, "centimetres"), scaled(25.4, "inches"), scaled(0.1, "tenths of a millimetre"), scaled(0.001, "micrometres")}
	readings = append(units[:len(units):len(units)],
		mirrored(-1, 1, 1, "mirrored left to right"),
		mirrored(-1, -1, 1, "with the signs of its first two coordinates changed (LPS and RAS exchanged)"),
		mirrored(1, -1, 1, "mirrored front to back"),
		mirrored(1, 1, -1, "mirrored top to bottom"),
		mirrored(-1, -1, -1, "with the signs of all its coordinates changed"),
	)
)

// fitting is the first of some readings to which there is no objection.
func (j *judge) fitting(i int, among []reading) (reading, bool) {
	for _, r := range among {
		if b := r.of(j.bodies[i], j.origin); len(j.objections(i, b)) == 0 && !j.short(i, b) && j.gap(b) == 0 {
			return r, true
		}
	}
	return reading{}, false
}

// of is a body read so.
func (r reading) of(b Body, origin geom.Vec) Body {
	times := func(v geom.Vec) geom.Vec {
		return geom.Vec{X: r.factor.X * v.X, Y: r.factor.Y * v.Y, Z: r.factor.Z * v.Z}
	}
	out := Body{Surface: b.Surface, Size: math.Abs(r.factor.X) * b.Size}
	for _, radius := range b.Radius {
		out.Radius = append(out.Radius, math.Abs(r.factor.X)*radius)
	}
	for _, p := range b.Points {
		out.Points = append(out.Points, r3.Add(origin, times(r3.Sub(p, origin))))
	}
	for _, n := range b.Normals {
		out.Normals = append(out.Normals, r3.Unit(times(n)))
	}
	return out
}

// Line is a centre line as a body, with a radius for each point.
func Line(path []geom.Vec, radius []float64) Body {
	low := geom.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	high := r3.Scale(-1, low)
	for _, p := range path {
		low = geom.Vec{X: min(low.X, p.X), Y: min(low.Y, p.Y), Z: min(low.Z, p.Z)}
		high = geom.Vec{X: max(high.X, p.X), Y: max(high.Y, p.Y), Z: max(high.Z, p.Z)}
	}
	span := r3.Sub(high, low)
	return Body{Points: path, Radius: radius, Size: max(span.X, span.Y, span.Z)}
}
