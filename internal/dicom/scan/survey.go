package scan

import (
	"bufio"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"sync/atomic"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/measurement"
)

// survey is what was found at a path, before any voxel is read.
type survey struct {
	path   string
	source *source
	images []*image // files with pixels, or that should have some, by name
	groups []*series

	others   []string // files that are not DICOM
	archives []string // zip archives that were not looked into
	reports  []string // DICOM files without an image
	indexes  []*index // DICOMDIRs
	damaged  []*image // files that cannot be read and name no series
	problems []string // what an index names and is not there, and the like
}

// series is the images under one Series Instance UID.
type series struct {
	uid    string
	images []*image
	stacks []*stack // largest first
	fault  *image   // first one that should belong to the volume and cannot be used
}

// index is a DICOMDIR's list of files, as paths of name parts.
type index struct {
	file  *file
	parts [][]string
}

// mediaDirectory is the SOP class of a DICOMDIR (PS3.4 I.4).
const mediaDirectory = "1.2.840.10008.1.3.10"

// surveyPath reads the headers of all files at path.
func surveyPath(path string) (*survey, error) {
	src, err := openSource(path)
	if err != nil {
		return nil, err
	}
	return surveySource(path, src)
}

// surveySource reads the headers of all files of a source, which it closes when it
// fails.
func surveySource(path string, src *source) (s *survey, err error) {
	s = &survey{path: path, source: src}
	defer func() {
		if err != nil {
			src.close()
		}
	}()
	slices.SortFunc(src.files, func(a, b *file) int { return strings.Compare(a.name, b.name) })
	all := make([]fileContent, len(src.files))
	var total, unpacked atomic.Int64
	err = parallel(len(all), func(i int) error {
		all[i] = readAttributes(src.files[i])
		if total.Add(all[i].parts()) > maxParts {
			return fmt.Errorf("%s holds more than %d slices; give the folder of the scan itself", path, maxParts)
		}
		if unpacked.Add(all[i].unpacked) > maxUnpacked {
			return fmt.Errorf("%s holds more than %s before the pixels of its files; unpack it and give the folder of the scan itself", path, bytesText(maxUnpacked))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if src.single && all[0].index != nil {
		return surveyPath(filepath.Dir(path)) // a DICOMDIR given by itself stands for its folder
	}
	var archives []*file
	for i, r := range all {
		f := src.files[i]
		switch {
		case r.index != nil:
			s.indexes = append(s.indexes, r.index)
		case errors.Is(r.err, element.ErrArchive):
			archives = append(archives, f)
		case errors.Is(r.err, element.ErrNotDICOM):
			if why := meantAsSlice(f); why != nil {
				s.damaged = append(s.damaged, &image{file: f, findings: findings{fault: why}})
			} else {
				s.others = append(s.others, f.name)
			}
		case r.image == nil:
			s.reports = append(s.reports, f.name)
		case r.image.series == "" && r.err != nil:
			s.damaged = append(s.damaged, r.image)
		default:
			s.images = append(s.images, r.image)
		}
	}
	if len(archives) == 1 && len(s.images)+len(s.damaged) == 0 && archives[0].random != nil {
		inner, err := openZip(archives[0])
		if err != nil {
			return nil, err
		}
		inner.close = closeBoth(inner, src)
		return surveySource(archives[0].name, inner)
	}
	for _, f := range archives {
		src.skip("%s is an archive", f.name)
		s.archives = append(s.archives, f.name)
	}
	s.checkIndexes()
	return s, s.groupSeries()
}

// closeBoth closes a source that was found in another one, and that one.
func closeBoth(inner, outer *source) func() error {
	first, second := inner.close, outer.close
	return func() error { return errors.Join(first(), second()) }
}

// maxUnpacked bounds what comes before the pixels in all zipped and deflated files
// together, bytes: some seconds of unpacking. Headers of scans are a few thousand
// bytes each.
var maxUnpacked int64 = 2 << 30

// maxParts bounds the frames and index entries of all files together.
const maxParts = 200_000

// meantAsSlice is the fault of a file without DICOM in it whose name is that of a
// slice, so that it is missed from the volume. It is nil for other files.
func meantAsSlice(f *file) error {
	ext := strings.ToLower(filepath.Ext(f.name))
	named := ext == ".dcm" || ext == ".dic" || ext == ".ima"
	switch {
	case f.size == 0 && (named || ext == ""):
		return errEmpty
	case named:
		return element.ErrNotDICOM
	}
	return nil
}

var errEmpty = errors.New("the file is empty")

// fileContent is what one file turned out to be.
type fileContent struct {
	image    *image // nil when it holds none
	index    *index
	err      error
	unpacked int64 // bytes that were unpacked for it
}

// parts counts what is kept of a file.
func (r fileContent) parts() int64 {
	switch {
	case r.index != nil:
		return int64(len(r.index.parts))
	case r.image != nil:
		return int64(len(r.image.frames))
	}
	return 0
}

// readAttributes reads what comes before one file's pixels.
func readAttributes(f *file) (r fileContent) {
	var h *element.File
	r.err = guard(func() error {
		in, err := f.stream()
		if err != nil {
			return err
		}
		defer in.Close()
		h, err = element.Read(in, f.size, scanAttributes)
		if err != nil {
			return err
		}
		if h.Data.Text(tag.MediaStorageSOPClassUID) == mediaDirectory {
			r.index = newIndex(f, h.Data)
			return nil
		}
		r.image = newImage(f, h)
		return nil
	})
	if r.err != nil && !errors.Is(r.err, element.ErrNotDICOM) && !errors.Is(r.err, element.ErrArchive) {
		r.image = &image{file: f, findings: findings{fault: r.err}}
		if h != nil {
			r.image.series = h.Data.Identifier(tag.SeriesInstanceUID)
		}
	}
	if h != nil {
		r.unpacked = h.Unpacked
	}
	return r
}

// groupSeries sorts the images into series and each series into stacks.
func (s *survey) groupSeries() error {
	byUID := map[string]*series{}
	for _, g := range s.images {
		if byUID[g.series] == nil {
			byUID[g.series] = &series{uid: g.series}
			s.groups = append(s.groups, byUID[g.series])
		}
		byUID[g.series].images = append(byUID[g.series].images, g)
	}
	for _, group := range s.groups {
		if err := group.dropCopies(); err != nil {
			return err
		}
		group.stacks = splitIntoStacks(group.images)
		group.findFault()
	}
	return nil
}

// findFault finds the first image that may be a slice of the series' volume and
// cannot be used as one: it is of the size of the others, or of an unknown size.
func (s *series) findFault() {
	for _, g := range s.images {
		if m := s.largestStack(); m != nil && g.aside == "" {
			first := m.slices[0]
			if g.layout.rows != 0 && g.layout.cols != 0 && (g.layout.rows != first.layout.rows || g.layout.cols != first.layout.cols) {
				continue
			}
			if g.fault == nil && first.placed && first.oriented && !(g.frames[0].placed && g.frames[0].oriented) {
				g.fault = errNoPlace
			}
		}
		if g.fault != nil && g.aside == "" {
			s.fault = g
			return
		}
	}
}

var errNoPlace = errors.New("it does not say where it lies in the patient (ImagePositionPatient (0020,0032) and ImageOrientationPatient (0020,0037))")

// dropCopies puts aside files that are byte for byte copies of another one with
// the same SOP Instance UID, such as a disc's files beside their DICOMDIR copy.
func (s *series) dropCopies() error {
	first := map[string]*image{}
	for _, g := range s.images {
		if g.sop == "" || g.fault != nil {
			continue
		}
		other := first[g.sop]
		if other == nil {
			first[g.sop] = g
			continue
		}
		if g.file.size != other.file.size {
			continue
		}
		a, err := wholeDigest(g.file)
		if err != nil {
			return fmt.Errorf("%s: %w", g.file.name, err)
		}
		b, err := wholeDigest(other.file)
		if err != nil {
			return fmt.Errorf("%s: %w", other.file.name, err)
		}
		if a == b {
			g.aside = "is a copy of " + other.file.name
		}
	}
	return nil
}

func wholeDigest(f *file) (sum [sha256.Size]byte, err error) {
	in, err := f.stream()
	if err != nil {
		return sum, err
	}
	defer in.Close()
	h := sha256.New()
	if _, err := io.Copy(h, bufio.NewReaderSize(io.LimitReader(in, f.size), 1<<18)); err != nil {
		return sum, err
	}
	h.Sum(sum[:0])
	return sum, nil
}

// largestStack is the series' largest stack; nil when it has none.
func (s *series) largestStack() *stack {
	if len(s.stacks) == 0 {
		return nil
	}
	return s.stacks[0]
}

// mayBeVolume reports whether a series is meant as a volume: ten or more slices with a
// place in space, or frames that have one together.
func (s *series) mayBeVolume(o Options) bool {
	m := s.largestStack()
	if m == nil || len(m.slices) < minSlices {
		return false
	}
	first := m.slices[0]
	return first.placed && first.oriented && !first.inTime || first.plain && o.SliceSpacing != 0
}

// describe is one line about a series, for a person who must choose.
func (s *series) describe() string {
	uid := s.uid
	if uid == "" {
		uid = "(no series UID)"
	}
	m := s.largestStack()
	if m == nil {
		return fmt.Sprintf("%s: %s, none usable (first %s)", uid, plural(len(s.images), "file"), s.images[0].file.name)
	}
	first := m.slices[0]
	text := fmt.Sprintf("%s: %s of %d × %d voxels", uid, plural(len(m.slices), "slice"), first.layout.cols, first.layout.rows)
	if first.colSpacing > 0 {
		text += fmt.Sprintf(" of %.4g × %.4g mm", first.colSpacing, first.rowSpacing)
	}
	if first.modality != "" {
		text += ", " + element.Shorten(first.modality)
	}
	if first.date != "" {
		text += ", " + first.date
	}
	return text + fmt.Sprintf(" (first %s)", first.file.name)
}

// chooseStack finds the one stack that is the volume.
func (s *survey) chooseStack(o Options) (*stack, error) {
	group, err := s.chooseSeries(o)
	if err != nil {
		return nil, err
	}
	if g := group.fault; g != nil {
		return nil, fmt.Errorf("%s: %w; export the scan again, as a CT series", g.file.name, g.fault)
	}
	st := group.largestStack()
	if st == nil {
		g := group.images[0]
		return nil, fmt.Errorf("%s %s; choose the CT series", g.file.name, g.aside)
	}
	if len(group.stacks) > 1 && len(group.stacks[1].slices) >= minSlices {
		other := group.stacks[1]
		return nil, fmt.Errorf("series %s holds two stacks of different size, place or orientation: %s like %s and %s like %s; leave only the files of one of them in the folder",
			group.uid, plural(len(st.slices), "slice"), st.slices[0].label(), plural(len(other.slices), "slice"), other.slices[0].label())
	}
	for _, sl := range st.slices {
		if sl.person != st.slices[0].person {
			return nil, fmt.Errorf("%s and %s carry one series UID but belong to different patients; leave only the files of one patient in the folder", st.slices[0].label(), sl.label())
		}
	}
	s.flagLeftOut(group, st)
	st.alone = s.source.single
	return st, nil
}

// chooseSeries finds the series that is asked for, or the only one that is a
// volume.
func (s *survey) chooseSeries(o Options) (*series, error) {
	if o.SeriesUID != "" {
		for _, g := range s.groups {
			if g.uid == o.SeriesUID {
				return g, nil
			}
		}
		return nil, listSeries(s.groups, "%s has no series %s; it has:", s.path, o.SeriesUID)
	}
	var volumes, usable []*series
	for _, g := range s.groups {
		if g.mayBeVolume(o) {
			volumes = append(volumes, g)
		}
		if g.largestStack() != nil || g.fault != nil {
			usable = append(usable, g)
		}
	}
	switch {
	case len(volumes) == 1:
		return volumes[0], nil
	case len(volumes) == 0 && len(usable) == 1:
		return usable[0], nil
	case len(usable) == 0:
		return nil, s.errNoVolume()
	case len(volumes) == 0:
		return nil, listSeries(usable, "%s has no series of %d or more slices with a place in the patient; it has:", s.path, minSlices)
	}
	return nil, listSeries(volumes, "%s holds %d series that may be the scan; choose one with %s:", s.path, len(volumes), o.Names.askSeries())
}

// maxListed bounds a list in a message.
const maxListed = 20

// ListError is an error that ends in a list, an item a line.
type ListError struct {
	Message string
	Items   []string
}

func (e *ListError) Error() string { return e.Message + "\n  " + strings.Join(e.Items, "\n  ") }

// listSeries is an error with a list of series behind its message.
func listSeries(groups []*series, format string, args ...any) *ListError {
	out := &ListError{Message: fmt.Sprintf(format, args...)}
	for i, g := range groups {
		if i == maxListed {
			out.Items = append(out.Items, fmt.Sprintf("and %d more", len(groups)-i))
			break
		}
		out.Items = append(out.Items, g.describe())
	}
	return out
}

// errNoVolume is the error for a path without any usable image.
func (s *survey) errNoVolume() error {
	switch {
	case len(s.damaged) > 0:
		return fmt.Errorf("%s: %w; export the scan again", s.damaged[0].file.name, s.damaged[0].fault)
	case len(s.images) > 0:
		g := s.images[0]
		return fmt.Errorf("%s has no volume: %s %s; give the folder of the CT series", s.path, g.file.name, g.aside)
	case len(s.reports) > 0:
		return fmt.Errorf("%s has no images: %s in DICOM form, such as %s", s.path, plural(len(s.reports), "report or other file"), s.reports[0])
	case len(s.indexes) > 0:
		return fmt.Errorf("%s has only an index (%s), none of the files it names; give the folder or disc that holds them", s.path, s.indexes[0].file.name)
	case len(s.archives) > 0:
		return fmt.Errorf("%s has %s and no DICOM files beside them, such as %s; give the one with the scan, or unpack it", s.path, plural(len(s.archives), "zip archive"), s.archives[0])
	case len(s.source.files) == 0 && len(s.source.skipped) > 0:
		return fmt.Errorf("%s holds nothing that can be looked into: %s; give the folder that holds the scan itself", s.path, s.source.skipped[0])
	case s.source.single:
		return fmt.Errorf("%s is not a DICOM file; give the folder of the scan", s.path)
	case len(s.others) > 0:
		return fmt.Errorf("%s has no DICOM files among its %s", s.path, plural(len(s.others), "file"))
	}
	return fmt.Errorf("%s is empty; export the scan into it, or name the folder that holds it", s.path)
}

// flagLeftOut adds what is at the path and was not used.
func (s *survey) flagLeftOut(group *series, st *stack) {
	var out []string
	for _, g := range group.images {
		if g.aside != "" {
			out = append(out, g.file.name+" "+g.aside)
		} else if g.fault != nil {
			out = append(out, g.file.name+" cannot be used")
		}
	}
	for _, other := range group.stacks {
		if other == st {
			continue
		}
		out = append(out, fmt.Sprintf("%s of another size, place or orientation, such as %s", plural(len(other.slices), "slice"), other.slices[0].label()))
	}
	for _, g := range s.groups {
		if g != group {
			out = append(out, "series "+g.describe())
		}
	}
	say := func(code measurement.Code, what string, list []string) {
		if len(list) == 0 {
			return
		}
		sort.Strings(list)
		more := ""
		if n := len(list) - 3; n > 0 {
			list, more = list[:3], fmt.Sprintf("; and %d more", n)
		}
		st.flag(measurement.Notice, code, "%s: %s%s", what, strings.Join(list, "; "), more)
	}
	say(measurement.CodeLeftOut, "not part of the volume", out)
	var bad []string
	for _, g := range s.damaged {
		bad = append(bad, fmt.Sprintf("%s: %v", g.file.name, g.fault))
	}
	say(measurement.CodeUnreadableFile, "files that cannot be read and were left out", bad)
	say(measurement.CodeNotLookedInto, "not looked into", slices.Clone(s.source.skipped))
	say(measurement.CodeIndexMismatch, "the disc's index (DICOMDIR) does not fit its files", slices.Clone(s.problems))
}
