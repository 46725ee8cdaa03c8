package conebeam

import (
	"plumbline/internal/fixture"
	"plumbline/internal/measurement"
)

// plainlyLeft is by how much a left-handed thread has to lower χ² more than a
// right-handed one for a fixture's thread to be left-handed. In noise alone one of
// some 300 trials gains that much by a chance of 2·10⁻³ (300·exp(−24/2); see
// fixture's periodogram). On 40 phantoms of eight classes right-handed threads had
// −0.1 to 1500 in their favour, and as much against them once mirrored; 34 of the
// mirrored were beyond this.
const plainlyLeft = 24.0

// mirrored says whether the fixtures' threads, which are all right-handed, show that
// the scan is a mirror image, or show too little to tell; nil where they show that it
// is none, or where no fixture was found.
//
// Limits: rings and threads that the scan does not resolve have no hand.
func mirrored(found []fixture.Found) *measurement.Flag {
	sum, left, present := 0.0, false, false
	for _, f := range found {
		if f.Present {
			present = true
			sum += f.Size.RightHanded
			left = left || f.Size.RightHanded < -plainlyLeft
		}
	}
	switch {
	case sum < -plainlyLeft:
		return &measurement.Flag{Code: measurement.CodeScansMirrored, Level: measurement.Doubt,
			Message: "the threads of the fixtures run left-handed in the follow-up scan, but fixtures have right-handed ones: the scan is a mirror image, and so is the planning scan that it fits; export both again with their slices in the right order"}
	case left:
		return &measurement.Flag{Code: measurement.CodeMirrorUnclear, Level: measurement.Notice,
			Message: "the threads of the fixtures seem to run in different ways, so they cannot tell whether the scans are mirror images; compare the side of a tooth that only one side has"}
	case present && sum < plainlyLeft:
		return &measurement.Flag{Code: measurement.CodeMirrorUnclear, Level: measurement.Notice,
			Message: "the scan shows too little of the fixtures' threads to tell whether both scans are mirror images; compare the side of a tooth that only one side has"}
	}
	return nil
}
