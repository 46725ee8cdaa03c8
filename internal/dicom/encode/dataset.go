package encode

import (
	"bytes"
	"compress/flate"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
)

// Element is one attribute. Its value is a string (several values parted by
// backslashes), []uint16, []uint32, []uint64, []float64, []byte, []Dataset (the items of a
// sequence) or Fragments.
type Element struct {
	Tag   tag.Tag
	VR    string
	Value any
}

// Dataset is a file's or an item's attributes. Encode writes them in the order
// of their tags.
type Dataset []Element

// Fragments is compressed pixel data (PS3.5 A.4): the offset table and the
// pieces.
type Fragments struct {
	Offsets []uint32
	Parts   [][]byte
}

// Set puts an attribute, in the place of one with the same tag. Its value
// representation is the first that the dictionary has.
func (d *Dataset) Set(t tag.Tag, value any) {
	vr := "UN"
	if info, err := tag.Find(t); err == nil {
		vr = info.VRs[0]
	}
	d.SetVR(t, vr, value)
}

// SetVR is Set with a value representation of the caller's.
func (d *Dataset) SetVR(t tag.Tag, vr string, value any) {
	e := Element{Tag: t, VR: vr, Value: value}
	if i := d.index(t); i >= 0 {
		(*d)[i] = e
		return
	}
	*d = append(*d, e)
}

// Delete takes an attribute away.
func (d *Dataset) Delete(t tag.Tag) {
	if i := d.index(t); i >= 0 {
		*d = slices.Delete(*d, i, i+1)
	}
}

// Get is an attribute's value, nil when it is not there.
func (d Dataset) Get(t tag.Tag) any {
	if i := d.index(t); i >= 0 {
		return d[i].Value
	}
	return nil
}

func (d Dataset) index(t tag.Tag) int {
	return slices.IndexFunc(d, func(e Element) bool { return e.Tag == t })
}

// Encode writes a whole file: preamble, file meta information and the dataset
// in the transfer syntax (PS3.10 7.1, PS3.5 annex A).
//
// Errors: a value of a type that is not listed at Element, or too long for its
// value representation.
func Encode(syntax string, d Dataset) ([]byte, error) {
	meta := Dataset{}
	meta.Set(tag.FileMetaInformationVersion, []byte{0, 1})
	meta.Set(tag.MediaStorageSOPClassUID, text(d.Get(tag.SOPClassUID)))
	meta.Set(tag.MediaStorageSOPInstanceUID, text(d.Get(tag.SOPInstanceUID)))
	meta.Set(tag.TransferSyntaxUID, syntax)
	meta.Set(tag.ImplementationClassUID, implementation)
	head := &encoder{order: binary.LittleEndian}
	if err := head.dataset(meta); err != nil {
		return nil, err
	}
	body := &encoder{order: binary.LittleEndian}
	switch syntax {
	case uid.ImplicitVRLittleEndian:
		body.implicit = true
	case uid.ExplicitVRBigEndian:
		body.order = binary.BigEndian
	}
	if err := body.dataset(d); err != nil {
		return nil, err
	}
	if syntax == uid.DeflatedExplicitVRLittleEndian {
		var packed bytes.Buffer
		w, err := flate.NewWriter(&packed, flate.DefaultCompression)
		if err != nil {
			return nil, err
		}
		if _, err := w.Write(body.Bytes()); err != nil {
			return nil, err
		}
		if err := w.Close(); err != nil {
			return nil, err
		}
		if packed.Len()%2 == 1 {
			packed.WriteByte(0)
		}
		body.Buffer = packed
	}

	file := &encoder{order: binary.LittleEndian}
	file.Grow(256 + head.Len() + body.Len())
	file.Write(make([]byte, 128))
	file.WriteString("DICM")
	group := Dataset{}
	group.Set(tag.FileMetaInformationGroupLength, []uint32{uint32(head.Len())})
	if err := file.dataset(group); err != nil {
		return nil, err
	}
	file.Write(head.Bytes())
	file.Write(body.Bytes())
	return file.Bytes(), nil
}

func text(v any) string {
	s, _ := v.(string)
	return s
}

// encoder writes elements.
type encoder struct {
	bytes.Buffer
	order    binary.AppendByteOrder
	implicit bool
}

func (w *encoder) uint16(x uint16) { w.Write(w.order.AppendUint16(w.AvailableBuffer(), x)) }
func (w *encoder) uint32(x uint32) { w.Write(w.order.AppendUint32(w.AvailableBuffer(), x)) }

