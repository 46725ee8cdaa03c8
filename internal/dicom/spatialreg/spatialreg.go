// Package spatialreg reads a DICOM Spatial Registration object (PS3.3
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
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// maxFile bounds what is read, bytes: an object has some kilobytes, and one that
// lists every slice of its scans some hundred.
const maxFile = 16 << 20

// storage is the SOP class of the object (PS3.4 B.5).
const storage = "1.2.840.10008.5.1.4.1.1.66.1"

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
}

// ErrFrames says that an object does not bring two frames together.
var ErrFrames = errors.New("the registration does not belong to these scans")

// Read reads an object from a file.
//
// Errors: what is wrong with the file and what to do, or what the file system
// said.
func Read(path string) (*Object, error) {
	f, err := os.Open(path)
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

func decode(data []byte) (*Object, error) {
	if len(data) > maxFile {
		return nil, fmt.Errorf("it is larger than %d MiB, which no registration is", maxFile>>20)
	}
	d, err := parse(data)
	if err != nil {
		return nil, err
	}
	if class := d.text(tagSOPClass); class != storage {
		return nil, fmt.Errorf("it is no Spatial Registration object (its SOP class is %q)", class)
	}
	sum := sha256.Sum256(data)
	o := &Object{SHA256: hex.EncodeToString(sum[:]), Registered: d.text(tagFrame)}
	if o.Registered == "" {
		return nil, errors.New("it does not name its frame of reference (FrameOfReferenceUID (0020,0052))")
	}
	for i, item := range d[tagRegistrations].items {
		m, err := toRegistered(item)
		if err != nil {
			return nil, fmt.Errorf("item %d of RegistrationSequence (0070,0308): %w", i+1, err)
		}
		o.Items = append(o.Items, Item{Frame: item.text(tagFrame), ToRegistered: m})
	}
	if len(o.Items) == 0 {
		return nil, errors.New("it has no RegistrationSequence (0070,0308)")
	}
	return o, nil
}

// toRegistered joins an item's matrices, which apply in their order.
func toRegistered(item dataset) (geom.Rigid, error) {
	m := geom.Identity()
	count := 0
	for _, r := range item[tagMatrixRegistration].items {
		for _, s := range r[tagMatrices].items {
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

func matrix(s dataset) (geom.Rigid, error) {
	if kind := s.text(tagMatrixType); kind != "" && kind != "RIGID" {
		return geom.Rigid{}, fmt.Errorf("its matrix is marked %q; only RIGID ones keep lengths", kind)
	}
	parts := strings.Split(s.text(tagMatrix), `\`)
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
