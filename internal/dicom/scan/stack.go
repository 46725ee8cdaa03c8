package scan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

const (
	// minSlices is the fewest slices that are taken for a volume: a fixture is
	// 3 mm or more across, so ten slices of the usual 0.3 mm are its width.
	minSlices = 10

	// sameStack is how far, as a sine, the directions of two images may differ
	// before they are taken for different stacks, such as a scout and a scan.
	sameStack = 0.02
	// maxTurn is how far they may differ within one stack; printed decimals
	// make for less (common practice, no source).
	maxTurn = 1e-4

	// A slice may lie off the even lattice by placeTolerance, mm, or by
	// stepTolerance of the distance between slices, whichever is more:
	// positions are printed with two or three decimals, and a tenth of a voxel
	// of the finest scans moves nothing that is measured (common practice, no source).
	placeTolerance = 0.01
	stepTolerance  = 0.01
	// Sideways, it may be off by placeTolerance or this part of a pixel:
	// directions printed with four decimals drift by 0.005 mm over 50 mm.
	driftTolerance = 0.1
	// sameSpacing is how far pixel spacings may differ within a stack, as a
	// part of the spacing.
	sameSpacing = 1e-4
)

// slice is one frame of one image, with its place.
type slice struct {
	*image
	number int // of the frame in its file, from 0
	frame
	depth float64 // along the normal, mm
}

// label names a slice for a person.
func (s slice) label() string {
	if len(s.image.frames) > 1 {
		return fmt.Sprintf("%s frame %d", s.file.name, s.number+1)
	}
	return s.file.name
}

// stack is a set of parallel slices that are meant as one volume.
type stack struct {
	slices   []slice
	row, col geom.Vec // mean directions of all slices
	step     float64  // between slices, mm; along the normal
	flags    []measurement.Flag
	alone    bool // it is from one file that was given by itself
}

// normal is the direction in which slices count up: row direction × column
// direction, so that the grid is right-handed.
func (s *stack) normal() geom.Vec { return r3.Unit(r3.Cross(s.row, s.col)) }

// flag adds a remark.
func (s *stack) flag(level measurement.Level, code measurement.Code, format string, args ...any) {
	s.flags = append(s.flags, measurement.Flag{Code: code, Message: fmt.Sprintf(format, args...), Level: level})
}

// mayShareStack reports whether two slices may belong to one stack.
func mayShareStack(a, b slice) bool {
	return a.layout.rows == b.layout.rows && a.layout.cols == b.layout.cols &&
		a.reference == b.reference && a.oriented == b.oriented && a.placed == b.placed &&
		math.Abs(a.rowSpacing-b.rowSpacing) <= 0.01*a.rowSpacing &&
		math.Abs(a.colSpacing-b.colSpacing) <= 0.01*a.colSpacing &&
		directionDifference(a.frame, b.frame) <= sameStack
}

// directionDifference is how far two slices' directions differ: the larger of the chords.
func directionDifference(a, b frame) float64 {
	return max(r3.Norm(r3.Sub(a.row, b.row)), r3.Norm(r3.Sub(a.col, b.col)))
}

// maxStacks bounds the stacks of one series, so that hostile files cannot make
// comparing them endless. A turning detector's raw pictures make some 600.
const maxStacks = 1000

// splitIntoStacks puts the frames of the images into stacks, the largest first. Frames of
// images with a fault are left out; images beyond maxStacks get one.
func splitIntoStacks(images []*image) []*stack {
	var out []*stack
	for _, g := range images {
		if g.aside != "" || g.fault != nil {
			continue
		}
		for i, f := range g.frames {
			sl := slice{image: g, number: i, frame: f}
			k := slices.IndexFunc(out, func(s *stack) bool { return mayShareStack(s.slices[0], sl) })
			if k < 0 && len(out) == maxStacks {
				g.fault = fmt.Errorf("its series lies in more than %d directions or places", maxStacks)
				break
			}
			if k < 0 {
				k = len(out)
				out = append(out, &stack{})
			}
			out[k].slices = append(out[k].slices, sl)
		}
	}
	slices.SortStableFunc(out, func(a, b *stack) int { return len(b.slices) - len(a.slices) })
	return out
}

