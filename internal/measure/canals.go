package measure

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/canal"
	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
)

// FoundCanal is a canal that a case asks for.
type FoundCanal struct {
	Plan        casefile.Structure // with the line as it was found
	All, Unseen float64            // its length, and how much of it is bridged, mm
	Why         error              // it was not found; else nil
}

// besideCanal is how much farther from the planned fixture than its nearest part a canal's
// part may lie and come nearest to the fixture as placed, mm.
const besideCanal = 2.0

// findCanal follows a canal that the case asks for and makes it a structure like a drawn
// one, as uncertain as it is beside the planned fixtures; nil where it is not found. A flag
// says what came of it.
//
// Errors: those of clearance.Nominal's Place and of clearance.NewChain.
func (in *Inputs) findCanal(st *casefile.Structure) (clearance.Structure, error) {
	flag := func(code measurement.Code, level measurement.Level, format string, args ...any) {
		in.Flags = append(in.Flags, measurement.Flag{Code: code, Level: level, Message: fmt.Sprintf("%q ", st.Name) + fmt.Sprintf(format, args...)})
	}
	line, err := canal.Find(&in.Pre.Volume, st.Through)
	if err != nil {
		in.canals = append(in.canals, FoundCanal{Plan: *st, Why: err})
		flag(measurement.CodeCanalNotFound, measurement.Doubt, "was not found in the planning scan: %v; it is not checked, so give other points, or draw it", err)
		return nil, nil
	}
	st.Path, st.Radius = line.Points, line.Radius
	chain, err := clearance.NewChain(line.Points, line.Radius)
	if err != nil {
		return nil, err
	}
	u, bridged, err := in.besideFixtures(line, chain)
	if err != nil {
		return nil, err
	}
	st.DrawnUncertainty = u
	found := FoundCanal{Plan: *st}
	found.All, found.Unseen = line.Length()
	in.canals = append(in.canals, found)
	seen := "seen all the way"
	if found.Unseen > 0 {
		seen = fmt.Sprintf("of which %.0f mm are not seen and were bridged", math.Ceil(found.Unseen))
	}
	flag(measurement.CodeCanalFound, measurement.Notice, "was followed through the planning scan between the points given: %.0f mm, %s; check in the pictures that it is right", found.All, seen)
	if bridged {
		flag(measurement.CodeCanalBridged, measurement.Doubt, "is not seen in the planning scan where a fixture comes nearest to it; do not rely on the distance, and draw the canal there")
	}
	return chain, nil
}

// besideFixtures is the largest uncertainty of a found line where a planned fixture comes
// nearest to it, or that of the whole where none does, and whether it is bridged there.
func (in *Inputs) besideFixtures(line *canal.Line, chain *clearance.Chain) (u float64, bridged bool, err error) {
	whole := 0.0
	for _, x := range line.U {
		whole = max(whole, x)
	}
	for _, f := range in.Plan.Fixtures {
		e, err := clearance.Nominal(f.Diameter).Place(f.Planned)
		if err != nil {
			return 0, false, err
		}
		c := clearance.Of(e, chain)
		if c.Distance > severity.CheckedWithin {
			continue
		}
		for i, p := range line.Points {
			gap := r3.Norm(r3.Sub(p, c.OnFixture)) - line.Radius[i]
			if gap <= max(0, c.Distance)+besideCanal {
				u, bridged = max(u, line.U[i]), bridged || !line.Seen[i]
			}
		}
	}
	if u == 0 {
		return whole, false, nil
	}
	return u, bridged, nil
}
