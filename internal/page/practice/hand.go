package practice

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Hand is how sure a hand was that set or drew something.
type Hand struct {
	Uncertainty float64 `json:"uncertainty,omitempty"` // standard uncertainty of a coordinate, mm
	Repeated    bool    `json:"repeated,omitempty"`    // it comes from doing it twice
}

const (
	// onceSet and onceDrawn, mm, are what is taken where something was set or drawn only
	// once: about a voxel of a usual scan, and a little more for a canal whose wall is
	// faint. Common practice, no source.
	onceSet   = 0.3
	onceDrawn = 0.4
	// surest, mm, is the least that two settings are believed: a pixel of the cuts is
	// 0.1 mm, and two that agree by chance show nothing.
	surest = 0.1
)

// SetOnce is the hand of a fixture that was set once.
func SetOnce() Hand { return Hand{Uncertainty: onceSet} }

// DrawnOnce is the hand of a line that was drawn once.
func DrawnOnce() Hand { return Hand{Uncertainty: onceDrawn} }

// SetTwice is the hand that set a fixture at two poses. The variance of one setting is half
// the mean square of the six coordinates' differences (a standard deviation from pairs).
func SetTwice(first, second geom.Pose) Hand {
	sum := r3.Norm2(r3.Sub(first.Entry, second.Entry)) + r3.Norm2(r3.Sub(first.Apex, second.Apex))
	return twice(math.Sqrt(sum / 6 / 2))
}

// DrawnTwice is the hand that drew a line through two lots of points. A point of the
// second lies off the first line in two directions, in each by the errors of two drawings,
// so that the mean square of its distance is four times the variance of one.
func DrawnTwice(first, second []geom.Vec) Hand {
	line := Smooth(first)
	sum := 0.0
	for _, p := range second {
		sum += squaredDistance(p, line)
	}
	return twice(math.Sqrt(sum / float64(len(second)) / 4))
}

func twice(u float64) Hand {
	return Hand{Uncertainty: math.Round(hundredth*max(u, surest)) / hundredth, Repeated: true}
}

// squaredDistance is that of a point from a line through points.
func squaredDistance(p geom.Vec, line []geom.Vec) float64 {
	least := math.Inf(1)
	for i := 1; i < len(line); i++ {
		along := r3.Sub(line[i], line[i-1])
		t := r3.Dot(r3.Sub(p, line[i-1]), along) / r3.Norm2(along)
		nearest := r3.Add(line[i-1], r3.Scale(min(max(t, 0), 1), along))
		least = min(least, r3.Norm2(r3.Sub(p, nearest)))
	}
	return least
}
