// Package scan reads a computed tomography scan, such as a cone-beam machine
// exports it, from a folder, a file or a zip archive into one volume.
//
// Conventions: voxel (0, 0, 0) is the first voxel of the lowest slice along the
// normal row direction × column direction (PS3.3 C.7.6.2.1.1), so the grid is
// right-handed, whatever the files are called and in whichever order they lie; a
// stack that leans against its slices (gantry tilt) has a grid that leans. Coordinates are patient LPS, mm. Grey values are
// what the scan says after its own rescale; those of a cone-beam machine are
// not calibrated. Start with Open and Describe.
//
// Nothing is trusted: lengths, counts and sizes are checked before memory is
// taken, bytes, frames and slices are counted, and a panic in any decoder
// becomes an error. Where the volume cannot be had rightly there is an error
// that says what is wrong, in which file, and what to do; where it can, but
// something was odd, there is a flag. Messages carry file names and technical
// attributes, never a person's.
//
// Limits: uneven slices, colour and voxels of more than 16 bits are refused, not
// resampled or converted.
package scan

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sync"

	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// Options says how to read.
type Options struct {
	SeriesUID    string  // which series, where there are several
	SliceSpacing float64 // mm, for multi-frame files that do not say it; negative where frames run against the normal
	MemoryBudget int64   // bytes of voxels; 0 = DefaultBudget
	Names        Names
}

// Names are what the caller's users know two of the Options as. An error that
// asks for one names it so, or says in words what is needed.
type Names struct {
	SeriesUID, SliceSpacing string
}

func (n Names) askSeries() string {
	if n.SeriesUID == "" {
		return "its Series Instance UID"
	}
	return n.SeriesUID + " UID"
}

func (n Names) askSpacing() string {
	if n.SliceSpacing == "" {
		return "a slice spacing in mm"
	}
	return n.SliceSpacing + " MM"
}

// DefaultBudget is the largest volume that is read unless asked, bytes: two
// such volumes fit into a laptop of 8 GB. 1000 × 1000 × 1000 voxels are 2e9.
const DefaultBudget = 2 << 30

func (o Options) budget() int64 {
	if o.MemoryBudget > 0 {
		return o.MemoryBudget
	}
	return DefaultBudget
}

func (o Options) check() error {
	if s := math.Abs(o.SliceSpacing); s != 0 && !(s >= minSpacing && s <= maxSpacing) {
		return fmt.Errorf("%s is %g mm, expected %g to %g, or negative where the frames run against the normal", cmp.Or(o.Names.SliceSpacing, "slice spacing"), o.SliceSpacing, minSpacing, float64(maxSpacing))
	}
	return nil
}

// Scan is one volume with what is known of it.
type Scan struct {
	volume.Volume
	SeriesUID, FrameOfReferenceUID string
	StudyDate                      string // ISO, or ""
	Taken                          string // the day of acquisition, as far as it is stated, else of the study; ISO, or ""
	Identity                       Identity

	// Ceiling is the grey value at which the scan is clipped, NaN where it is
	// not (volume.SaturationLevel).
	Ceiling float64

	Flags []measurement.Flag

	Low, High float64  // range of grey values, padding left out
	Modality  string   // as the scan says, such as CT
	Syntax    string   // transfer syntax in words
	Files     []string // the files that hold the slices, in the order of the slices

	digest func() string
}

// SHA256 is a digest of the grid, the rescale and the stored voxels, hex: the same
// for one volume however its files are named, ordered or encoded. It is taken when
// first asked for, which takes half as long as to read the scan.
func (s *Scan) SHA256() string { return s.digest() }

// Open reads the one volume at path, which is a folder, a file or a zip
// archive.
//
// Errors: when there is none; when there are several, with a list of them and
// how to choose; when it cannot be read rightly.
func Open(path string, o Options) (*Scan, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	found, err := surveyPath(path)
	if err != nil {
		return nil, err
	}
	defer found.source.close()
	s, err := found.chooseStack(o)
	if err != nil {
		return nil, err
	}
	return s.openStack(path, o)
}

