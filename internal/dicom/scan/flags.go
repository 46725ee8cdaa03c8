package scan

import (
	"fmt"
	"math"

	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// flagOddities adds what was odd about a volume that could be read.
func (s *stack) flagOddities(out *Scan, stats []sliceStats) {
	lossy, unset, bare, extra, inverted := 0, 0, 0, 0, 0
	var odd []string
	seen := map[string]bool{}
	for k, sl := range s.slices {
		count := func(n *int, is bool) {
			if is {
				*n++
			}
		}
		count(&lossy, sl.lossy || stats[k].lossy)
		count(&unset, stats[k].odd)
		count(&bare, sl.noRescale)
		count(&extra, sl.extraBytes > 0)
		count(&inverted, sl.inverted)
		for _, n := range sl.notes {
			if !seen[n.about] {
				seen[n.about] = true
				odd = append(odd, fmt.Sprintf("%s, first in %s", n.text, sl.file.name))
			}
		}
	}
	first := s.slices[0].file.name
	if lossy > 0 {
		s.flag(measurement.Notice, measurement.CodeLossyCompression, "%s of the scan went through lossy compression (%s), which blurs or displaces fine edges; an uncompressed export is better", plural(lossy, "slice"), out.Syntax)
	}
	if unset > 0 {
		s.flag(measurement.Notice, measurement.CodeOddStream, "%s of compressed pixels whose header leaves the spectral selection unset: every coefficient is there and was read", plural(unset, "slice"))
	}
	if bare > 0 {
		s.flag(measurement.Notice, measurement.CodeRescaleMissing, "%s without a complete rescale, such as %s: slope 1 and intercept 0 were taken for what is missing", plural(bare, "slice"), first)
	}
	if extra > 0 {
		s.flag(measurement.Notice, measurement.CodeSurplusBytes, "%s more bytes of pixels than voxels, such as %s: those after the last voxel were left out", slicesHave(extra), first)
	}
	for _, n := range odd {
		s.flag(measurement.Notice, measurement.CodeOddNumber, "%s", n)
	}
	if out.Modality != "CT" {
		s.flag(measurement.Notice, measurement.CodeNotMarkedCT, "the scan is marked %q, not CT; it was read as computed tomography", out.Modality)
	}
	s.flagInterleaved(out, stats)
	if inverted > 0 {
		s.flagInverted(out, stats)
	}
	if out.Low == out.High || math.IsNaN(out.Low) {
		s.flag(measurement.Doubt, measurement.CodeNoContrast, "all voxels have the same grey value; export the scan again")
	}
	padded := 0
	for _, f := range stats {
		padded += f.padded
	}
	if p := out.Padding; p != nil && padded > 0 && topIsPadding(out, stats) {
		s.flag(measurement.Doubt, measurement.CodePaddingAtTop, "the scan names its highest grey values as padding (PixelPaddingValue (0028,0120)), so metal may be missing from it; export it again from another program, if you can")
	}
}

func slicesHave(n int) string {
	if n == 1 {
		return "1 slice has"
	}
	return fmt.Sprintf("%d slices have", n)
}

// topIsPadding reports whether padded voxels lie above all others.
func topIsPadding(out *Scan, stats []sliceStats) bool {
	for k, f := range stats {
		if f.padded == 0 {
			continue
		}
		p := out.Padding.High
		if out.Slope[k] < 0 {
			p = out.Padding.Low
		}
		if out.Slope[k]*float64(p)+out.Intercept[k] > out.High {
			return true
		}
	}
	return false
}

// flagInverted says what was made of MONOCHROME1, which asks viewers to show
// low values white but leaves the values their meaning (PS3.3 C.7.6.3.1.2).
// Some programs turn the values over as well; then bone and metal are dark.
func (s *stack) flagInverted(out *Scan, stats []sliceStats) {
	if denseIsBright(&out.Volume, stats, out.Low, out.High) {
		s.flag(measurement.Notice, measurement.CodeMonochrome1, "the scan asks to be shown inverted (MONOCHROME1); its grey values were taken as they stand")
		return
	}
	s.flag(measurement.Doubt, measurement.CodeMonochrome1Inverted, "the scan is marked as inverted (MONOCHROME1) and its densest parts do not look bright, so metal may be sought at the wrong end; export it as MONOCHROME2")
}

// denseIsBright reports whether the sparse end of the grey values is the high one, as
// it is where air and soft tissue fill most of the volume and bone and metal
// little.
func denseIsBright(v *volume.Volume, stats []sliceStats, low, high float64) bool {
	plane := v.Size[0] * v.Size[1]
	half := (low + high) / 2
	dark, bright := 0, 0
	for k := range stats {
		for _, w := range v.Stored[k*plane : (k+1)*plane] {
			if v.Padded(w) {
				continue
			}
			if v.Slope[k]*float64(w)+v.Intercept[k] > half {
				bright++
			} else {
				dark++
			}
		}
	}
	return dark > bright
}
