package practice

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/geom"
)

// Hand is how sure a hand was that set or drew something.
type Hand struct {
	Uncertainty float64 `json:"uncertainty,omitempty"` // standard uncertainty of a coordinate, mm
	Repeated    bool    `json:"repeated,omitempty"`    // it comes from doing it twice
}

const (
	// onceSet and onceDrawn, mm, are what is taken where something was set or drawn only
	// once: about a voxel of a usual scan, and a little more for a canal, whose wall is
	// faint and whose radius nobody states. Common practice, no source.
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
// the mean square of the six coordinates' differences (a standard deviation from pairs). The
// length is typed, so that along the axis both ends differ by the same: four squares and twice
// a fifth one, which have 6²/(4 + 2²) = 4.5 degrees of freedom (JCGM 100:2008, G.4.1).
func SetTwice(first, second geom.Pose) Hand {
	sum := r3.Norm2(r3.Sub(first.Entry, second.Entry)) + r3.Norm2(r3.Sub(first.Apex, second.Apex))
	return twice(widened(math.Sqrt(sum/6/2), 4.5))
}

const (
	// alongLine is the variance of a smooth line through points over that of a point, on
	// average along lines of three to nine points.
	alongLine = 0.8
	// fewestCompared is from how many points on two drawings can be compared.
	fewestCompared = 3
)

// ErrApart says that two drawings do not run beside each other.
var ErrApart = errors.New("the second line runs beside the first for too short a way to be compared; draw it along the same stretch")

// DrawnTwice is the hand that drew a line through two lots of points. radius is the standard
// uncertainty of the structure's radius, mm. A point of the one lies off the other line in
// two directions, in each by the errors of two drawings; points beyond the ends of the other
// line tell nothing. Both lots are held against the other's line, which are the same errors
// seen twice: half of the differences are free.
//
// Errors: ErrApart.
func DrawnTwice(first, second []geom.Vec, radius float64) (Hand, error) {
	sum, n := 0.0, 0
	for _, lots := range [2][2][]geom.Vec{{first, second}, {second, first}} {
		line := Smooth(lots[0])
		for _, p := range lots[1] {
			if d, beside := squaredDistance(p, line); beside {
				sum += d
				n++
			}
		}
	}
	if n < fewestCompared {
		return Hand{}, ErrApart
	}
	u := math.Sqrt(sum / float64(n) / 2 / (1 + alongLine))
	return twice(math.Hypot(widened(u, float64(n)), radius)), nil
}

// widened is a standard uncertainty that a few free differences have shown, so that the usual
// two of it are a 95 % interval: more by the ratio of Student's factor to the normal one
// (JCGM 100:2008, G.3.2).
func widened(u, free float64) float64 {
	return u * distuv.StudentsT{Sigma: 1, Nu: free}.Quantile(0.975) / distuv.UnitNormal.Quantile(0.975)
}

func twice(u float64) Hand {
	return Hand{Uncertainty: math.Round(hundredth*max(u, surest)) / hundredth, Repeated: true}
}

// squaredDistance is that of a point from a line through points, and whether the point lies
// beside it rather than beyond one of its ends.
func squaredDistance(p geom.Vec, line []geom.Vec) (least float64, beside bool) {
	least = math.Inf(1)
	for i := 1; i < len(line); i++ {
		along := r3.Sub(line[i], line[i-1])
		t := r3.Dot(r3.Sub(p, line[i-1]), along) / r3.Norm2(along)
		nearest := r3.Add(line[i-1], r3.Scale(min(max(t, 0), 1), along))
		if d := r3.Norm2(r3.Sub(p, nearest)); d < least {
			least, beside = d, (i > 1 || t >= 0) && (i < len(line)-1 || t <= 1)
		}
	}
	return least, beside
}