// arrangeSlices checks that the slices make one even block, sorts them along
// the normal and gives its grid (PS3.3 C.7.6.2.1.1: the position is the centre
// of a slice's first voxel, the first value of Pixel Spacing lies between
// rows).
//
// Out: a right-handed grid, leaning where the stack does.
func (s *stack) arrangeSlices(o Options) (volume.Grid, error) {
	first := s.slices[0]
	if len(s.slices) < 3 {
		return volume.Grid{}, s.errTooFewSlices()
	}
	if first.rowSpacing == 0 {
		return volume.Grid{}, fmt.Errorf("%s has no pixel spacing (PixelSpacing (0028,0030)), so lengths cannot be measured; export the scan again, as a CT series", first.label())
	}
	if first.plain {
		if err := s.placeFrames(o); err != nil {
			return volume.Grid{}, err
		}
	} else if o.SliceSpacing != 0 {
		s.flag(measurement.Notice, measurement.CodeSliceSpacingUnused, "the distance between slices was not taken as asked: the files say where each slice lies")
	}
	if !s.slices[0].oriented || !s.slices[0].placed {
		return volume.Grid{}, fmt.Errorf("%s: %w; export the scan again, as a CT series", first.label(), errNoPlace)
	}
	if err := s.takeDirections(); err != nil {
		return volume.Grid{}, err
	}
	s.sortAlongNormal()
	first = s.slices[0]
	for _, sl := range s.slices {
		if math.Abs(sl.rowSpacing-first.rowSpacing) > sameSpacing*first.rowSpacing || math.Abs(sl.colSpacing-first.colSpacing) > sameSpacing*first.colSpacing {
			return volume.Grid{}, fmt.Errorf("pixel spacing changes: %g × %g mm in %s, %g × %g mm in %s; export the whole series again", first.colSpacing, first.rowSpacing, first.label(), sl.colSpacing, sl.rowSpacing, sl.label())
		}
		if sl.layout.signed != first.layout.signed {
			return volume.Grid{}, fmt.Errorf("signed and unsigned voxels are mixed: %s and %s; export the whole series again", first.label(), sl.label())
		}
	}
	if err := s.dropDuplicates(o); err != nil {
		return volume.Grid{}, err
	}
	if len(s.slices) < 3 {
		return volume.Grid{}, s.errTooFewSlices()
	}
	if err := s.checkSpacing(); err != nil {
		return volume.Grid{}, err
	}
	g, err := s.lattice()
	if err == nil && len(s.slices) < minSlices {
		err = s.errTooFewSlices()
	}
	return g, err
}

// takeDirections takes the mean directions of rows and columns and refuses slices that
// are turned against them.
func (s *stack) takeDirections() error {
	// Summed by place, so that the last digit does not depend on the files' order.
	byPlace := slices.Clone(s.slices)
	slices.SortStableFunc(byPlace, func(a, b slice) int {
		return cmp.Or(cmp.Compare(a.at.Z, b.at.Z), cmp.Compare(a.at.Y, b.at.Y), cmp.Compare(a.at.X, b.at.X))
	})
	var row, col geom.Vec
	for _, sl := range byPlace {
		row, col = r3.Add(row, sl.row), r3.Add(col, sl.col)
	}
	var err error
	if s.row, s.col, err = orthonormal(r3.Unit(row), r3.Unit(col)); err != nil {
		return fmt.Errorf("the slices are not parallel: %w", err)
	}
	worst, most := slice{}, 0.0
	for _, sl := range s.slices {
		if t := directionDifference(frame{row: s.row, col: s.col}, sl.frame); t > most {
			worst, most = sl, t
		}
	}
	if most > maxTurn {
		return fmt.Errorf("the slices are not parallel: %s is turned by %.3f° against the others; export the whole series again", worst.label(), geom.Degrees(most))
	}
	return nil
}

