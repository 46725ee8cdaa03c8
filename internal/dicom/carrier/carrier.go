// Package carrier has what objects carry bodies as: triangle surfaces and lines in a frame
// of reference. Each kind of object has a package beside this one.
//
// Conventions: coordinates are patient LPS of the frame, mm. Start with Body.
package carrier

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// Body is one body of an object: a surface or a line.
type Body struct {
	Name  string // as the object has it; "" where it has none
	Frame string // Frame of Reference UID
	Mesh  *trimesh.Mesh
	Line  []geom.Vec // a centre line, where there is no Mesh
	// Grain is how far apart the values are that a surface was made from, mm: the largest
	// edge of a voxel, or the distance of the planes of contours; 0 where the object has
	// the surface itself.
	Grain float64
}

// Input is an object as it was read: the elements that its package asked for and, where it
// has some, the pixels' bytes.
type Input struct {
	Data   element.Dataset
	Pixels *element.Pixels
	Bytes  []byte // of the whole file
}

// Selected merges what packages ask for.
func Selected(lists ...map[tag.Tag]int64) map[tag.Tag]int64 {
	out := map[tag.Tag]int64{}
	for _, list := range lists {
		for t, n := range list {
			out[t] = max(out[t], n)
			if n == element.Items {
				out[t] = n
			}
		}
	}
	return out
}

// Sequences and Values are what a package asks for: sequences, and attributes with the
// most bytes of a value.
func Sequences(tags ...tag.Tag) map[tag.Tag]int64 {
	out := map[tag.Tag]int64{}
	for _, t := range tags {
		out[t] = element.Items
	}
	return out
}

// Values asks for attributes of at most so many bytes.
func Values(longest int64, tags ...tag.Tag) map[tag.Tag]int64 {
	out := map[tag.Tag]int64{}
	for _, t := range tags {
		out[t] = longest
	}
	return out
}

// Text is the most bytes of a name or a number.
const Text = 1 << 10

// MaxPoints bounds the corners of all surfaces of one object.
const MaxPoints = 2_000_000

// ErrNone says that an object has no body that is read here.
var ErrNone = errors.New("it has no body in it")

const (
	// The least and largest extent of a body, mm; beyond them it is in another unit.
	// Common practice, no source: a root's tip has a millimetre, a head 300.
	least, largest = 0.5, 400.0
	// What is usual, so that another unit can be told.
	usualLeast, usualLargest = 3.0, 150.0
)

// CheckSize refuses a body that another unit must have been meant for.
func (b *Body) CheckSize() error {
	points := b.Line
	if b.Mesh != nil {
		points = b.Mesh.Vertices
	}
	if len(points) == 0 {
		return ErrNone
	}
	low, high := points[0], points[0]
	for _, p := range points {
		if !geom.Finite(p) {
			return errors.New("a coordinate is not a finite number")
		}
		low = geom.Vec{X: math.Min(low.X, p.X), Y: math.Min(low.Y, p.Y), Z: math.Min(low.Z, p.Z)}
		high = geom.Vec{X: math.Max(high.X, p.X), Y: math.Max(high.Y, p.Y), Z: math.Max(high.Z, p.Z)}
	}
	extent := max(high.X-low.X, high.Y-low.Y, high.Z-low.Z)
	if extent >= least && extent <= largest || b.Mesh == nil && len(points) == 1 {
		return nil
	}
	// From micrometres, millimetres, centimetres, inches and metres into one another.
	for _, factor := range []float64{1000, 0.001, 10, 0.1, 25.4, 1 / 25.4, 1e6} {
		if made := extent * factor; made >= usualLeast && made <= usualLargest {
			return fmt.Errorf("by its unit it is %.4g mm across, which no structure or fixture is; %.4g times as large it would be %.3g mm, so the unit seems to be wrong: export it again with the right one", extent, factor, made)
		}
	}
	return fmt.Errorf("by its unit it is %.4g mm across, which no structure or fixture is; export it again in mm", extent)
}

// Pick is the body of a name, upper and lower case alike; of one alone, that one.
//
// Errors: none or several of the name; the message lists the names.
func Pick(bodies []Body, name string) (*Body, error) {
	var found *Body
	var names []string
	for i := range bodies {
		b := &bodies[i]
		if strings.EqualFold(strings.TrimSpace(b.Name), strings.TrimSpace(name)) {
			if found != nil {
				return nil, fmt.Errorf("two bodies in it have the name %q", name)
			}
			found = b
		}
		names = append(names, fmt.Sprintf("%q", element.Shorten(b.Name)))
	}
	switch {
	case found != nil:
		return found, nil
	case len(bodies) == 0:
		return nil, ErrNone
	case len(bodies) == 1:
		return &bodies[0], nil
	}
	const most = 12
	list := strings.Join(names[:min(len(names), most)], ", ")
	if len(names) > most {
		list += fmt.Sprintf(" and %d more", len(names)-most)
	}
	return nil, fmt.Errorf("it has %d bodies and none is called %q; name the one that is meant: %s", len(bodies), name, list)
}
