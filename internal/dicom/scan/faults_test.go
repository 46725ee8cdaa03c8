package scan

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// axial is a small upright volume, 0.5 mm a voxel, with bits of each kind of
// grey value.
func axial(slices int) *volume.Volume {
	v := &volume.Volume{Grid: volume.Grid{
		Size:   [3]int{6, 5, slices},
		Origin: geom.Vec{X: 10, Y: 20, Z: 30},
		Step:   [3]geom.Vec{{X: 0.5}, {Y: 0.5}, {Z: 0.5}},
	}}
	v.Stored = make([]uint16, v.Len())
	for i := range v.Stored {
		v.Stored[i] = uint16(i * 7 % 3000)
	}
	v.Slope, v.Intercept = make([]float64, slices), make([]float64, slices)
	for k := range slices {
		v.Slope[k], v.Intercept[k] = 1, -1000
	}
	return v
}

// at changes the attributes of one slice.
func at(slice int, f func(d *element.Dataset)) func(int, *element.Dataset) {
	return func(k int, d *element.Dataset) {
		if k == slice {
			f(d)
		}
	}
}

// every changes those of all.
func every(f func(d *element.Dataset)) func(int, *element.Dataset) {
	return func(_ int, d *element.Dataset) { f(d) }
}

// set puts an attribute in all slices.
func set(t tag.Tag, value any) func(int, *element.Dataset) {
	return every(func(d *element.Dataset) { d.Set(t, value) })
}

func remove(tags ...tag.Tag) func(int, *element.Dataset) {
	return every(func(d *element.Dataset) {
		for _, t := range tags {
			delete(*d, t)
		}
	})
}

func deleteFile(t *testing.T, dir, name string) {
	require.NoError(t, os.Remove(filepath.Join(dir, name)))
}

// truncate cuts n bytes off a file's end.
func truncate(t *testing.T, dir, name string, n int) {
	path := filepath.Join(dir, name)
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, b[:len(b)-n], 0o644))
}

// fault is a way to spoil a scan, and the message. DIR stands for the folder
// that is read.
type fault struct {
	name   string
	slices int // 0 = 12
	layout encode.Layout
	syntax string
	change func(int, *element.Dataset)
	after  func(t *testing.T, dir string)
	o      Options
	want   string
}