// sortAlongNormal puts the slices in order along the normal.
func (s *stack) sortAlongNormal() {
	n := s.normal()
	for i := range s.slices {
		s.slices[i].depth = r3.Dot(s.slices[i].at, n)
	}
	sort.SliceStable(s.slices, func(i, j int) bool {
		a, b := s.slices[i], s.slices[j]
		if a.depth != b.depth {
			return a.depth < b.depth
		}
		return a.label() < b.label()
	})
}

// dropDuplicates leaves out slices that lie where another one with the same voxels
// lies, such as a second export of the series. Where the voxels differ, both
// stay, to be refused.
func (s *stack) dropDuplicates(o Options) error {
	plane := 2 * int64(s.slices[0].layout.rows) * int64(s.slices[0].layout.cols)
	flat := s.slices[len(s.slices)-1].depth-s.slices[0].depth < placeTolerance // all at one position
	if flat || s.checkDecoders() != nil || plane > o.budget() {
		return nil
	}
	single := s.slices[:1:1]
	duplicates, example := 0, ""
	for _, sl := range s.slices[1:] {
		last := single[len(single)-1]
		if r3.Norm(r3.Sub(sl.at, last.at)) >= placeTolerance || sl.slope != last.slope || sl.intercept != last.intercept {
			single = append(single, sl)
			continue
		}
		a, err := last.frameDigest(last.number)
		if err != nil {
			return fmt.Errorf("%s: %w", last.file.name, err)
		}
		b, err := sl.frameDigest(sl.number)
		if err != nil {
			return fmt.Errorf("%s: %w", sl.file.name, err)
		}
		if a != b {
			return nil
		}
		if duplicates++; duplicates == 1 {
			example = last.label() + " and " + sl.label()
		}
	}
	if duplicates > 0 {
		s.slices = single
		s.flag(measurement.Notice, measurement.CodeDoubledSlices, "%s at the position of another with the same voxels, such as %s: one of each was used", slicesLie(duplicates), example)
	}
	return nil
}

func (s *stack) errTooFewSlices() error {
	hint := "export the whole series"
	if s.alone {
		hint = "give the folder that holds all its files"
	}
	return fmt.Errorf("it has %s, a volume needs %d or more; %s", plural(len(s.slices), "slice"), minSlices, hint)
}

// checkSpacing finds the distance between slices and refuses doubled, missing and
// unevenly spaced ones.
func (s *stack) checkSpacing() error {
	n := len(s.slices)
	gaps := make([]float64, n-1)
	for i := range gaps {
		gaps[i] = s.slices[i+1].depth - s.slices[i].depth
	}
	whole := s.slices[n-1].depth - s.slices[0].depth
	if whole < placeTolerance {
		return fmt.Errorf("all %d slices lie at one position, so they are no volume; export the scan as an axial CT series", n)
	}
	sorted := slices.Clone(gaps)
	slices.Sort(sorted)
	median := sorted[len(sorted)/2]
	tolerance := max(placeTolerance, stepTolerance*median) // of one place
	near := func(a, b float64) bool { return math.Abs(a-b) <= 2*tolerance }
	for i := range gaps[1:] {
		before, after := gaps[i], gaps[i+1]
		off := math.Abs(after-before) / 2
		if min(before, after) > placeTolerance && off > tolerance && near(before+after, 2*median) {
			return errOffPlace(s.slices[i+1], off, median)
		}
	}
	if even, odd := gaps[0], gaps[1]; !near(even, odd) && min(even, odd) >= 0.1*max(even, odd) && alternate(gaps, near) {
		return fmt.Errorf("the slices lie %.3f and %.3f mm apart in turn, from %s on: two scans or two copies of one lie between each other; leave only the files of one of them in the folder",
			even, odd, s.slices[0].label())
	}
	doubled := 0
	at := -1
	for i, g := range gaps {
		if g < max(placeTolerance, 0.1*median) {
			doubled++
			if at < 0 {
				at = i
			}
		}
	}
	if doubled > 0 {
		return fmt.Errorf("%s at the same position as another, first %s and %s; the folder may hold two scans under one series, leave only one of them", slicesLie(doubled), s.slices[at].label(), s.slices[at+1].label())
	}
	// The even lattice from first to last, which each slice must be near to.
	step := whole / float64(n-1)
	tolerance = max(placeTolerance, stepTolerance*step)
	for i, g := range gaps {
		if g <= 1.5*median {
			continue
		}
		if missing := math.Round(g/median) - 1; math.Abs(g-(missing+1)*median) <= (missing+2)*tolerance {
			return fmt.Errorf("slice gap of %.3f mm between %s and %s, expected %.3f mm: %s missing; export the whole series again",
				g, s.slices[i].label(), s.slices[i+1].label(), median, areMissing(int(missing)))
		}
		return fmt.Errorf("the slices are not evenly spaced: %.3f mm between %s and %s, %.3f mm between others; export the scan with equal slice distances",
			g, s.slices[i].label(), s.slices[i+1].label(), median)
	}
	for i, sl := range s.slices {
		off := sl.depth - s.slices[0].depth - float64(i)*step
		if math.Abs(off) > tolerance {
			return errOffPlace(sl, math.Abs(off), step)
		}
	}
	if step > maxSpacing {
		return fmt.Errorf("the slices lie %g mm apart, expected no more than %g mm; export the scan with narrow slices", step, float64(maxSpacing))
	}
	s.step = step
	return nil
}

