// Package scanpair finds the one or two scans of a case in its folder, and decides of
// two by their dates and by the metal in them which one is from before the surgery.
//
// Conventions: volumes of metal are mm³. Start with Look and Order.
//
// Limits: how bright metal is differs from machine to machine, so a volume of
// metal is good for comparing two scans and for nothing else.
package scanpair

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/volume"
)

// Found is a scan in a case folder.
type Found struct {
	Name  string  // inside the folder
	Date  string  // on which it was taken, ISO; "" where the scan does not say
	Metal float64 // volume of metal, mm³
	Grid  volume.Grid
	Who   scan.Identity
}

// maxEntries bounds the files and folders of a case folder, which has a handful.
const maxEntries = 200

// ErrNeither says that a folder holds neither one scan nor two.
var ErrNeither = errors.New("the folder does not hold one scan or two")

// Look finds the scans in a folder, one or two: a folder, a zip archive or a
// multi-frame file each. The order is that of their names. other says, a sentence each,
// what else lies there that may have been meant as a scan.
//
// Errors: ErrNeither, with what was found; or what the file system said.
func Look(folder string) (found []Found, other []string, err error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, nil, fmt.Errorf("look into %s: %w", folder, err)
	}
	if len(entries) > maxEntries {
		return nil, nil, fmt.Errorf("%w but %d files; put each scan into a folder of its own", ErrNeither, len(entries))
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") || !e.IsDir() && !mayBeScan(e.Name()) {
			continue
		}
		f, err := Open(filepath.Join(folder, e.Name()))
		if err != nil {
			other = append(other, err.Error())
			continue
		}
		f.Name = e.Name()
		if found = append(found, f); len(found) > 2 {
			return nil, nil, fmt.Errorf("%w: there are more than two", ErrNeither)
		}
	}
	if len(found) == 0 {
		names := "none was found"
		if len(other) > 0 {
			names += "; " + other[0]
		}
		return nil, nil, fmt.Errorf("%w: %s", ErrNeither, names)
	}
	return found, other, nil
}

// Open is the scan at a path, which is its name too.
//
// Errors: those of scan.Open.
func Open(path string) (Found, error) {
	s, err := scan.Open(path, scan.Options{})
	if err != nil {
		return Found{}, err
	}
	return Found{Name: path, Date: s.Taken, Metal: metalVolume(&s.Volume), Grid: s.Grid, Who: s.Identity}, nil
}

// fewestSlices is the number of DICOM files from which a folder of them is a scan by
// itself: up to two may be the multi-frame files of a case.
const fewestSlices = 3

// IsScan reports whether a path is a scan rather than a case folder with scans in it: a
// folder of slices, a zip archive or a DICOM file.
func IsScan(path string) bool {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return element.FilesIn(path, fewestSlices) == fewestSlices
	}
	return strings.EqualFold(filepath.Ext(path), ".zip") || element.IsFile(path)
}

// mayBeScan reports whether a file of this name is worth opening.
func mayBeScan(name string) bool {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".zip", ".dcm", ".dic", ".ima", "":
		return true
	}
	return false
}

const (
	// metalSamples is how many voxels the metal threshold and volume are taken from,
	// evenly over the scan.
	metalSamples = 200_000
	// minMetalGain is how much more metal the follow-up scan must show, mm³. The
	// smallest fixture sold, 3 mm by 6 mm, has 40.
	minMetalGain = 20.0
)

// metalVolume is the volume, mm³, of the voxels at or above the metal threshold.
func metalVolume(v *volume.Volume) float64 {
	total := v.Size[0] * v.Size[1] * v.Size[2]
	greys := make([]float64, 0, metalSamples+1)
	step := max(1, total/metalSamples) | 1 // odd, so that it does not walk down a column
	plane := v.Size[0] * v.Size[1]
	for i := 0; i < total; i += step {
		k := i / plane
		if w := v.Stored[i]; !v.Padded(w) {
			greys = append(greys, v.Slope[k]*float64(w)+v.Intercept[k])
		}
	}
	if len(greys) == 0 {
		return 0
	}
	slices.Sort(greys)
	rule := volume.VoxelMetal
	median, dense := greys[len(greys)/2], greys[len(greys)*rule.DensePercentile/100]
	limit := rule.Threshold(median, dense)
	first, _ := slices.BinarySearch(greys, limit)
	s := v.Spacing()
	return float64(len(greys)-first) * float64(step) * s[0] * s[1] * s[2]
}

// Order decides which of two scans is the planning scan, with the reason in words.
// ok is false where neither dates nor metal decide, or where they contradict each
// other; the scans then stay in their order.
func Order(a, b Found) (pre, post Found, why string, ok bool) {
	byDate, byMetal := 0, 0
	if a.Date != "" && b.Date != "" {
		byDate = strings.Compare(b.Date, a.Date)
	}
	switch {
	case b.Metal-a.Metal > minMetalGain:
		byMetal = 1
	case a.Metal-b.Metal > minMetalGain:
		byMetal = -1
	}
	pre, post = a, b
	if byDate < 0 || byDate == 0 && byMetal < 0 {
		pre, post = b, a
	}
	amounts := fmt.Sprintf("%s shows some %.0f mm³ of metal, %s %.0f mm³", pre.Name, pre.Metal, post.Name, post.Metal)
	dates := fmt.Sprintf("%s is of %s, %s of %s", pre.Name, pre.Date, post.Name, post.Date)
	switch {
	case byDate == 0 && byMetal == 0:
		return a, b, "neither the dates nor the metal in them tell which scan is which", false
	case byDate != 0 && byMetal == -byDate:
		return pre, post, "by their dates " + dates + ", but " + amounts, false
	case byDate == 0:
		return pre, post, amounts, true
	case byMetal == 0:
		return pre, post, dates, true
	}
	return pre, post, dates + ", and " + amounts, true
}
