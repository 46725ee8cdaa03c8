// Package segmentation reads the segments of a Segmentation object (PS3.3 A.51 and C.8.20):
// frames of voxels that belong to a segment or not, which become a surface.
//
// Conventions: patient LPS of the object's frame of reference, mm. The surface runs where
// a segment's share of a voxel, linear between the voxels' middles, is one half, so that it
// is within half a voxel of any border that the voxels allow. Start with Bodies.
//
// Limits: uncompressed frames of one bit or eight; parallel planes that stand straight on
// each other.
package segmentation

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/suyashkumar/dicom/pkg/tag"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// Storage is the SOP class of the object (PS3.4 B.5).
const Storage = "1.2.840.10008.5.1.4.1.1.66.4"

// Longest are the attributes that are read.
func Longest() map[tag.Tag]int64 {
	return carrier.Selected(
		carrier.Sequences(tag.SegmentSequence, tag.SharedFunctionalGroupsSequence, tag.PerFrameFunctionalGroupsSequence, tag.PlanePositionSequence,
			tag.PlaneOrientationSequence, tag.PixelMeasuresSequence, tag.SegmentIdentificationSequence),
		carrier.Values(carrier.Text, tag.Rows, tag.Columns, tag.NumberOfFrames, tag.BitsAllocated, tag.SegmentationType, tag.MaximumFractionalValue,
			tag.SegmentNumber, tag.SegmentLabel, tag.ReferencedSegmentNumber, tag.ImagePositionPatient, tag.ImageOrientationPatient, tag.PixelSpacing,
			tag.SpacingBetweenSlices, tag.SliceThickness, tag.FrameOfReferenceUID))
}

// header says how an object's frames are laid out.
type header struct {
	rows, columns, frames, bits int
	half                        float64 // what a voxel must have to be more in than out
	right, down                 geom.Vec
	pixel                       [2]float64 // mm, of rows and of columns
	slice                       float64    // mm, as stated; 0 where it is not
}

// frame is one plane of a segment.
type frame struct {
	number int // of the frame, from 0
	at     geom.Vec
}

// Bodies are the segments; those that are wanted have a surface, the others a name only.
//
// Errors: what is wrong with the object.
func Bodies(in carrier.Input, wanted func(name string, of int) bool) ([]carrier.Body, error) {
	h, err := headerOf(in)
	if err != nil {
		return nil, err
	}
	planes, err := h.planes(in.Data)
	if err != nil {
		return nil, err
	}
	segments := in.Data[tag.SegmentSequence].Items
	var out []carrier.Body
	for _, s := range segments {
		n, ok, err := s.Integer(tag.SegmentNumber)
		if err != nil || !ok {
			return nil, errors.New("a segment has no number (0062,0004)")
		}
		b := carrier.Body{Name: s.Text(tag.SegmentLabel), Frame: in.Data.Identifier(tag.FrameOfReferenceUID)}
		if wanted(b.Name, len(segments)) {
			if b.Mesh, b.Grain, err = h.surface(planes[n], in); err != nil {
				return nil, fmt.Errorf("segment %q: %w", element.Shorten(b.Name), err)
			}
		}
		out = append(out, b)
	}
	return out, nil
}

// mostVoxels bounds the voxels of all frames: a segment on a thousand slices of 512 × 512.
const mostVoxels = 1 << 28

