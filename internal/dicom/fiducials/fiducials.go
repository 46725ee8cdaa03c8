// Package fiducials reads the points of a Spatial Fiducials object (PS3.3 A.40 and C.21.2).
//
// Conventions: patient LPS of the fiducial's frame of reference, mm; a point is known by its
// Fiducial Identifier (0070,0310). Start with Points.
//
// Limits: single points in three dimensions; lines, shapes and points on images are passed
// over.
package fiducials

import (
	"fmt"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/geom"
)

// Storage is the SOP class of the object (PS3.4 B.5).
const Storage = "1.2.840.10008.5.1.4.1.1.66.2"

// Point is a fiducial.
type Point struct {
	Name  string
	Frame string // Frame of Reference UID
	At    geom.Vec
}

// Longest are the attributes that are read.
func Longest() map[tag.Tag]int64 {
	return carrier.Selected(
		carrier.Sequences(tag.FiducialSetSequence, tag.FiducialSequence),
		carrier.Values(carrier.Text, tag.FrameOfReferenceUID, tag.FiducialIdentifier, tag.ShapeType, tag.ContourData))
}

// Points are the fiducials that are points in space.
//
// Errors: coordinates that are none.
func Points(in carrier.Input) ([]Point, error) {
	var out []Point
	for _, set := range in.Data[tag.FiducialSetSequence].Items {
		frame := set.Identifier(tag.FrameOfReferenceUID)
		for _, f := range set[tag.FiducialSequence].Items {
			if f.Text(tag.ShapeType) != "POINT" || !f.Has(tag.ContourData) {
				continue
			}
			x, _, _, err := f.Decimals(tag.ContourData, 3)
			if err != nil {
				return nil, fmt.Errorf("fiducial %d: %w", len(out)+1, err)
			}
			out = append(out, Point{f.Text(tag.FiducialIdentifier), frame, geom.Vec{X: x[0], Y: x[1], Z: x[2]}})
		}
	}
	return out, nil
}
