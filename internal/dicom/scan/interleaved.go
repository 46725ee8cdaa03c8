package scan

import (
	"math"
	"strconv"

	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// Two scans whose slices lie half a distance apart make one even stack. Its
// figures are wrong by as much as the head moved between them.

// integer is a whole number of a header (PS3.5 6.2, IS), nil for anything else.
func integer(s string) *int {
	n, err := strconv.Atoi(s)
	if err != nil {
		return nil
	}
	return &n
}

// flagInterleaved doubts a volume of which every other slice seems to belong to
// another scan.
func (s *stack) flagInterleaved(out *Scan, stats []sliceStats) {
	why := ""
	switch {
	case s.alternatingAcquisitions():
		why = "their acquisition numbers (AcquisitionNumber (0020,0012)) alternate"
	case s.interleavedNumbers():
		why = "their numbers (InstanceNumber (0020,0013)) run through the volume twice"
	case alternatingVoxels(&out.Volume, stats):
		why = "each is more like the next but one than like the next"
	default:
		return
	}
	s.flag(measurement.Doubt, measurement.CodeScansInterleaved,
		"two scans seem to lie between each other, slice by slice, from %s and %s on: %s; leave only the files of one of them in the folder", s.slices[0].label(), s.slices[1].label(), why)
}

// alternatingAcquisitions reports whether every other slice states one acquisition
// number, and those between them another.
func (s *stack) alternatingAcquisitions() bool {
	for k, sl := range s.slices {
		if sl.acquisition == nil || *sl.acquisition != *s.slices[k%2].acquisition {
			return false
		}
	}
	return *s.slices[0].acquisition != *s.slices[1].acquisition
}

// interleavedNumbers reports whether the instance numbers do not run through the
// volume, but through every other slice and through those between them.
func (s *stack) interleavedNumbers() bool {
	runs := func(from, by int) bool {
		sign := 0
		for k := from; k+by < len(s.slices); k += by {
			a, b := s.slices[k], s.slices[k+by]
			if len(a.frames) > 1 || a.instance == nil || b.instance == nil || *a.instance == *b.instance {
				return false
			}
			rises := 1
			if *b.instance < *a.instance {
				rises = -1
			}
			if sign != 0 && rises != sign {
				return false
			}
			sign = rises
		}
		return true
	}
	return !runs(0, 1) && runs(0, 2) && runs(1, 2)
}

const (
	// alternation is how much larger the mean absolute difference to the next slice
	// is than that to the next but one, where slices alternate between two places of
	// the head. Of one scan it is smaller, and the same where all is noise.
	alternation = 1.1
	// fewestCompared is the number of slices from which voxels tell: a scan of a jaw
	// has hundreds, a pattern of a test a dozen (common practice, no source).
	fewestCompared = 40
	// probe is the distance of the voxels that are compared, voxels of the stored
	// order; a prime, so that they do not stand in columns.
	probe = 31
)

// alternatingVoxels reports whether slices are less like the next than like the
// next but one.
func alternatingVoxels(v *volume.Volume, stats []sliceStats) bool {
	plane := v.Size[0] * v.Size[1]
	value := func(k, i int) float64 { return v.Slope[k]*float64(v.Stored[k*plane+i]) + v.Intercept[k] }
	if len(stats) < fewestCompared {
		return false
	}
	next, nextButOne := 0.0, 0.0
	for k := range len(stats) - 2 {
		if stats[k].padded+stats[k+1].padded+stats[k+2].padded > 0 {
			continue
		}
		for i := 0; i < plane; i += probe {
			a, b, c := value(k, i), value(k+1, i), value(k+2, i)
			next += (math.Abs(b-a) + math.Abs(c-b)) / 2
			nextButOne += math.Abs(c - a)
		}
	}
	return next > alternation*nextButOne
}