func headerOf(in carrier.Input) (h header, err error) {
	for _, want := range []struct {
		to  *int
		tag tag.Tag
	}{{&h.rows, tag.Rows}, {&h.columns, tag.Columns}, {&h.frames, tag.NumberOfFrames}, {&h.bits, tag.BitsAllocated}} {
		n, ok, err := in.Data.Integer(want.tag)
		if err != nil || !ok || n < 1 || n > 1<<16 {
			return h, fmt.Errorf("%s is missing or no count", element.Name(want.tag))
		}
		*want.to = n
	}
	if h.rows*h.columns > mostVoxels/h.frames {
		return h, fmt.Errorf("it has %d frames of %d × %d voxels, more than are read", h.frames, h.rows, h.columns)
	}
	switch kind := in.Data.Text(tag.SegmentationType); {
	case kind == "BINARY" && h.bits == 1:
		h.half = 0.5
	case kind == "FRACTIONAL" && h.bits == 8:
		most, ok, err := in.Data.Integer(tag.MaximumFractionalValue)
		if err != nil || !ok || most < 1 {
			return h, errors.New("it does not state its MaximumFractionalValue (0062,000E)")
		}
		h.half = float64(most) / 2
	default:
		return h, fmt.Errorf("it is of the kind %q with %d bits a voxel; export a BINARY one", element.Shorten(kind), h.bits)
	}
	if in.Pixels == nil {
		return h, errors.New("it has no voxels (7FE0,0010)")
	}
	if in.Pixels.Fragmented {
		return h, errors.New("its voxels are compressed; export it uncompressed")
	}
	if need := (int64(h.rows*h.columns*h.frames*h.bits) + 7) / 8; in.Pixels.Length < need || in.Pixels.Offset+need > int64(len(in.Bytes)) {
		return h, fmt.Errorf("%w: its frames take %d bytes", element.ErrCutShort, need)
	}
	return h, h.shared(in.Data)
}

// group is the item of a functional group, of the frame or shared by all.
func group(frame, shared element.Dataset, sequence tag.Tag) element.Dataset {
	for _, d := range []element.Dataset{frame, shared} {
		if items := d[sequence].Items; len(items) > 0 {
			return items[0]
		}
	}
	return nil
}

func first(d element.Dataset, sequence tag.Tag) element.Dataset {
	if items := d[sequence].Items; len(items) > 0 {
		return items[0]
	}
	return nil
}

// shared reads how planes are turned and how large their voxels are; all frames have it alike.
func (h *header) shared(d element.Dataset) error {
	shared := first(d, tag.SharedFunctionalGroupsSequence)
	frame := first(d, tag.PerFrameFunctionalGroupsSequence)
	turn, _, ok, err := group(frame, shared, tag.PlaneOrientationSequence).Decimals(tag.ImageOrientationPatient, 6)
	if err != nil || !ok {
		return errors.New("it does not say how its planes are turned (0020,0037)")
	}
	h.right, h.down = geom.Vec{X: turn[0], Y: turn[1], Z: turn[2]}, geom.Vec{X: turn[3], Y: turn[4], Z: turn[5]}
	const straight = 1e-3
	if math.Abs(r3.Norm(h.right)-1) > straight || math.Abs(r3.Norm(h.down)-1) > straight || math.Abs(r3.Dot(h.right, h.down)) > straight {
		return errors.New("the directions of its planes (0020,0037) are no perpendicular unit vectors")
	}
	measures := group(frame, shared, tag.PixelMeasuresSequence)
	size, _, ok, err := measures.Decimals(tag.PixelSpacing, 2)
	if err != nil || !ok || !(size[0] > 0 && size[1] > 0) {
		return errors.New("it does not say how large its voxels are (0028,0030)")
	}
	h.pixel = [2]float64(size)
	for _, t := range []tag.Tag{tag.SpacingBetweenSlices, tag.SliceThickness} {
		if x, _, ok, err := measures.Decimals(t, 1); err == nil && ok && x[0] > 0 {
			h.slice = x[0]
			break
		}
	}
	return nil
}

// planes are the frames of each segment, by its number.
func (h *header) planes(d element.Dataset) (map[int][]frame, error) {
	shared := first(d, tag.SharedFunctionalGroupsSequence)
	frames := d[tag.PerFrameFunctionalGroupsSequence].Items
	if len(frames) != h.frames {
		return nil, fmt.Errorf("it has %d frames and says where %d of them lie", h.frames, len(frames))
	}
	out := map[int][]frame{}
	for i, f := range frames {
		n, ok, err := group(f, shared, tag.SegmentIdentificationSequence).Integer(tag.ReferencedSegmentNumber)
		if err != nil || !ok {
			return nil, fmt.Errorf("frame %d does not say which segment it is of", i+1)
		}
		at, _, ok, err := group(f, shared, tag.PlanePositionSequence).Decimals(tag.ImagePositionPatient, 3)
		if err != nil || !ok {
			return nil, fmt.Errorf("frame %d does not say where it lies (0020,0032)", i+1)
		}
		out[n] = append(out[n], frame{i, geom.Vec{X: at[0], Y: at[1], Z: at[2]}})
	}
	return out, nil
}