// openStack arranges and reads a stack that was found at path.
func (s *stack) openStack(path string, o Options) (*Scan, error) {
	grid, err := s.arrangeSlices(o)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return s.loadVoxels(grid, o)
}

// loadVoxels reads the voxels of an arranged stack.
func (s *stack) loadVoxels(grid volume.Grid, o Options) (*Scan, error) {
	first := s.slices[0]
	size := 2 * int64(grid.Size[0]) * int64(grid.Size[1]) * int64(grid.Size[2])
	if size > o.budget() {
		return nil, fmt.Errorf("%s: the volume of %d × %d × %d voxels needs %s, more than the %s that are allowed; crop the scan to the jaw and export it again", first.file.name,
			grid.Size[0], grid.Size[1], grid.Size[2], bytesText(size), bytesText(o.budget()))
	}
	pad, err := s.commonPadding()
	if err != nil {
		return nil, err
	}
	if err := s.checkDecoders(); err != nil {
		return nil, err
	}
	v := volume.Volume{
		Grid: grid, Padding: pad,
		Stored:    s.allocate(int(size / 2)),
		Slope:     make([]float64, grid.Size[2]),
		Intercept: make([]float64, grid.Size[2]),
	}
	for k, sl := range s.slices {
		v.Slope[k] = sl.slope
		v.Intercept[k] = sl.intercept - sl.slope*float64(sl.layout.signFlip())
	}
	stats, err := s.readVoxels(&v)
	if err != nil {
		return nil, err
	}
	out := &Scan{
		Volume: v, SeriesUID: first.series, FrameOfReferenceUID: first.reference, StudyDate: first.date, Taken: first.taken, Identity: first.who,
		Modality: first.modality, Syntax: syntaxName(first.syntax),
	}
	out.digest = sync.OnceValue(func() string { return volumeDigest(&out.Volume) })
	slices := extremesOf(stats)
	out.Low, out.High = v.GreyRange(slices)
	out.Ceiling = v.SaturationLevel(slices)
	for i, sl := range s.slices {
		if i == 0 || sl.file != s.slices[i-1].file {
			out.Files = append(out.Files, sl.file.name)
		}
	}
	s.flagOddities(out, stats)
	out.Flags = s.flags
	return out, nil
}

// bytesText is a size for a person.
func bytesText(n int64) string {
	if n < 1<<20 {
		return fmt.Sprintf("%d bytes", n)
	}
	return fmt.Sprintf("%d MB", n>>20)
}

// commonPadding is the range of stored values that mean "outside"; slices that
// name none share that of the others.
func (s *stack) commonPadding() (*volume.Range, error) {
	var pad *volume.Range
	var from slice
	for _, sl := range s.slices {
		p := sl.image.padding.storedRange(sl.layout)
		switch {
		case p == nil:
		case pad == nil:
			pad, from = p, sl
		case *p != *pad:
			return nil, fmt.Errorf("%s and %s name different padding values (PixelPaddingValue (0028,0120)); export the whole series again", from.label(), sl.label())
		}
	}
	return pad, nil
}

// allocate gives memory for n stored values. Uncompressed voxels fill it or fail; a
// decoder may leave a block out, which then has to be zero.
func (s *stack) allocate(n int) []uint16 {
	if slices.ContainsFunc(s.slices, func(sl slice) bool { return !nativeSyntax[sl.syntax] }) {
		return make([]uint16, n)
	}
	return uninitialised(n)
}

// checkDecoders refuses a stack unless there is a decoder for every slice.
func (s *stack) checkDecoders() error {
	for _, sl := range s.slices {
		if !nativeSyntax[sl.syntax] && decoders[sl.syntax] == nil {
			return fmt.Errorf("%s: %w", sl.label(), unsupportedSyntax(sl.syntax))
		}
	}
	return nil
}
