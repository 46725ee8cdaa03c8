package phantom

import (
	"fmt"
	"math"
	"time"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// SeriesCase is one surgery of an invented clinician: true figures, no scans.
// Coordinates are patient LPS of a planning scan for which the head lay straight.
type SeriesCase struct {
	Case      string
	Placed    string // ISO date
	Clinician string
	Fixture
	Planned, Achieved geom.Pose
	Mesial, Buccal    geom.Vec // unit, perpendicular to the planned axis and each other
	Deviation         *measurement.Values
}

// The invented clinician: the spread of each component starts at one value and
// approaches another, over a habit that stays. At the end the mean deviations
// are near those that reviews report of guided placement, about 1 mm and 3
// degrees; at the start they are twice that.
const (
	firstEntry, lastEntry = 0.95, 0.45 // standard deviation of each component, mm
	firstTilt, lastTilt   = 4.5, 2.0   // degrees
	learningCases         = 12.0       // cases for the excess to fall to 1/e
	habitDistal           = 0.3        // mm
	habitDeep             = 0.2        // mm
)

// DemoSeries gives n cases in the order of surgery, some five days apart from
// January 2026 on. A longer series begins with the shorter one of its seed.
func DemoSeries(n int, seed uint64) []SeriesCase {
	r := newRandomSource(seed, 700)
	jaws := map[bool]*jaw{false: newJaw(seed, false, true, nil), true: newJaw(seed, true, true, nil)}
	sites := []string{"36", "46", "35", "45", "16", "26", "15", "25", "14", "37", "12", "47"}
	day := time.Date(2026, time.January, 12, 0, 0, 0, 0, time.UTC)
	var series []SeriesCase
	for i := range n {
		left := math.Exp(-float64(i) / learningCases)
		entry := lastEntry + (firstEntry-lastEntry)*left
		tilt := lastTilt + (firstTilt-lastTilt)*left
		f := UsualFixture(sites[r.IntN(len(sites))])
		f.Length = []float64{8, 10, 10, 12}[r.IntN(4)]
		f.Guidance = []string{"freehand", "pilot-guide", "full-guide"}[r.IntN(3)]
		f.Lean = [2]float64{r.truncatedNormal(0, 4), r.truncatedNormal(0, 5)}
		f.Entry = [3]float64{entry*r.NormFloat64() - habitDistal, entry * r.NormFloat64(), entry*r.NormFloat64() + habitDeep}
		f.Tilt = [2]float64{tilt * r.NormFloat64(), tilt * r.NormFloat64()}
		j := jaws[f.Site[0] <= '2']
		plan := j.crest(j.arcLength[f.Site]).tilted(f.Lean[0], f.Lean[1])
		series = append(series, SeriesCase{
			Case: fmt.Sprintf("S-%03d", i+1), Placed: day.Format(time.DateOnly), Clinician: "clinician-a", Fixture: f,
			Planned: plan.pose(f.Length), Achieved: achievedFrame(plan, f).pose(f.Length),
			Mesial: plan.m, Buccal: plan.b, Deviation: f.deviation(),
		})
		day = day.AddDate(0, 0, 2+r.IntN(7))
	}
	return series
}
