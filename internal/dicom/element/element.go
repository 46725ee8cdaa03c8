// Package element reads and writes the data elements of DICOM files (PS3.5
// section 7, PS3.10 section 7): explicit and implicit value representations,
// both byte orders, deflated files, sequences of stated and of undefined length.
//
// Conventions: a value keeps the bytes and the byte order of its file; the
// methods of Dataset make numbers and text of them. Start with Read and
// Encode.
//
// Nothing is trusted: a file is read as a stream, only the attributes that were
// asked for are kept, and each length is checked against what is left before
// memory is taken. The reader stops where the pixels begin.
//
// Of the DICOM library, the dictionary of attributes and UIDs is used. Its
// parser is not: it takes memory for whatever length an element claims, panics
// on some damaged headers, and gives up at unknown value representations.
//
// Limits: text is not converted from its character set.
package element

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// Element is the value of one attribute.
type Element struct {
	VR    string           // value representation; "" where the transfer syntax does not say
	Order binary.ByteOrder // of the numbers in Value; nil stands for little endian
	Value []byte
	Items []Dataset // of a sequence

	encapsulated bool  // Value is fragments (PS3.5 A.4)
	fault        error // why it cannot be written
}

// Dataset has the attributes of a file or of a sequence item. The nil Dataset
// is empty.
type Dataset map[tag.Tag]Element

// Set puts an attribute, in the place of one with the same tag. Its value
// representation is the first that the dictionary has.
//
// In: value is text (several values parted by backslashes), []uint16, []uint32,
// []uint64, []float64, []byte, []Dataset (the items of a sequence) or Fragments.
// A value of another type, or of numbers that the value representation does not
// have, makes Encode fail.
func (d *Dataset) Set(t tag.Tag, value any) { d.SetVR(t, dictionaryVR(t), value) }

// SetVR is Set with a value representation of the caller's.
func (d *Dataset) SetVR(t tag.Tag, vr string, value any) {
	if *d == nil {
		*d = Dataset{}
	}
	(*d)[t] = newElement(vr, value)
}

// dictionaryVR is the first value representation that the dictionary has, UN
// for attributes that it does not have.
func dictionaryVR(t tag.Tag) string {
	if info, err := tag.Find(t); err == nil && len(info.VRs) > 0 {
		return info.VRs[0]
	}
	return "UN"
}

// newElement encodes a value as Set describes it, numbers in little endian.
func newElement(vr string, value any) Element {
	e := Element{VR: vr}
	width := 1 // bytes of a number
	switch v := value.(type) {
	case string:
		e.Value = []byte(v)
		if len(v)%2 == 1 { // PS3.5 6.2
			pad := byte(' ')
			if vr == "UI" {
				pad = 0
			}
			e.Value = append(e.Value, pad)
		}
	case []byte:
		e.Value = v
		if len(v)%2 == 1 {
			e.Value = append(v[:len(v):len(v)], 0)
		}
	case []uint16:
		width = 2
		e.Value = make([]byte, 0, 2*len(v))
		for _, x := range v {
			e.Value = binary.LittleEndian.AppendUint16(e.Value, x)
		}
	case []uint32:
		width = 4
		for _, x := range v {
			e.Value = binary.LittleEndian.AppendUint32(e.Value, x)
		}
	case []uint64:
		width = 8
		for _, x := range v {
			e.Value = binary.LittleEndian.AppendUint64(e.Value, x)
		}
	case []float64:
		width = 8
		for _, x := range v {
			e.Value = binary.LittleEndian.AppendUint64(e.Value, math.Float64bits(x))
		}
	case []Dataset:
		e.Items = v
	case Fragments:
		e.Value, e.encapsulated = v.encode(), true
	default:
		e.fault = fmt.Errorf("a value of type %T", value)
	}
	if w := representations[vr].width; width > 1 && w != width && vr != "UN" {
		e.fault = fmt.Errorf("numbers of %d bytes for the value representation %s", width, vr)
	}
	return e
}

// order is the byte order of the numbers in Value.
func (e Element) order() binary.ByteOrder {
	if e.Order == nil {
		return binary.LittleEndian
	}
	return e.Order
}

// representation is a value representation (PS3.5 6.2).
type representation struct {
	name  string
	long  bool // it has a 4-byte length (PS3.5 7.1.2)
	width int  // bytes of one of its numbers, whose order depends on the syntax; 1 for none
}

// representations has them by their two letters.
var representations = func() map[string]representation {
	m := map[string]representation{}
	for _, vr := range strings.Fields("OB OD OF OL OV OW SQ SV UC UN UR UT UV") {
		m[vr] = representation{vr, true, 1}
	}
	for _, vr := range strings.Fields("AE AS AT CS DA DS DT FD FL IS LO LT PN SH SL SS ST TM UI UL US") {
		m[vr] = representation{vr, false, 1}
	}
	for width, names := range map[int]string{2: "AT OW SS US", 4: "FL OF OL SL UL", 8: "FD OD OV SV UV"} {
		for _, vr := range strings.Fields(names) {
			r := m[vr]
			r.width = width
			m[vr] = r
		}
	}
	return m
}()

// byteOrder is little or big endian.
type byteOrder interface {
	binary.ByteOrder
	binary.AppendByteOrder
}

// encoding is how a dataset is written.
type encoding struct {
	order    byteOrder
	implicit bool // value representations are left out
}

var (
	implicitLittle = encoding{binary.LittleEndian, true}
	explicitLittle = encoding{binary.LittleEndian, false}
	explicitBig    = encoding{binary.BigEndian, false}
)

const undefinedLength = math.MaxUint32 // PS3.5 7.1.1

// Delimiters of sequences and their items (PS3.5 7.5).
var (
	itemStart   = tag.Tag{Group: 0xFFFE, Element: 0xE000}
	itemEnd     = tag.Tag{Group: 0xFFFE, Element: 0xE00D}
	sequenceEnd = tag.Tag{Group: 0xFFFE, Element: 0xE0DD}
)