// faults are the kinds of bad scans.
func faults() []fault {
	multi := encode.PlainMultiFrame
	return []fault{
		{name: "missing slice", after: func(t *testing.T, dir string) { deleteFile(t, dir, "IM0005.dcm") },
			want: "DIR: slice gap of 1.000 mm between DIR/IM0004.dcm and DIR/IM0006.dcm, expected 0.500 mm: a slice is missing; export the whole series again"},
		{name: "three missing slices", after: func(t *testing.T, dir string) {
			for _, n := range []string{"IM0005.dcm", "IM0006.dcm", "IM0007.dcm"} {
				deleteFile(t, dir, n)
			}
		}, slices: 15,
			want: "DIR: slice gap of 2.000 mm between DIR/IM0004.dcm and DIR/IM0008.dcm, expected 0.500 mm: 3 slices are missing; export the whole series again"},
		{name: "doubled slice", change: at(5, func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, `10\20\32`) }),
			want: "DIR: 1 slice lies at the same position as another, first DIR/IM0005.dcm and DIR/IM0006.dcm; the folder may hold two scans under one series, leave only one of them"},
		{name: "all slices at one position", change: set(tag.ImagePositionPatient, `10\20\30`),
			want: "DIR: all 12 slices lie at one position, so they are no volume; export the scan as an axial CT series"},
		{name: "uneven slices", change: at(5, func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, `10\20\32.65`) }),
			want: "DIR: the slices are not evenly spaced: DIR/IM0006.dcm lies 0.150 mm off its place at a distance of 0.500 mm between slices; export the scan with equal slice distances"},
		{name: "two distances between slices", slices: 14, change: func(k int, d *element.Dataset) {
			d.Set(tag.ImagePositionPatient, element.FormatDecimals(10, 20, 30+0.5*float64(k)+1*float64(max(0, k-8))))
		}, want: "DIR: slice gap of 1.500 mm between DIR/IM0009.dcm and DIR/IM0010.dcm, expected 0.500 mm: 2 slices are missing; export the whole series again"},
		{name: "two slices close together", change: at(5, func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, `10\20\32.1`) }),
			want: "DIR: the slices are not evenly spaced: DIR/IM0006.dcm lies 0.400 mm off its place at a distance of 0.500 mm between slices; export the scan with equal slice distances"},
		{name: "slice nearly at its neighbour", change: at(5, func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, `10\20\32.95`) }),
			want: "DIR: the slices are not evenly spaced: DIR/IM0006.dcm lies 0.450 mm off its place at a distance of 0.500 mm between slices; export the scan with equal slice distances"},
		{name: "one odd distance", slices: 14, change: func(k int, d *element.Dataset) {
			d.Set(tag.ImagePositionPatient, element.FormatDecimals(10, 20, 30+0.5*float64(k)+0.47*float64(min(1, max(0, k-8)))))
		}, want: "DIR: the slices are not evenly spaced: 0.970 mm between DIR/IM0009.dcm and DIR/IM0010.dcm, 0.500 mm between others; export the scan with equal slice distances"},
		{name: "two scans between each other", slices: 14, change: func(k int, d *element.Dataset) {
			d.Set(tag.ImagePositionPatient, element.FormatDecimals(10, 20, 30+0.25*float64(k)+0.05*float64(k%2)))
		}, want: "DIR: the slices lie 0.300 and 0.200 mm apart in turn, from DIR/IM0001.dcm on: two scans or two copies of one lie between each other; leave only the files of one of them in the folder"},
		{name: "slice turned a little", change: at(5, func(d *element.Dataset) { d.Set(tag.ImageOrientationPatient, `0.999998\0.002\0\-0.002\0.999998\0`) }),
			want: "DIR: the slices are not parallel: DIR/IM0006.dcm is turned by 0.105° against the others; export the whole series again"},
		{name: "mixed orientation", slices: 24, change: func(k int, d *element.Dataset) {
			if k >= 12 {
				d.Set(tag.ImageOrientationPatient, `0\1\0\0\0\1`)
			}
		}, want: "series SERIES holds two stacks of different size, place or orientation: 12 slices like DIR/IM0001.dcm and 12 slices like DIR/IM0013.dcm; leave only the files of one of them in the folder"},
		{name: "leaning farther than a gantry tilts", change: func(k int, d *element.Dataset) {
			d.Set(tag.ImagePositionPatient, element.FormatDecimals(10, 20+0.5*float64(k), 30+0.5*float64(k)))
		}, want: "DIR: the stack leans by 45.0° against its slices, from DIR/IM0001.dcm to DIR/IM0012.dcm, more than a gantry tilts; export the scan reformatted to an upright stack"},
		{name: "slices that slide farther from one to the next", change: func(k int, d *element.Dataset) {
			d.Set(tag.ImagePositionPatient, element.FormatDecimals(10, 20+0.02*float64(k*k), 30+0.5*float64(k)))
		}, want: "DIR: DIR/IM0001.dcm lies 0.367 mm sideways of the other slices; export the whole series again"},
		{name: "gantry tilt with one slice beside the others", change: func(k int, d *element.Dataset) {
			beside := 0.0
			if k == 5 {
				beside = 0.3
			}
			d.Set(tag.ImagePositionPatient, element.FormatDecimals(10+beside, 20+0.125*float64(k), 30+0.5*float64(k)))
		}, want: "DIR: DIR/IM0006.dcm lies 0.274 mm sideways of the other slices; export the whole series again"},
		{name: "slice shifted sideways", change: at(5, func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, `10.3\20\32.5`) }),
			want: "DIR: DIR/IM0006.dcm lies 0.275 mm sideways of the other slices; export the whole series again"},
		{name: "fewer than ten slices", slices: 9,
			want: "DIR: it has 9 slices, a volume needs 10 or more; export the whole series"},
		{name: "slices far apart", change: func(k int, d *element.Dataset) {
			d.Set(tag.ImagePositionPatient, element.FormatDecimals(10, 20, 60*float64(k)))
		}, want: "DIR: the slices lie 60 mm apart, expected no more than 50 mm; export the scan with narrow slices"},
		{name: "position far away", change: at(5, func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, `1e300\20\32.5`) }),
			want: "DIR/IM0006.dcm: ImagePositionPatient (0020,0032) is [1e+300 20 32.5] mm, expected no more than 100000 from the origin; export the scan again, as a CT series"},
		{name: "no position", change: remove(tag.ImagePositionPatient),
			want: "DIR: DIR/IM0001.dcm: it does not say where it lies in the patient (ImagePositionPatient (0020,0032) and ImageOrientationPatient (0020,0037)); export the scan again, as a CT series"},
		{name: "no orientation", change: remove(tag.ImageOrientationPatient),
			want: "DIR: DIR/IM0001.dcm: it does not say where it lies in the patient (ImagePositionPatient (0020,0032) and ImageOrientationPatient (0020,0037)); export the scan again, as a CT series"},
		{name: "one slice without position", change: at(5, func(d *element.Dataset) { delete(*d, tag.ImagePositionPatient) }),
			want: "DIR/IM0006.dcm: it does not say where it lies in the patient (ImagePositionPatient (0020,0032) and ImageOrientationPatient (0020,0037)); export the scan again, as a CT series"},
		{name: "position of two numbers", change: at(5, func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, `10\20`) }),
			want: `DIR/IM0006.dcm: ImagePositionPatient (0020,0032) is "10\\20", expected 3 numbers; export the scan again, as a CT series`},
		{name: "orientation not perpendicular", change: at(5, func(d *element.Dataset) { d.Set(tag.ImageOrientationPatient, `1\0\0\0.6\0.8\0`) }),
			want: "DIR/IM0006.dcm: ImageOrientationPatient (0020,0037) [1 0 0 0.6 0.8 0]: the directions of rows and columns are not perpendicular; export the scan again, as a CT series"},
		{name: "orientation of zeros", change: set(tag.ImageOrientationPatient, `0\0\0\0\0\0`),
			want: "DIR/IM0001.dcm: ImageOrientationPatient (0020,0037) [0 0 0 0 0 0]: the directions are not of length 1; export the scan again, as a CT series"},
		{name: "no pixel spacing", change: remove(tag.PixelSpacing),
			want: "DIR: DIR/IM0001.dcm has no pixel spacing (PixelSpacing (0028,0030)), so lengths cannot be measured; export the scan again, as a CT series"},
		{name: "pixel spacing empty", change: set(tag.PixelSpacing, ""),
			want: "DIR: DIR/IM0001.dcm has no pixel spacing (PixelSpacing (0028,0030)), so lengths cannot be measured; export the scan again, as a CT series"},
		{name: "pixel spacing with commas for both", change: set(tag.PixelSpacing, "0.66,0.66"),
			want: `DIR/IM0001.dcm: PixelSpacing (0028,0030) is "0.66,0.66", expected 2 numbers; export the scan again, as a CT series`},
		{name: "one pixel spacing", change: set(tag.PixelSpacing, "0.5"),
			want: `DIR/IM0001.dcm: PixelSpacing (0028,0030) is "0.5", expected 2 numbers; export the scan again, as a CT series`},
		{name: "pixel spacing not a number", change: set(tag.PixelSpacing, `NaN\NaN`),
			want: `DIR/IM0001.dcm: PixelSpacing (0028,0030) is "NaN\\NaN", expected 2 decimal numbers; export the scan again, as a CT series`},
		{name: "pixel spacing infinite", change: set(tag.PixelSpacing, `1e999\1e999`),
			want: `DIR/IM0001.dcm: PixelSpacing (0028,0030) is "1e999\\1e999", expected 2 decimal numbers; export the scan again, as a CT series`},
		{name: "pixel spacing zero", change: set(tag.PixelSpacing, `0\0`),
			want: "DIR/IM0001.dcm: PixelSpacing (0028,0030) is [0 0] mm, expected 0.001 to 50; export the scan again, as a CT series"},
		{name: "pixel spacing changes", change: at(5, func(d *element.Dataset) { d.Set(tag.PixelSpacing, `0.501\0.5`) }),
			want: "DIR: pixel spacing changes: 0.5 × 0.5 mm in DIR/IM0001.dcm, 0.5 × 0.501 mm in DIR/IM0006.dcm; export the whole series again"},
		{name: "rows missing", change: at(5, func(d *element.Dataset) { delete(*d, tag.Rows) }),
			want: "DIR/IM0006.dcm: Rows (0028,0010) is missing; export the scan again, as a CT series"},
		{name: "rows zero", change: at(5, func(d *element.Dataset) { d.Set(tag.Rows, []uint16{0}) }),
			want: "DIR/IM0006.dcm: Rows (0028,0010) is 0, expected 1 to 16384; export the scan again, as a CT series"},
		{name: "rows absurd", change: set(tag.Rows, []uint16{46341}),
			want: "DIR/IM0001.dcm: Rows (0028,0010) is 46341, expected 1 to 16384; export the scan again, as a CT series"},
		{name: "32 bits a voxel", change: set(tag.BitsAllocated, []uint16{32}),
			want: "DIR/IM0001.dcm: voxels of 32 bits are not read, expected BitsAllocated (0028,0100) 8 or 16; export the scan again, as a CT series"},
		{name: "more bits stored than allocated", change: set(tag.BitsStored, []uint16{17}),
			want: "DIR/IM0001.dcm: a voxel layout that does not exist: 16 bits allocated, 17 stored, high bit 15; export the scan again, as a CT series"},
		{name: "high bit below the stored bits", change: set(tag.HighBit, []uint16{7}),
			want: "DIR/IM0001.dcm: a voxel layout that does not exist: 16 bits allocated, 16 stored, high bit 7; export the scan again, as a CT series"},
		{name: "sign unknown", change: remove(tag.PixelRepresentation),
			want: "DIR/IM0001.dcm: PixelRepresentation (0028,0103) is missing; export the scan again, as a CT series"},
		{name: "sign mixed", change: at(5, func(d *element.Dataset) { d.Set(tag.PixelRepresentation, []uint16{1}) }),
			want: "DIR: signed and unsigned voxels are mixed: DIR/IM0001.dcm and DIR/IM0006.dcm; export the whole series again"},
		{name: "colour", change: every(func(d *element.Dataset) {
			d.Set(tag.SamplesPerPixel, []uint16{3})
			d.Set(tag.PhotometricInterpretation, "RGB")
		}), want: "DIR has no volume: DIR/IM0001.dcm is a colour picture; give the folder of the CT series"},
		{name: "magnetic resonance", change: set(tag.Modality, "MR"),
			want: "DIR has no volume: DIR/IM0001.dcm is magnetic resonance, not computed tomography; give the folder of the CT series"},
		{name: "slope zero", change: at(5, func(d *element.Dataset) { d.Set(tag.RescaleSlope, "0") }),
			want: "DIR/IM0006.dcm: RescaleSlope (0028,1053) is 0, so all grey values are lost; export the scan again, as a CT series"},
		{name: "slope absurd", change: at(5, func(d *element.Dataset) { d.Set(tag.RescaleSlope, "1e300") }),
			want: "DIR/IM0006.dcm: RescaleSlope (0028,1053) is 1e+300, expected 1e-09 to 1e+09; export the scan again, as a CT series"},
		{name: "intercept absurd", change: at(5, func(d *element.Dataset) { d.Set(tag.RescaleIntercept, "-1e300") }),
			want: "DIR/IM0006.dcm: RescaleIntercept (0028,1052) is -1e+300, expected no more than 1e+09; export the scan again, as a CT series"},
		{name: "slope in words", change: at(5, func(d *element.Dataset) { d.Set(tag.RescaleSlope, "one") }),
			want: `DIR/IM0006.dcm: RescaleSlope (0028,1053) is text, expected 1 decimal number; export the scan again, as a CT series`},
		{name: "grey values by a table", change: every(func(d *element.Dataset) {
			delete(*d, tag.RescaleSlope)
			d.Set(tag.ModalityLUTSequence, []element.Dataset{{tag.LUTDescriptor: {VR: "US", Value: []byte{1, 0, 0, 0, 16, 0}}}})
		}), want: "DIR/IM0001.dcm: its grey values go through a table (ModalityLUTSequence (0028,3000)), which is not read; export the scan again, as a CT series"},
		{name: "padding differs", change: func(k int, d *element.Dataset) { d.Set(tag.PixelPaddingValue, []uint16{uint16(k / 6)}) },
			want: "DIR/IM0001.dcm and DIR/IM0007.dcm name different padding values (PixelPaddingValue (0028,0120)); export the whole series again"},
		{name: "pixels cut by one byte", after: func(t *testing.T, dir string) { truncate(t, dir, "IM0006.dcm", 1) },
			want: "DIR/IM0006.dcm: the file is cut short: 59 of 60 bytes of pixels are there; export the scan again, as a CT series"},
		{name: "pixels cut by half", after: func(t *testing.T, dir string) { truncate(t, dir, "IM0006.dcm", 30) },
			want: "DIR/IM0006.dcm: the file is cut short: 30 of 60 bytes of pixels are there; export the scan again, as a CT series"},
		{name: "cut before the pixels", after: func(t *testing.T, dir string) { truncate(t, dir, "IM0006.dcm", 72) },
			want: "DIR/IM0006.dcm: the file is cut short: it has no pixels; export the scan again, as a CT series"},
		{name: "cut in the header", after: func(t *testing.T, dir string) { truncate(t, dir, "IM0006.dcm", 73) },
			want: "DIR/IM0006.dcm: the file is cut short: element (0028,1054) claims 2 bytes, 1 are left; export the scan again, as a CT series"},
		{name: "too few pixels", change: at(5, func(d *element.Dataset) { d.SetVR(tag.PixelData, "OW", make([]uint16, 29)) }),
			want: "DIR/IM0006.dcm: it has 58 bytes of pixels, expected 60 for 6 × 5 voxels in 1 frame; export the scan again, as a CT series"},
		{name: "frames without pixels", layout: multi, change: set(tag.NumberOfFrames, "13"),
			want: "DIR/IM0001.dcm: it has 720 bytes of pixels, expected 780 for 6 × 5 voxels in 13 frames; export the scan again, as a CT series"},
		{name: "no frames", layout: multi, change: set(tag.NumberOfFrames, "0"),
			want: "DIR/IM0001.dcm: NumberOfFrames (0028,0008) is 0, expected 1 to 16384; export the scan again, as a CT series"},
		{name: "absurd frames", layout: multi, change: set(tag.NumberOfFrames, "2147483647"),
			want: "DIR/IM0001.dcm: NumberOfFrames (0028,0008) is 2147483647, expected 1 to 16384; export the scan again, as a CT series"},
		{name: "groups for other frames", layout: encode.EnhancedCT, change: set(tag.NumberOfFrames, "11"),
			want: "DIR/IM0001.dcm: NumberOfFrames (0028,0008) is 11, but there are functional groups for 12 frames; export the scan again, as a CT series"},
		{name: "groups with a position for some frames", layout: encode.EnhancedCT, change: every(func(d *element.Dataset) {
			own := (*d)[tag.PerFrameFunctionalGroupsSequence].Items
			delete(own[4], tag.PlanePositionSequence)
		}), want: "DIR/IM0001.dcm: only some of its frames have a position (PlanePositionSequence (0020,9113)), frame 5 and frame 1 differ; export the scan again, as a CT series"},
		{name: "distance of frames absurd", layout: multi, o: Options{SliceSpacing: 1000},
			want: "slice spacing is 1000 mm, expected 0.001 to 50, or negative where the frames run against the normal"},
		{name: "distance of frames not a number", layout: multi, o: Options{SliceSpacing: math.NaN()},
			want: "slice spacing is NaN mm, expected 0.001 to 50, or negative where the frames run against the normal"},
		{name: "multi-frame without a distance", layout: multi, change: remove(tag.SpacingBetweenSlices, tag.SliceThickness),
			want: "DIR: DIR/IM0001.dcm does not say how far apart its frames lie; say it with a slice spacing in mm (negative where the frames run against the normal), or export one file a slice"},
		{name: "multi-frame without a position", layout: multi, change: remove(tag.ImagePositionPatient),
			want: "DIR: DIR/IM0001.dcm does not say where it lies in the patient; give the distance between its frames with a slice spacing in mm to place it at the origin, or export one file a slice"},
		{name: "multi-frame in time", layout: multi, change: every(func(d *element.Dataset) {
			delete(*d, tag.SpacingBetweenSlices)
			d.Set(tag.FrameIncrementPointer, []uint16{tag.FrameTime.Group, tag.FrameTime.Element})
		}), want: "DIR: the frames of DIR/IM0001.dcm follow each other in time, not in space; choose the CT series"},
		{name: "an odd number of bytes in words", syntax: "1.2.840.10008.1.2.2", change: every(func(d *element.Dataset) {
			d.Set(tag.BitsAllocated, []uint16{8})
			d.Set(tag.BitsStored, []uint16{8})
			d.Set(tag.HighBit, []uint16{7})
			d.Set(tag.Columns, []uint16{5})
		}), want: "DIR/IM0001.dcm: it has an odd number of 8-bit voxels in big-endian words, which is not read; export the scan again, as a CT series"},
		{name: "unread compression", syntax: "1.2.840.10008.1.2.4.53", change: every(func(d *element.Dataset) {
			d.SetVR(tag.PixelData, "OB", element.Fragments{Parts: [][]byte{{1, 2}}})
		}), want: "DIR/IM0001.dcm: its pixels are compressed in a way that is not read here (JPEG Spectral Selection, Non-Hierarchical (Process 6 and 8), 1.2.840.10008.1.2.4.53); export the scan again as uncompressed DICOM (Explicit VR Little Endian) or with JPEG Lossless"},
		{name: "compression of a maker's own", syntax: "1.2.3.4", change: every(func(d *element.Dataset) {
			d.SetVR(tag.PixelData, "OB", element.Fragments{Parts: [][]byte{{1, 2}}})
		}), want: `DIR/IM0001.dcm: its pixels are compressed in a way that is not read here (transfer syntax "1.2.3.4", 1.2.3.4); export the scan again as uncompressed DICOM (Explicit VR Little Endian) or with JPEG Lossless`},
		{name: "uncompressed in fragments", change: at(5, func(d *element.Dataset) {
			d.SetVR(tag.PixelData, "OW", element.Fragments{Parts: [][]byte{make([]byte, 60)}})
		}), want: "DIR/IM0006.dcm: the pixels are said to be uncompressed (Explicit VR Little Endian) but are in fragments; export the scan again, as a CT series"},
		{name: "compressed without fragments", syntax: "1.2.840.10008.1.2.4.70",
			want: "DIR/IM0001.dcm: the pixels are said to be compressed (JPEG Lossless, Non-Hierarchical, First-Order Prediction (Process 14 [Selection Value 1])) but are not in fragments; export the scan again, as a CT series"},
		{name: "two patients", change: at(5, func(d *element.Dataset) { d.Set(tag.PatientID, "another") }),
			want: "DIR/IM0001.dcm and DIR/IM0006.dcm carry one series UID but belong to different patients; leave only the files of one patient in the folder"},
		{name: "no such series", o: Options{SeriesUID: "1.2.3"},
			want: "DIR has no series 1.2.3; it has:\n  SERIES: 12 slices of 6 × 5 voxels of 0.5 × 0.5 mm, CT (first DIR/IM0001.dcm)"},
		{name: "memory budget", o: Options{MemoryBudget: 700},
			want: "DIR/IM0001.dcm: the volume of 6 × 5 × 12 voxels needs 720 bytes, more than the 700 bytes that are allowed; crop the scan to the jaw and export it again"},
	}
}