const (
	// evenness is how far planes may lie off an even stack, as a share of their distance.
	evenness = 0.02
	// maxPlanes bounds the planes between the first and the last of a segment.
	maxPlanes = 4096
)

// surface is the surface of a segment, and the largest edge of its voxels. Planes that the
// object leaves out hold nothing of it (PS3.3 C.8.20.2).
func (h *header) surface(frames []frame, in carrier.Input) (*trimesh.Mesh, float64, error) {
	if len(frames) == 0 {
		return nil, 0, errors.New("no frame is of it")
	}
	normal := r3.Unit(r3.Cross(h.right, h.down))
	slices.SortStableFunc(frames, func(a, b frame) int {
		if r3.Dot(a.at, normal) < r3.Dot(b.at, normal) {
			return -1
		}
		return 1
	})
	spacing := h.slice
	for i := 1; i < len(frames); i++ {
		if d := r3.Dot(r3.Sub(frames[i].at, frames[i-1].at), normal); d > 0 && (spacing == 0 || d < spacing) {
			spacing = d
		}
	}
	if spacing == 0 {
		return nil, 0, errors.New("its planes' distance is neither stated nor told by them")
	}
	place := map[int]int{} // of a plane in the stack, its frame
	last := 0
	for i, f := range frames {
		off := r3.Sub(f.at, frames[0].at)
		k := r3.Dot(off, normal) / spacing
		n := int(math.Round(k))
		if math.Abs(k-float64(n)) > evenness || r3.Norm(r3.Sub(off, r3.Scale(r3.Dot(off, normal), normal))) > evenness*h.pixel[0] {
			return nil, 0, errors.New("its planes are no even stack; export it on the planning scan's own slices")
		}
		if _, twice := place[n]; twice {
			return nil, 0, fmt.Errorf("two of its frames lie in one plane (frame %d)", frames[i].number+1)
		}
		if n > maxPlanes {
			return nil, 0, fmt.Errorf("its planes span more than %d", maxPlanes)
		}
		place[n] = f.number
		last = max(last, n)
	}
	low, high := h.box(in, frames)
	if low[0] > high[0] {
		return nil, 0, errors.New("no voxel is in it")
	}
	value := func(i, j, k int) float64 {
		i, j, k = i+low[0]-1, j+low[1]-1, k-1
		number, ok := place[k]
		if !ok || i < 0 || j < 0 || i >= h.columns || j >= h.rows {
			return h.half
		}
		return h.half - h.voxel(in, number, i, j)
	}
	mesh, err := trimesh.Grid{
		N:     [3]int{high[0] - low[0] + 3, high[1] - low[1] + 3, last + 3},
		Value: value,
		Place: func(i, j, k int) geom.Vec {
			p := r3.Add(frames[0].at, r3.Scale(h.pixel[1]*float64(i+low[0]-1), h.right))
			p = r3.Add(p, r3.Scale(h.pixel[0]*float64(j+low[1]-1), h.down))
			return r3.Add(p, r3.Scale(spacing*float64(k-1), normal))
		},
	}.Isosurface(carrier.MaxPoints)
	return mesh, max(h.pixel[0], h.pixel[1], spacing), err
}

// voxel is what a voxel has of its segment. Bits are packed without regard to frames, the
// first in the lowest place (PS3.5 8.1.1).
func (h *header) voxel(in carrier.Input, number, i, j int) float64 {
	n := (number*h.rows+j)*h.columns + i
	at := int(in.Pixels.Offset)
	if h.bits == 8 {
		return float64(in.Bytes[at+n])
	}
	return float64(in.Bytes[at+n/8] >> (n % 8) & 1)
}

// box is where a segment's frames have anything, columns and rows.
func (h *header) box(in carrier.Input, frames []frame) (low, high [2]int) {
	low, high = [2]int{h.columns, h.rows}, [2]int{-1, -1}
	for _, f := range frames {
		for j := range h.rows {
			for i := range h.columns {
				if h.voxel(in, f.number, i, j) > h.half {
					low, high = [2]int{min(low[0], i), min(low[1], j)}, [2]int{max(high[0], i), max(high[1], j)}
				}
			}
		}
	}
	return low, high
}
