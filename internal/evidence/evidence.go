// Package evidence is where a placed fixture lies and how well that is known,
// whatever it was observed in: a follow-up scan, or another record that shows
// the fixture after surgery. Every figure of a case is computed from it.
//
// Conventions: everything is in the planning frame, patient LPS, mm; the
// covariance of a pose is 6×6, of (entry, apex), mm². Start with Achieved. A
// kind of evidence is a package of its own that makes a Set; packages
// downstream see the Set alone.
package evidence

import (
	"gonum.org/v1/gonum/mat"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/trimesh"
	"plumbline/internal/volume"
)

// Kind is what placed fixtures are observed in, named as in a stored
// measurement.
type Kind string

const (
	// FollowUpScan is a computed tomography scan taken after surgery.
	FollowUpScan Kind = "scan"
	// SurfaceScan is a scan of the mouth's surface with scan bodies on the fixtures.
	SurfaceScan Kind = "surface"
)

// names are the kinds in words.
var names = map[Kind]string{FollowUpScan: "follow-up scan", SurfaceScan: "surface scan"}

// Name is the kind in words.
func (k Kind) Name() string { return names[k] }

// Set is what one record shows of a case's fixtures.
type Set struct {
	Fixtures []Achieved         // in the order of the plan
	Flags    []measurement.Flag // of the case as a whole
	View     View               // what the fixtures are shown in
}

// Achieved is the pose of one placed fixture.
type Achieved struct {
	Kind             Kind
	Pose             *geom.Pose   // nil when no fixture was found; the rest is then empty but Kind and Flags
	Diameter, Length float64      // mm
	Shown            *ShownLength // nil where the record is not looked into for it
	Budget           Budget
	Flags            []measurement.Flag
}

// ShownLength is what the record shows of a fixture's length, whatever the case file
// states. Length is platform to apex, mm, and U its standard uncertainty; NaN where
// nothing is to be seen.
type ShownLength struct {
	Confirmed bool // the record shows the stated length
	Length, U float64
}

// Source is one contribution to the uncertainty of a pose.
type Source struct {
	Name string
	Cov  *mat.SymDense
	// Shared says that the error moves all fixtures of the set alike, so that
	// it does not change how they lie to each other.
	Shared bool
	// OfPlan says that the error is the plan's: the figures against the plan have a
	// share of it, and where the fixture lies has none.
	OfPlan bool
}

// Budget is the sources of a pose's uncertainty, independent of each other.
type Budget []Source

// Cov is the covariance of the pose.
func (b Budget) Cov() *mat.SymDense { return b.sum(func(Source) bool { return true }) }

// OfPlace is the covariance of the pose without the sources that are the plan's.
func (b Budget) OfPlace() *mat.SymDense { return b.sum(func(s Source) bool { return !s.OfPlan }) }

// Unshared is OfPlace without the sources that all fixtures share.
func (b Budget) Unshared() *mat.SymDense {
	return b.sum(func(s Source) bool { return !s.OfPlan && !s.Shared })
}

func (b Budget) sum(counts func(Source) bool) *mat.SymDense {
	out := mat.NewSymDense(6, nil)
	for _, s := range b {
		if counts(s) {
			out.AddSym(out, s.Cov)
		}
	}
	return out
}

// In is the budget with each covariance brought into another frame: with R the
// rotation of the transform, each 3×3 block C becomes R·C·Rᵀ.
func (b Budget) In(m geom.Rigid) Budget {
	r := mat.NewDense(6, 6, nil)
	for i := range 3 {
		for j := range 3 {
			r.Set(i, j, m.R[i][j])
			r.Set(3+i, 3+j, m.R[i][j])
		}
	}
	out := make(Budget, len(b))
	for i, s := range b {
		out[i] = s
		out[i].Cov = geom.Propagate(r, s.Cov)
	}
	return out
}

// View is a record as pictures show it. A scan has grey values of its own; a
// surface has them by how far inside or outside of it a point lies.
type View interface {
	// Around prepares what lies within reach, mm, of the points and gives its
	// grey values.
	Around(reach float64, points ...geom.Vec) Grey
}

// Surfaces is a View of surfaces, which pictures draw as lines over the planning scan.
type Surfaces interface {
	View
	// Mouth is what was scanned.
	Mouth() *trimesh.Mesh
	// Bodies are the scan bodies, where they were found on it.
	Bodies() []*trimesh.Mesh
	// Distances tells how the scanned surface lies to what it was registered onto.
	Distances() []Distance
}

// Distance is how far one place of a surface lies from what it was registered onto.
type Distance struct {
	At      geom.Vec
	Offset  float64 // mm, positive where it lies outside of that; NaN where nothing lies near
	Counted bool    // it had a weight in the registration
}

// Grey is the grey value at a point; NaN outside the record.
type Grey func(p geom.Vec) float64

// Scan is a scan as a View; ToScan maps the planning frame to the scan's own.
type Scan struct {
	Volume *volume.Volume
	ToScan geom.Rigid
}

// Around implements View.
func (s Scan) Around(reach float64, points ...geom.Vec) Grey {
	inScan := make([]geom.Vec, len(points))
	for i, p := range points {
		inScan[i] = s.ToScan.Apply(p)
	}
	field := s.Volume.Region(s.Volume.Box(reach, inScan...))
	return func(p geom.Vec) float64 { return field.Sample(s.ToScan.Apply(p)) }
}
