// Package spatialreg reads and writes a DICOM Spatial Registration object (PS3.3
// A.39 and C.20.2): which frames of reference it brings together and by which
// matrices.
//
// Conventions: a matrix carries a point of its own item's frame of reference
// into the object's registered frame, B = M·A (PS3.3 C.20.2.1.1), patient LPS,
// mm. Start with Read and Object.Between.
//
// Limits: rigid transforms only. A deformable registration is another object and
// is refused.
package spatialreg

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/regularfile"
)

// maxFile bounds what is read, bytes: an object has some kilobytes, and one that
// lists every slice of its scans some hundred.
const maxFile = 16 << 20

// Storage is the SOP class of the object (PS3.4 B.5).
const Storage = "1.2.840.10008.5.1.4.1.1.66.1"

// Object is a Spatial Registration object.
type Object struct {
	File       string
	SHA256     string // of the file, hex
	Registered string // Frame of Reference UID that all items lead to
	Items      []Item
}

// Item carries one frame of reference into the registered one.
type Item struct {
	Frame        string // Frame of Reference UID; "" where the item names none
	ToRegistered geom.Rigid
	Comment      string // on the transform; written, and not read
}

// ErrFrames says that an object does not bring two frames together.
var ErrFrames = errors.New("the registration does not belong to these scans")

// Read reads an object from a file.
//
// Errors: what is wrong with the file and what to do, or what the file system
// said.
func Read(path string) (*Object, error) {
	f, err := regularfile.Open(path)
	if err != nil {
		return nil, fmt.Errorf("read registration: %w", err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFile+1))
	if err != nil {
		return nil, fmt.Errorf("read registration: %w", err)
	}
	o, err := decode(data)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; export it again as a DICOM Spatial Registration, or write the matrix into the case file", filepath.Base(path), err)
	}
	o.File = path
	return o, nil
}

// attributes are those of the object that are read.
var attributes = element.Selection{
	Longest: map[tag.Tag]int64{
		tag.SOPClassUID: maxText, tag.FrameOfReferenceUID: maxText,
		tag.RegistrationSequence: element.Items, tag.MatrixRegistrationSequence: element.Items, tag.MatrixSequence: element.Items,
		tag.FrameOfReferenceTransformationMatrixType: maxText, tag.FrameOfReferenceTransformationMatrix: maxText,
	},
	MaxItems: 10_000, // an object has an item or two for each of a handful of scans
}

// maxText bounds one value, bytes: a matrix has 16 numbers of 16 characters.
const maxText = 1 << 12

// syntaxes are the transfer syntaxes that are read.
var syntaxes = []string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian}

func decode(data []byte) (*Object, error) {
	if len(data) > maxFile {
		return nil, fmt.Errorf("it is larger than %d MiB, which no registration is", maxFile>>20)
	}
	file, err := element.Read(bytes.NewReader(data), int64(len(data)), attributes)
	switch {
	case errors.Is(err, element.ErrNotDICOM) || errors.Is(err, element.ErrArchive):
		return nil, errors.New("it is no DICOM file")
	case err != nil:
		return nil, err
	case !slices.Contains(syntaxes, file.Syntax):
		return nil, fmt.Errorf("its transfer syntax %q is not read here; export it as Explicit VR Little Endian", file.Syntax)
	}
	d := file.Data
	if class := d.Text(tag.SOPClassUID); class != Storage {
		return nil, fmt.Errorf("it is no Spatial Registration object (its SOP class is %q)", class)
	}
	sum := sha256.Sum256(data)
	o := &Object{SHA256: hex.EncodeToString(sum[:]), Registered: d.Text(tag.FrameOfReferenceUID)}
	if o.Registered == "" {
		return nil, errors.New("it does not name its frame of reference (FrameOfReferenceUID (0020,0052))")
	}
	for i, item := range d[tag.RegistrationSequence].Items {
		m, err := toRegistered(item)
		if err != nil {
			return nil, fmt.Errorf("item %d of RegistrationSequence (0070,0308): %w", i+1, err)
		}
		o.Items = append(o.Items, Item{Frame: item.Text(tag.FrameOfReferenceUID), ToRegistered: m})
	}
	if len(o.Items) == 0 {
		return nil, errors.New("it has no RegistrationSequence (0070,0308)")
	}
	return o, nil
}