// TestFaults shows the message of each kind of bad input.
func TestFaults(t *testing.T) {
	for _, c := range faults() {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			if c.slices == 0 {
				c.slices = 12
			}
			require.NoError(t, encode.Volume(dir, axial(c.slices), encode.Options{
				Layout: c.layout, Syntax: c.syntax, Change: c.change, SeriesUID: "1.2.840.99",
			}))
			if c.after != nil {
				c.after(t, dir)
			}
			_, err := Open(dir, c.o)
			require.Error(t, err)
			got := strings.ReplaceAll(err.Error(), dir, "DIR")
			got = strings.ReplaceAll(got, "1.2.840.99", "SERIES")
			assert.Equal(t, c.want, filepath.ToSlash(got))
		})
	}
}

// folder is what may lie at a path, and the message.
type folder struct {
	name string
	make func(t *testing.T, dir string)
	path string
	want string
}

func folders() []folder {
	write := func(t *testing.T, dir string, o encode.Options) {
		require.NoError(t, encode.Volume(dir, axial(12), o))
	}
	return []folder{
		{name: "nothing there", path: "no", make: func(*testing.T, string) {}, want: "DIR/no does not exist; name the folder or the file that holds the scan"},
		{name: "empty folder", make: func(*testing.T, string) {}, want: "DIR is empty; export the scan into it, or name the folder that holds it"},
		{name: "no DICOM", make: func(t *testing.T, dir string) { put(t, dir, "a.txt", []byte("text")) },
			want: "DIR has no DICOM files among its 1 file"},
		{name: "no DICOM file", path: "a.txt", make: func(t *testing.T, dir string) { put(t, dir, "a.txt", []byte("text")) },
			want: "DIR/a.txt is not a DICOM file; give the folder of the scan"},
		{name: "empty file", make: func(t *testing.T, dir string) { put(t, dir, "IM1", nil) },
			want: "DIR/IM1: the file is empty; export the scan again"},
		{name: "not what its name says", make: func(t *testing.T, dir string) { put(t, dir, "IM1.dcm", []byte("text")) },
			want: "DIR/IM1.dcm: not a DICOM file; export the scan again"},
		{name: "several archives", make: func(t *testing.T, dir string) {
			put(t, dir, "a.zip", []byte("PK\x03\x04"))
			put(t, dir, "b.zip", []byte("PK\x03\x04"))
		}, want: "DIR has 2 zip archives and no DICOM files beside them, such as DIR/a.zip; give the one with the scan, or unpack it"},
		{name: "damaged archive", path: "scan.zip", make: func(t *testing.T, dir string) { put(t, dir, "scan.zip", []byte("PK\x03\x04")) },
			want: "DIR/scan.zip is a damaged zip archive (zip: not a valid zip file); copy it again, or unpack it and give the folder"},
		{name: "one file of many", path: "IM0003.dcm", make: func(t *testing.T, dir string) { write(t, dir, encode.Options{}) },
			want: "DIR/IM0003.dcm: it has 1 slice, a volume needs 10 or more; give the folder that holds all its files"},
		{name: "two series", make: func(t *testing.T, dir string) {
			write(t, filepath.Join(dir, "a"), encode.Options{SeriesUID: "1.2.3", StudyDate: "2025-01-02"})
			write(t, filepath.Join(dir, "b"), encode.Options{SeriesUID: "1.2.4", StudyDate: "2025-06-07"})
		}, want: "DIR holds 2 series that may be the scan; choose one with its Series Instance UID:\n" +
			"  1.2.3: 12 slices of 6 × 5 voxels of 0.5 × 0.5 mm, CT, 2025-01-02 (first DIR/a/IM0001.dcm)\n" +
			"  1.2.4: 12 slices of 6 × 5 voxels of 0.5 × 0.5 mm, CT, 2025-06-07 (first DIR/b/IM0001.dcm)"},
		{name: "only short series", make: func(t *testing.T, dir string) {
			require.NoError(t, encode.Volume(dir, axial(2), encode.Options{SeriesUID: "1.2.3"}))
			require.NoError(t, encode.Volume(filepath.Join(dir, "b"), axial(3), encode.Options{SeriesUID: "1.2.4"}))
		}, want: "DIR has no series of 10 or more slices with a place in the patient; it has:\n" +
			"  1.2.3: 2 slices of 6 × 5 voxels of 0.5 × 0.5 mm, CT (first DIR/IM0001.dcm)\n" +
			"  1.2.4: 3 slices of 6 × 5 voxels of 0.5 × 0.5 mm, CT (first DIR/b/IM0001.dcm)"},
		{name: "the same series twice, not the same voxels", make: func(t *testing.T, dir string) {
			write(t, filepath.Join(dir, "a"), encode.Options{SeriesUID: "1.2.3"})
			write(t, filepath.Join(dir, "b"), encode.Options{SeriesUID: "1.2.3", Change: at(11, func(d *element.Dataset) {
				(*d)[tag.PixelData].Value[2*29]++
			})})
		}, want: "DIR: 1 slice lies at the same position as another, first DIR/a/IM0012.dcm and DIR/b/IM0012.dcm; the folder may hold two scans under one series, leave only one of them"},
		{name: "only an index", make: func(t *testing.T, dir string) { put(t, dir, "DICOMDIR", directory(t, `A\B`)) },
			want: "DIR has only an index (DIR/DICOMDIR), none of the files it names; give the folder or disc that holds them"},
		{name: "only a report", make: func(t *testing.T, dir string) {
			d := element.Dataset{}
			d.Set(tag.SOPClassUID, "1.2.840.10008.5.1.4.1.1.88.67")
			d.Set(tag.Modality, "SR")
			b, err := element.Encode("1.2.840.10008.1.2.1", d)
			require.NoError(t, err)
			put(t, dir, "dose", b)
		}, want: "DIR has no images: 1 report or other file in DICOM form, such as DIR/dose"},
	}
}