// errOffPlace is the error for a slice that does not lie where the others put it.
func errOffPlace(sl slice, off, step float64) error {
	return fmt.Errorf("the slices are not evenly spaced: %s lies %.3f mm off its place at a distance of %.3f mm between slices; export the scan with equal slice distances", sl.label(), off, step)
}

// alternate reports whether every distance is that of the one before the last.
func alternate(gaps []float64, near func(a, b float64) bool) bool {
	for i, g := range gaps[2:] {
		if !near(g, gaps[i]) {
			return false
		}
	}
	return len(gaps) > 3
}

func slicesLie(n int) string {
	if n == 1 {
		return "1 slice lies"
	}
	return fmt.Sprintf("%d slices lie", n)
}

func areMissing(n int) string {
	if n <= 1 {
		return "a slice is"
	}
	return fmt.Sprintf("%d slices are", n)
}

// mostLean is the largest lean of a stack against its slices, rad: gantries tilt by up to
// 30° (from memory), and the rest is rounding. What leans more was put together wrongly.
const mostLean = 31 * math.Pi / 180

// lattice gives the grid: the best line through the slices' places, from which each may be
// off by the rounding of its position. A stack whose line leans (gantry tilt) keeps every
// voxel where it lies; slices that lie beside the line are refused.
func (s *stack) lattice() (volume.Grid, error) {
	first, last := s.slices[0], s.slices[len(s.slices)-1]
	n := s.normal()
	tolerance := max(placeTolerance, driftTolerance*min(first.rowSpacing, first.colSpacing))
	// Sideways places against slice numbers from the middle one, by least squares.
	half := float64(len(s.slices)-1) / 2
	var mean, drift geom.Vec
	side := make([]geom.Vec, len(s.slices))
	numbers := 0.0
	for k, sl := range s.slices {
		d := r3.Sub(sl.at, first.at)
		side[k] = r3.Sub(d, r3.Scale(r3.Dot(d, n), n))
		mean = r3.Add(mean, r3.Scale(1/float64(len(s.slices)), side[k]))
		drift = r3.Add(drift, r3.Scale(float64(k)-half, side[k]))
		numbers += (float64(k) - half) * (float64(k) - half)
	}
	drift = r3.Scale(1/numbers, drift)
	if r3.Norm(drift)*half <= tolerance {
		drift = geom.Vec{} // rounded directions
	}
	for k, sl := range s.slices {
		if off := r3.Norm(r3.Sub(side[k], r3.Add(mean, r3.Scale(float64(k)-half, drift)))); off > tolerance {
			return volume.Grid{}, fmt.Errorf("%s lies %.3f mm sideways of the other slices; export the whole series again", sl.label(), off)
		}
	}
	g := volume.Grid{
		Size:   [3]int{first.layout.cols, first.layout.rows, len(s.slices)},
		Origin: r3.Add(first.at, r3.Sub(mean, r3.Scale(half, drift))),
		Step:   [3]geom.Vec{r3.Scale(first.colSpacing, s.row), r3.Scale(first.rowSpacing, s.col), r3.Add(r3.Scale(s.step, n), drift)},
	}
	switch lean := g.Lean(); {
	case lean > mostLean:
		return volume.Grid{}, fmt.Errorf("the stack leans by %.1f° against its slices, from %s to %s, more than a gantry tilts; export the scan reformatted to an upright stack", geom.Degrees(lean), first.label(), last.label())
	case drift != geom.Vec{}:
		s.flag(measurement.Notice, measurement.CodeGantryTilt, "the stack leans by %.1f° against its slices (gantry tilt), from %s to %s; every voxel was taken where it lies", geom.Degrees(lean), first.label(), last.label())
	}
	return g, nil
}