// toRegistered joins an item's matrices, which apply in their order.
func toRegistered(item element.Dataset) (geom.Rigid, error) {
	m := geom.Identity()
	count := 0
	for _, r := range item[tag.MatrixRegistrationSequence].Items {
		for _, s := range r[tag.MatrixSequence].Items {
			one, err := matrix(s)
			if err != nil {
				return m, err
			}
			m = one.After(m)
			count++
		}
	}
	if count == 0 {
		return m, errors.New("it has no matrix (3006,00C6)")
	}
	return m, nil
}

func matrix(s element.Dataset) (geom.Rigid, error) {
	if kind := s.Text(tag.FrameOfReferenceTransformationMatrixType); kind != "" && kind != "RIGID" {
		return geom.Rigid{}, fmt.Errorf("its matrix is marked %q; only RIGID ones keep lengths", kind)
	}
	parts := strings.Split(s.Text(tag.FrameOfReferenceTransformationMatrix), `\`)
	if len(parts) != 16 {
		return geom.Rigid{}, fmt.Errorf("its matrix (3006,00C6) has %d numbers, expected 16", len(parts))
	}
	var a [16]float64
	for i, p := range parts {
		x, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
		if err != nil {
			return geom.Rigid{}, fmt.Errorf("number %d of its matrix (3006,00C6) is %q", i+1, strings.TrimSpace(p))
		}
		a[i] = x
	}
	return geom.FromMatrix(a)
}

// farApart is how much two items of one frame of reference may differ, mm over a
// head: rounding of sixteen characters is far below it.
const farApart = 0.001

// Between gives the transform from the follow-up to the planning scan, whose
// Frame of Reference UIDs are post and pre: into the registered frame by the
// follow-up's item and back out by the planning scan's.
//
// Errors: ErrFrames, with the reason, unless both frames are the object's and
// differ.
func (o *Object) Between(pre, post string) (postToPre geom.Rigid, err error) {
	pre, post = trim(pre), trim(post)
	switch {
	case pre == "" || post == "":
		return geom.Rigid{}, fmt.Errorf("%w: a scan has no Frame of Reference UID to tell by", ErrFrames)
	case pre == post:
		return geom.Rigid{}, fmt.Errorf("%w: both scans have the same Frame of Reference UID, so it cannot be told which one it moves", ErrFrames)
	}
	preIn, err := o.into("planning", pre)
	if err != nil {
		return geom.Rigid{}, err
	}
	postIn, err := o.into("follow-up", post)
	if err != nil {
		return geom.Rigid{}, err
	}
	return preIn.Inverse().After(postIn), nil
}

// into is the transform of a scan's frame into the registered one. The
// registered frame itself needs no item.
func (o *Object) into(scan, frame string) (geom.Rigid, error) {
	found := (*geom.Rigid)(nil)
	for i := range o.Items {
		it := &o.Items[i]
		if it.Frame != frame {
			continue
		}
		if found != nil && distance(*found, it.ToRegistered) > farApart {
			return geom.Rigid{}, fmt.Errorf("%w: it moves the %s scan's frame of reference in two ways", ErrFrames, scan)
		}
		found = &it.ToRegistered
	}
	switch {
	case found != nil:
		return *found, nil
	case frame == o.Registered:
		return geom.Identity(), nil
	}
	return geom.Rigid{}, fmt.Errorf("%w: the %s scan's frame of reference %s is not in it", ErrFrames, scan, frame)
}

// distance is how far two transforms put the same point apart at most, mm,
// within a head's size about the origin.
func distance(a, b geom.Rigid) float64 {
	const head = 200.0
	worst := 0.0
	for _, p := range []geom.Vec{{}, {X: head}, {Y: head}, {Z: head}} {
		worst = math.Max(worst, r3.Norm(r3.Sub(a.Apply(p), b.Apply(p))))
	}
	return worst
}

func trim(s string) string { return strings.Trim(s, " \x00") }