// TestFolders shows the messages about what lies in a folder.
func TestFolders(t *testing.T) {
	for _, c := range folders() {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			c.make(t, dir)
			_, err := Open(filepath.Join(dir, c.path), Options{})
			require.Error(t, err)
			assert.Equal(t, c.want, filepath.ToSlash(strings.ReplaceAll(err.Error(), dir, "DIR")))
		})
	}
}

// directory is a DICOMDIR that names files.
func directory(t *testing.T, names ...string) []byte {
	var records []element.Dataset
	for _, n := range names {
		var r element.Dataset
		r.Set(tag.DirectoryRecordType, "IMAGE")
		r.Set(tag.ReferencedFileID, n)
		records = append(records, r)
	}
	d := element.Dataset{}
	d.Set(tag.SOPClassUID, mediaDirectory)
	d.Set(tag.DirectoryRecordSequence, records)
	b, err := element.Encode("1.2.840.10008.1.2.1", d)
	require.NoError(t, err)
	return b
}

// TestOddities reads volumes that are right although something is odd, and
// shows the remark.
func TestOddities(t *testing.T) {
	multi := encode.PlainMultiFrame
	for _, c := range []struct {
		name   string
		layout encode.Layout
		change func(int, *element.Dataset)
		after  func(t *testing.T, dir string)
		o      Options
		level  measurement.Level
		code   string
		want   string
	}{
		{name: "decimal commas", change: set(tag.PixelSpacing, `0,5\0,5`), level: measurement.Notice, code: "odd-number",
			want: "PixelSpacing (0028,0030) is written with decimal commas and was read as [0.5 0.5], first in DIR/IM0001.dcm"},
		{name: "no slope", change: remove(tag.RescaleSlope), level: measurement.Notice, code: "rescale-missing",
			want: "12 slices without a complete rescale, such as DIR/IM0001.dcm: slope 1 and intercept 0 were taken for what is missing"},
		{name: "surplus pixels", change: every(func(d *element.Dataset) {
			d.SetVR(tag.PixelData, "OW", append((*d)[tag.PixelData].Value, make([]byte, 60)...))
		}), level: measurement.Notice, code: "surplus-bytes",
			want: "12 slices have more bytes of pixels than voxels, such as DIR/IM0001.dcm: those after the last voxel were left out"},
		{name: "lossy", change: set(tag.LossyImageCompression, "01"), level: measurement.Notice, code: "lossy-compression",
			want: "12 slices of the scan went through lossy compression (Explicit VR Little Endian), which blurs or displaces fine edges; an uncompressed export is better"},
		{name: "not marked CT", change: set(tag.Modality, "OT"), level: measurement.Notice, code: "not-marked-ct",
			want: `the scan is marked "OT", not CT; it was read as computed tomography`},
		{name: "distance of frames stated", layout: multi, level: measurement.Doubt, code: "slice-direction-assumed",
			want: "DIR/IM0001.dcm has one position for all its frames: their distance was taken from SpacingBetweenSlices (0018,0088) and their direction was assumed; compare left and right, up and down with another viewer, then give that distance in mm"},
		{name: "distance of frames from thickness", layout: multi, change: remove(tag.SpacingBetweenSlices), level: measurement.Doubt, code: "slice-direction-assumed",
			want: "DIR/IM0001.dcm has one position for all its frames: their distance was taken from SliceThickness (0018,0050), which may differ from the distance between slices and their direction was assumed; compare left and right, up and down with another viewer, then give that distance in mm"},
		{name: "distance of frames given", layout: multi, o: Options{SliceSpacing: 0.5}, level: measurement.Notice, code: "slice-spacing-given",
			want: "DIR/IM0001.dcm does not say where its frames lie: they were placed 0.5 mm apart, as asked"},
		{name: "distance of frames given in vain", o: Options{SliceSpacing: 0.7}, level: measurement.Notice, code: "slice-spacing-unused",
			want: "the distance between slices was not taken as asked: the files say where each slice lies"},
		{name: "the series twice, exported anew", after: func(t *testing.T, dir string) {
			require.NoError(t, encode.Volume(filepath.Join(dir, "again"), axial(12), encode.Options{SeriesUID: "1.2.840.99", Syntax: "1.2.840.10008.1.2.1.99",
				Change: set(tag.WindowCenter, "5")}))
		}, level: measurement.Notice, code: "doubled-slices",
			want: "12 slices lie at the position of another with the same voxels, such as DIR/IM0001.dcm and DIR/again/IM0001.dcm: one of each was used"},
		{name: "two scans half a distance apart, by their numbers", change: func(k int, d *element.Dataset) { d.Set(tag.InstanceNumber, fmt.Sprint(k/2+1)) },
			level: measurement.Doubt, code: "scans-interleaved",
			want: "two scans seem to lie between each other, slice by slice, from DIR/IM0001.dcm and DIR/IM0002.dcm on: their numbers (InstanceNumber (0020,0013)) run through the volume twice; leave only the files of one of them in the folder"},
		{name: "two scans half a distance apart, by their acquisition", change: func(k int, d *element.Dataset) { d.Set(tag.AcquisitionNumber, fmt.Sprint(k%2+1)) },
			level: measurement.Doubt, code: "scans-interleaved",
			want: "two scans seem to lie between each other, slice by slice, from DIR/IM0001.dcm and DIR/IM0002.dcm on: their acquisition numbers (AcquisitionNumber (0020,0012)) alternate; leave only the files of one of them in the folder"},
		{name: "groups twice", layout: encode.EnhancedCT, change: every(func(d *element.Dataset) {
			own := (*d)[tag.PerFrameFunctionalGroupsSequence].Items
			shared := (*d)[tag.SharedFunctionalGroupsSequence].Items
			for i := range own {
				own[i][tag.PlaneOrientationSequence] = shared[0][tag.PlaneOrientationSequence]
			}
		}), level: measurement.Notice, code: "odd-number",
			want: "PlaneOrientationSequence (0020,9116) stands both for all frames and for each; each frame's own was used, first in DIR/IM0001.dcm"},
		{name: "scout, report and picture beside", after: func(t *testing.T, dir string) {
			scout := func(name string, f func(d *element.Dataset)) {
				require.NoError(t, encode.Volume(dir, axial(1), encode.Options{
					SeriesUID: "1.2.840.99", Name: func(int) string { return name },
					Change: every(func(d *element.Dataset) { d.Set(tag.SOPInstanceUID, "1.2.3"); f(d) }),
				}))
			}
			scout("scout", func(d *element.Dataset) { d.Set(tag.ImageType, `ORIGINAL\PRIMARY\LOCALIZER`) })
			scout("side", func(d *element.Dataset) { d.Set(tag.ImageOrientationPatient, `0\1\0\0\0\-1`) })
			scout("picture", func(d *element.Dataset) { d.Set(tag.SamplesPerPixel, []uint16{3}) })
		}, level: measurement.Notice, code: "left-out",
			want: "not part of the volume: DIR/picture is a colour picture; DIR/scout is a scout image; 1 slice of another size, place or orientation, such as DIR/side"},
		{name: "a slice of another size beside", after: func(t *testing.T, dir string) {
			require.NoError(t, encode.Volume(dir, oblique(4096), encode.Options{SeriesUID: "1.2.840.99", Name: func(k int) string { return "other" }}))
		}, level: measurement.Notice, code: "left-out",
			want: "not part of the volume: 1 slice of another size, place or orientation, such as DIR/other"},
		{name: "a file twice", after: func(t *testing.T, dir string) {
			b, err := os.ReadFile(filepath.Join(dir, "IM0003.dcm"))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, "copy"), b, 0o644))
		}, level: measurement.Notice, code: "left-out", want: "not part of the volume: DIR/copy is a copy of DIR/IM0003.dcm"},
		{name: "a damaged file beside", after: func(t *testing.T, dir string) {
			b, err := os.ReadFile(filepath.Join(dir, "IM0003.dcm"))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, "stub"), b[:300], 0o644))
		}, level: measurement.Notice, code: "unreadable-file"},
		{name: "index names a missing file", after: func(t *testing.T, dir string) {
			require.NoError(t, os.WriteFile(filepath.Join(dir, "DICOMDIR"), directory(t, "im0001", `A\GONE`, `..\OUT`, `C:\X`), 0o644))
		}, level: measurement.Notice, code: "index-mismatch",
			want: "the disc's index (DICOMDIR) does not fit its files: DIR/DICOMDIR names 1 file that is not there, first A/GONE; DIR/DICOMDIR names 2 files outside its folder, which were not followed"},
		{name: "padding above metal", change: set(tag.PixelPaddingValue, []uint16{359 * 7}), level: measurement.Doubt, code: "padding-at-top",
			want: "the scan names its highest grey values as padding (PixelPaddingValue (0028,0120)), so metal may be missing from it; export it again from another program, if you can"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			v := axial(12)
			require.NoError(t, encode.Volume(dir, v, encode.Options{Layout: c.layout, Change: c.change, SeriesUID: "1.2.840.99"}))
			if c.after != nil {
				c.after(t, dir)
			}
			got, err := Open(dir, c.o)
			require.NoError(t, err)
			assert.Equal(t, v.Size, got.Size)
			assert.Less(t, r3.Norm(r3.Sub(v.Patient(5, 4, 11), got.Patient(5, 4, 11))), 1e-9)
			assert.True(t, bytes.Equal(bytesOf(v.Stored), bytesOf(got.Stored)))
			var found *measurement.Flag
			for i, f := range got.Flags {
				if f.Code == c.code {
					found = &got.Flags[i]
				}
			}
			require.NotNil(t, found, "flags %v", got.Flags)
			assert.Equal(t, c.level, found.Level)
			if c.want != "" {
				assert.Equal(t, c.want, filepath.ToSlash(strings.ReplaceAll(found.Message, dir, "DIR")))
			}
		})
	}
}