// placeFrames gives the frames of a file without functional groups their places:
// from the one position of the file, along the normal, at the distance that
// the file states or the user gives. Which way the frames run, no attribute
// says, so that is a doubt unless the user said it.
func (s *stack) placeFrames(o Options) error {
	g := s.slices[0].image
	for _, sl := range s.slices {
		if sl.image != g {
			return fmt.Errorf("%s and %s have several frames each and no position for them; give one file", g.file.name, sl.file.name)
		}
	}
	steps := make([]float64, len(g.frames))
	even := func(mm float64) {
		for i := range steps {
			steps[i] = float64(i) * mm
		}
	}
	ask := "say it with " + o.Names.askSpacing() + " (negative where the frames run against the normal), or export one file a slice"
	switch {
	case o.SliceSpacing != 0: // Open has checked it
		even(o.SliceSpacing)
		s.flag(measurement.Notice, measurement.CodeSliceSpacingGiven, "%s does not say where its frames lie: they were placed %g mm apart, as asked", g.file.name, o.SliceSpacing)
	case g.inTime && math.IsNaN(g.between):
		return fmt.Errorf("the frames of %s follow each other in time, not in space; choose the CT series", g.file.name)
	case g.locations != nil:
		for i := range steps {
			steps[i] = g.locations[i] - g.locations[0]
		}
		s.flagAssumedDirection("SliceLocationVector (0018,2005)")
	case g.between != 0 && !math.IsNaN(g.between):
		even(g.between)
		s.flagAssumedDirection("SpacingBetweenSlices (0018,0088)")
	case g.thickness > 0:
		even(g.thickness)
		s.flagAssumedDirection("SliceThickness (0018,0050), which may differ from the distance between slices")
	default:
		return fmt.Errorf("%s does not say how far apart its frames lie; %s", g.file.name, ask)
	}
	f := s.slices[0].frame
	if !f.oriented || !f.placed {
		if o.SliceSpacing == 0 {
			return fmt.Errorf("%s does not say where it lies in the patient; give the distance between its frames with %s to place it at the origin, or export one file a slice", g.file.name, o.Names.askSpacing())
		}
		if !f.oriented {
			f.row, f.col = geom.Vec{X: 1}, geom.Vec{Y: 1}
		}
		s.flag(measurement.Doubt, measurement.CodePositionAssumed, "%s does not say where it lies in the patient: it was placed at the origin, rows to the left, columns to the back", g.file.name)
	}
	n := r3.Unit(r3.Cross(f.row, f.col))
	for i := range s.slices {
		at := r3.Add(f.at, r3.Scale(steps[s.slices[i].number], n))
		s.slices[i].frame.at, s.slices[i].row, s.slices[i].col = at, f.row, f.col
		s.slices[i].placed, s.slices[i].oriented = true, true
	}
	return nil
}

func (s *stack) flagAssumedDirection(source string) {
	s.flag(measurement.Doubt, measurement.CodeSliceDirectionAssumed,
		"%s has one position for all its frames: their distance was taken from %s and their direction was assumed; compare left and right, up and down with another viewer, then give that distance in mm", s.slices[0].file.name, source)
}
