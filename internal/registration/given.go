package registration

import (
	"errors"
	"fmt"
	"strings"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// Given takes a transform as it is. Its error is not known, so Cov is nil, and
// a notice says that intervals leave it out, until Compare tells better.
func Given(postToPre geom.Rigid) Result {
	return Result{
		Method:    "matrix",
		PostToPre: postToPre,
		Flags: []measurement.Flag{{
			Code:    measurement.CodeAlignmentTakenAsExact,
			Message: "the transform was given and is taken as exact; the intervals leave out its error",
			Level:   measurement.Notice,
		}},
	}
}

// ErrFrames says that two scans do not share one frame of reference.
var ErrFrames = errors.New("the scans do not share a frame of reference")

// SameFrame takes both scans' coordinates as one frame. That holds when both
// carry the same Frame of Reference UID (DICOM PS3.3 C.7.4.1.1.1), given as pre
// and post; force goes on without it and leaves a doubt.
//
// Errors: ErrFrames when the UIDs differ or one is missing, unless forced.
func SameFrame(pre, post string, force bool) (Result, error) {
	out := Given(geom.Identity())
	out.Method = "same-frame"
	pre, post = trimUID(pre), trimUID(post)
	if pre != "" && pre == post {
		return out, nil
	}
	why := "their Frame of Reference UIDs differ"
	if pre == "" || post == "" {
		why = "a scan has no Frame of Reference UID"
	}
	if !force {
		return Result{}, fmt.Errorf(`%w: %s; write method = "scans" in [alignment] to find the transform from the scans`, ErrFrames, why)
	}
	out.Flags = append(out.Flags, measurement.Flag{
		Code:    measurement.CodeSameFrameForced,
		Message: "both scans were taken as one frame by request, though " + why + "; a patient who moved between them makes every deviation wrong",
		Level:   measurement.Doubt,
	})
	return out, nil
}

// trimUID takes off the padding that DICOM gives a UID of odd length.
func trimUID(uid string) string { return strings.Trim(uid, "\x00 ") }