func (w *encoder) tag(t tag.Tag) {
	w.uint16(t.Group)
	w.uint16(t.Element)
}

const undefinedLength = 0xFFFFFFFF

var (
	itemStart   = tag.Tag{Group: 0xFFFE, Element: 0xE000}
	sequenceEnd = tag.Tag{Group: 0xFFFE, Element: 0xE0DD}
)

func (w *encoder) dataset(d Dataset) error {
	ordered := slices.Clone(d)
	sort.SliceStable(ordered, func(i, j int) bool { return ordered[i].Tag.Compare(ordered[j].Tag) < 0 })
	for _, e := range ordered {
		if err := w.element(e); err != nil {
			return fmt.Errorf("%s: %w", e.Tag, err)
		}
	}
	return nil
}

func (w *encoder) element(e Element) error {
	if f, ok := e.Value.(Fragments); ok {
		w.head(e, undefinedLength)
		w.fragments(f)
		return nil
	}
	value, err := w.value(e)
	if err != nil {
		return err
	}
	if most := w.longest(e.VR); len(value) > most {
		return fmt.Errorf("%d bytes, at most %d fit", len(value), most)
	}
	w.head(e, uint32(len(value)))
	w.Write(value)
	return nil
}

// long lists the value representations with a 4-byte length (PS3.5 7.1.2).
var long = map[string]bool{
	"OB": true, "OD": true, "OF": true, "OL": true, "OV": true, "OW": true, "SQ": true,
	"SV": true, "UC": true, "UN": true, "UR": true, "UT": true, "UV": true,
}

// longest is the most bytes that a value can have.
func (w *encoder) longest(vr string) int {
	if w.implicit || long[vr] {
		return undefinedLength - 1
	}
	return math.MaxUint16 - 1
}

// head writes tag, value representation and length (PS3.5 7.1).
func (w *encoder) head(e Element, length uint32) {
	w.tag(e.Tag)
	if w.implicit {
		w.uint32(length)
		return
	}
	w.WriteString(e.VR)
	if long[e.VR] {
		w.uint16(0)
		w.uint32(length)
	} else {
		w.uint16(uint16(length))
	}
}

// value is an element's value, padded to an even length (PS3.5 6.2).
func (w *encoder) value(e Element) ([]byte, error) {
	var b []byte
	switch v := e.Value.(type) {
	case string:
		b = []byte(v)
		if len(b)%2 == 1 {
			pad := byte(' ')
			if e.VR == "UI" {
				pad = 0
			}
			b = append(b, pad)
		}
	case []byte:
		b = v
		if len(b)%2 == 1 {
			b = append(slices.Clone(b), 0)
		}
	case []uint16:
		b = make([]byte, 0, 2*len(v))
		for _, x := range v {
			b = w.order.AppendUint16(b, x)
		}
	case []uint32:
		for _, x := range v {
			b = w.order.AppendUint32(b, x)
		}
	case []uint64:
		for _, x := range v {
			b = w.order.AppendUint64(b, x)
		}
	case []float64:
		for _, x := range v {
			b = w.order.AppendUint64(b, math.Float64bits(x))
		}
	case []Dataset:
		inner := &encoder{order: w.order, implicit: w.implicit}
		for _, item := range v {
			one := &encoder{order: w.order, implicit: w.implicit}
			if err := one.dataset(item); err != nil {
				return nil, err
			}
			inner.tag(itemStart)
			inner.uint32(uint32(one.Len()))
			inner.Write(one.Bytes())
		}
		b = inner.Bytes()
	default:
		return nil, fmt.Errorf("a value of type %T", v)
	}
	return b, nil
}

func (w *encoder) fragments(f Fragments) {
	w.tag(itemStart)
	w.uint32(uint32(4 * len(f.Offsets)))
	for _, o := range f.Offsets {
		w.uint32(o)
	}
	for _, p := range f.Parts {
		w.tag(itemStart)
		w.uint32(uint32(len(p) + len(p)%2))
		w.Write(p)
		if len(p)%2 == 1 {
			w.WriteByte(0)
		}
	}
	w.tag(sequenceEnd)
	w.uint32(0)
}

// Decimals writes numbers as decimal strings of at most 16 characters (PS3.5
// 6.2, DS), with as many digits as go in.
func Decimals(x ...float64) string {
	parts := make([]string, len(x))
	for i, v := range x {
		for digits := 17; digits > 0; digits-- {
			if parts[i] = strconv.FormatFloat(v, 'g', digits, 64); len(parts[i]) <= 16 {
				break
			}
		}
	}
	return strings.Join(parts, `\`)
}
