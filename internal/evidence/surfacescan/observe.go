package surfacescan

import (
	"fmt"
	"math"
	"sync"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/registration/surface"
	"plumbline/internal/scanbody"
	"plumbline/internal/trimesh"
)

// assign gives each fixture the scan body of its kind that stands nearest to its plan, each
// body once; nil where none stands near.
func (s *Scan) assign(toPre geom.Rigid) []*scanbody.Found {
	out := make([]*scanbody.Found, len(s.Plan.Fixtures))
	var taken []geom.Vec
	for range out {
		best, at, distance := -1, -1, math.Inf(1)
		for i, f := range s.Plan.Fixtures {
			if out[i] != nil {
				continue
			}
			for k := range s.found[i] {
				m := toPre.After(s.found[i][k].ToSurface)
				d := r3.Norm(r3.Sub(m.T, f.Planned.Entry))
				if d > nearPlan || d >= distance || geom.Angle(m.Rotate(geom.Vec{Z: -1}), f.Planned.Axis()) > likePlan || near(taken, m.T) {
					continue
				}
				best, at, distance = i, k, d
			}
		}
		if best < 0 {
			break
		}
		out[best] = &s.found[best][at]
		taken = append(taken, toPre.Apply(out[best].ToSurface.T))
	}
	return out
}

// near reports whether a place is one of those taken.
func near(taken []geom.Vec, p geom.Vec) bool {
	for _, q := range taken {
		if r3.Norm(r3.Sub(p, q)) < 1 {
			return true
		}
	}
	return false
}

// Observe states where the fixtures of the plan lie by their scan bodies.
func (s *Scan) Observe(r registration.Result) evidence.Set {
	out := evidence.Set{Fixtures: make([]evidence.Achieved, len(s.Plan.Fixtures)), View: s.View(r)}
	for i, found := range s.assign(r.PostToPre) {
		f, a := s.Plan.Fixtures[i], &out.Fixtures[i]
		a.Kind = evidence.SurfaceScan
		doubt := func(code measurement.Code, format string, args ...any) {
			a.Flags = append(a.Flags, measurement.Flag{Code: code, Level: measurement.Doubt, Message: "site " + f.Site.String() + ": " + fmt.Sprintf(format, args...)})
		}
		if found == nil {
			doubt(measurement.CodeScanBodyNotFound, "no scan body of the stated shape stands within %.0f mm of the plan on the surface scan; check site, scan_body and that it was seated when the mouth was scanned", nearPlan)
			continue
		}
		toPre := r.PostToPre.After(found.ToSurface)
		own := geom.Pose{Apex: geom.Vec{Z: -f.PlacedLength}}
		pose := toPre.ApplyPose(own)
		a.Pose, a.Diameter, a.Length = &pose, f.PlacedDiameter, f.PlacedLength
		a.Budget = budget(found, own, f.ScanBody).In(toPre)
		if r.Cov != nil {
			a.Budget = append(a.Budget, evidence.Source{Name: "alignment", Cov: r.PoseCovariance(pose), Shared: true})
		}
		if found.Seen < fewSeen {
			doubt(measurement.CodeScanBodyBarelySeen, "the surface scan shows %.0f %% of the scan body; scan it again from all sides", 100*found.Seen)
		}
		if found.TopSeen < fewTop {
			doubt(measurement.CodeScanBodyBarelySeen, "the surface scan shows %.0f %% of the scan body's top, which alone tells the depth; scan it again from above, and check that scan_body is the one that was seated", 100*found.TopSeen)
		}
		if found.Residual > misfits {
			doubt(measurement.CodeScanBodyMisfits, "the surface differs from the stated scan body by %.2f mm; check that scan_body is the one that was seated, and that it is whole", found.Residual)
		}
		if f.ScanBody.File != "" && found.Off > otherShape {
			doubt(measurement.CodeScanBodyMisfits, "beside the stated scan body runs %.0f %% of what would lie on it, as of a waist or flat side in another place; check that scan_body is the one that was seated", 100*found.Off)
		}
		if d := r3.Dot(r3.Sub(pose.Entry, f.Planned.Entry), f.Planned.Axis()); math.Abs(d) > oddDepth {
			way, cause := "deeper", "a lower scan body than the stated one"
			if d < 0 {
				way, cause = "shallower", "a scan body that was not down, or a higher one than the stated"
			}
			doubt(measurement.CodeSeatDoubtful, "the fixture lies %.1f mm %s than planned, as it would look with %s; check seat and scan_body before the depth is believed", math.Abs(d), way, cause)
		}
		a.Flags = append(a.Flags, measurement.Flag{Code: measurement.CodeSeatOnTrust, Level: measurement.Notice,
			Message: fmt.Sprintf("site %s: the depth holds if the scan body was down on its fixture and the fixture is %.1f mm long; a surface scan shows neither, and the interval allows %.2f mm for the seat", f.Site, f.PlacedLength, seatingOf(f.ScanBody))})
	}
	return out
}

