// Package clearance measures how near a fixture's envelope comes to the
// structures beside it: canals and roots as centre lines with a radius, sinuses
// and cortical plates as triangle surfaces, and other fixtures.
//
// Conventions: everything is in the planning frame, mm. A clearance is the
// distance between the envelope's surface and the structure's; where they
// overlap it is negative, the depth of the envelope's deepest point in the
// structure. Start with Nominal and Shape.Place for the envelope and with Chain,
// Surface or another Envelope for the structure; Coverage turns the clearances
// of many draws of a fixture's place into an interval. Distances, and depths in
// centre lines, are exact to 0.00001 mm; depths in surfaces and in other fixtures
// to 0.01 mm, and so are distances of nearly nothing.
//
// Limits: threads count as filled up to their crests. The structure is taken as
// the case draws it.
package clearance

import (
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/trimesh"
)

// Clearance is what lies between an envelope and a structure.
type Clearance struct {
	Distance    float64  // mm, negative = depth of penetration
	OnFixture   geom.Vec // the envelope's nearest, or deepest, point
	OnStructure geom.Vec // the structure's surface point nearest to it

	// Crossed says that a surface which is not closed runs through the
	// envelope. It has no inside, so that there is no depth; Distance is 0.
	Crossed bool
}

// Structure is a body to keep clear of: a *Chain, a *Surface or an Envelope.
type Structure interface {
	clearance(e *Envelope) Clearance
}

// Of is an envelope's clearance from a structure.
func Of(e Envelope, s Structure) Clearance { return s.clearance(&e) }

// FromCase makes the structure that a case describes; c has its path in the
// planning frame. toPlanning carries a point of its surface file there.
//
// Errors: those of trimesh.Read and NewChain.
func FromCase(c casefile.Structure, toPlanning func(geom.Vec) geom.Vec) (Structure, error) {
	if c.Surface == "" {
		return NewChain(c.Path, c.Radius)
	}
	mesh, err := trimesh.Read(c.Surface)
	if err != nil {
		return nil, err
	}
	for i, v := range mesh.Vertices {
		mesh.Vertices[i] = toPlanning(v)
	}
	return NewSurface(mesh, c.Kind.Spec().FromInside)
}