// budget is what is known of a scan body's place among the teeth and of its seat, for the ends of
// its fixture in the body's own frame.
func budget(found *scanbody.Found, own geom.Pose, b *casefile.ScanBody) evidence.Budget {
	seating := seatingOf(b)
	of := func(cov *mat.SymDense) *mat.SymDense { return registration.Result{Cov: cov}.PoseCovariance(own) }
	return evidence.Budget{
		{Name: "scan body", Cov: of(sum(found.Cov, askew(stitched, stitchedOver)))},
		{Name: "seating", Cov: of(askew(seating, seatArm))},
	}
}

// seatingOf is the standard uncertainty of a scan body's seat, mm.
func seatingOf(b *casefile.ScanBody) float64 {
	if b.Seating != nil {
		return *b.Seating
	}
	return usualSeating
}

// askew is the covariance of a small motion (ω, τ): a shift along each axis, mm, and, about the
// two axes across the body's own, a turn by the same shift over an arm, mm.
func askew(shift, arm float64) *mat.SymDense {
	out := mat.NewSymDense(6, nil)
	for k := range 3 {
		if k < 2 {
			out.SetSym(k, k, shift*shift/(arm*arm))
		}
		out.SetSym(3+k, 3+k, shift*shift)
	}
	return out
}

// View is the registered surface for pictures.
func (s *Scan) View(r registration.Result) evidence.View {
	v := &view{mesh: s.mesh, toPre: r.PostToPre, toSurface: r.PostToPre.Inverse(), bright: 1000}
	for i, found := range s.assign(r.PostToPre) {
		if found != nil {
			v.bodies = append(v.bodies, moved(s.bodies[i].Mesh, r.PostToPre.After(found.ToSurface)))
		}
	}
	if s.fitted != nil {
		for _, d := range s.fitted.Distances {
			v.distances = append(v.distances, evidence.Distance(d))
		}
	}
	if m, err := s.moving(); err == nil && m.Inward {
		v.bright = -v.bright
	}
	return v
}

// view shows a surface as bright inside and dark outside.
type view struct {
	mesh      *trimesh.Mesh
	index     *surface.Index // of mesh, once it is asked for
	once      sync.Once
	toPre     geom.Rigid
	toSurface geom.Rigid
	bodies    []*trimesh.Mesh // in the planning frame
	distances []evidence.Distance
	bright    float64 // inside, behind the normals
}

// shade, mm, is how far from the surface its grey value goes from one end to the other.
const shade = 0.4

// Around implements evidence.View.
func (v *view) Around(float64, ...geom.Vec) evidence.Grey {
	v.once.Do(func() { v.index = surface.NewIndex(v.mesh) })
	return func(p geom.Vec) float64 {
		d, ok := v.index.Inside(v.toSurface.Apply(p))
		if !ok {
			return math.NaN()
		}
		return v.bright * math.Max(-1, math.Min(1, d/shade))
	}
}

// Mouth implements evidence.Surfaces.
func (v *view) Mouth() *trimesh.Mesh { return moved(v.mesh, v.toPre) }

// Bodies implements evidence.Surfaces.
func (v *view) Bodies() []*trimesh.Mesh { return v.bodies }

// Distances implements evidence.Surfaces.
func (v *view) Distances() []evidence.Distance { return v.distances }

// moved is a mesh in another frame.
func moved(m *trimesh.Mesh, by geom.Rigid) *trimesh.Mesh {
	out := &trimesh.Mesh{Vertices: make([]geom.Vec, len(m.Vertices)), Triangles: m.Triangles}
	for i, p := range m.Vertices {
		out.Vertices[i] = by.Apply(p)
	}
	return out
}
