package element

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
)

// implementation is our Implementation Class UID, derived from a UUID (PS3.5
// B.2).
const implementation = "2.25.206418271853960271954823710562984417263"

// Encode gives the bytes of a whole file: preamble, file meta information and
// the dataset in the transfer syntax (PS3.10 7.1, PS3.5 annex A), in the order
// of the tags. Sequences get stated lengths. The meta information follows from the
// rest: elements of group 2 in d are left out.
//
// Errors: a value that Set could not take, or one that is too long for its value
// representation.
func Encode(syntax string, d Dataset) ([]byte, error) {
	var meta Dataset
	meta.Set(tag.FileMetaInformationVersion, []byte{0, 1})
	meta.Set(tag.MediaStorageSOPClassUID, d.Text(tag.SOPClassUID))
	meta.Set(tag.MediaStorageSOPInstanceUID, d.Text(tag.SOPInstanceUID))
	meta.Set(tag.TransferSyntaxUID, syntax)
	meta.Set(tag.ImplementationClassUID, implementation)
	head := &writer{encoding: explicitLittle}
	if err := head.dataset(meta); err != nil {
		return nil, err
	}
	d = maps.Clone(d)
	maps.DeleteFunc(d, func(t tag.Tag, _ Element) bool { return t.Group == 2 })
	body := &writer{encoding: encodingOf(syntax)}
	if err := body.dataset(d); err != nil {
		return nil, err
	}
	if syntax == uid.DeflatedExplicitVRLittleEndian {
		if err := body.deflate(); err != nil {
			return nil, err
		}
	}

	file := &writer{encoding: explicitLittle}
	file.Grow(256 + head.Len() + body.Len())
	file.Write(make([]byte, preambleLength))
	file.WriteString(dicomMark)
	var group Dataset
	group.Set(tag.FileMetaInformationGroupLength, []uint32{uint32(head.Len())})
	if err := file.dataset(group); err != nil {
		return nil, err
	}
	file.Write(head.Bytes())
	file.Write(body.Bytes())
	return file.Bytes(), nil
}

// writer writes elements.
type writer struct {
	bytes.Buffer
	encoding
}

// deflate packs all that was written (PS3.5 A.5), to an even length.
func (w *writer) deflate() error {
	var packed bytes.Buffer
	f, err := flate.NewWriter(&packed, flate.DefaultCompression)
	if err != nil {
		return err
	}
	if _, err := f.Write(w.Bytes()); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	if packed.Len()%2 == 1 {
		packed.WriteByte(0)
	}
	w.Buffer = packed
	return nil
}

func (w *writer) uint16(x uint16) { w.Write(w.order.AppendUint16(w.AvailableBuffer(), x)) }
func (w *writer) uint32(x uint32) { w.Write(w.order.AppendUint32(w.AvailableBuffer(), x)) }

func (w *writer) tag(t tag.Tag) {
	w.uint16(t.Group)
	w.uint16(t.Element)
}

func (w *writer) dataset(d Dataset) error {
	for _, t := range slices.SortedFunc(maps.Keys(d), tag.Tag.Compare) {
		if err := w.element(t, d[t]); err != nil {
			return fmt.Errorf("%s: %w", t, err)
		}
	}
	return nil
}

func (w *writer) element(t tag.Tag, e Element) error {
	if e.fault != nil {
		return e.fault
	}
	if e.VR == "" {
		e.VR = dictionaryVR(t)
	}
	if e.encapsulated {
		w.head(t, e.VR, undefinedLength)
		w.Write(e.Value)
		return nil
	}
	value, err := w.value(e)
	if err != nil {
		return err
	}
	if most := w.longest(e.VR); len(value) > most {
		return fmt.Errorf("%d bytes, at most %d fit", len(value), most)
	}
	w.head(t, e.VR, uint32(len(value)))
	w.Write(value)
	return nil
}

// longest is the most bytes that a value can have.
func (w *writer) longest(vr string) int {
	if w.implicit || representations[vr].long {
		return undefinedLength - 1
	}
	return math.MaxUint16 - 1
}

// head writes tag, value representation and length (PS3.5 7.1).
func (w *writer) head(t tag.Tag, vr string, length uint32) {
	w.tag(t)
	if w.implicit {
		w.uint32(length)
		return
	}
	w.WriteString(vr)
	if representations[vr].long {
		w.uint16(0)
		w.uint32(length)
	} else {
		w.uint16(uint16(length))
	}
}

// value is an element's value in the writer's byte order.
func (w *writer) value(e Element) ([]byte, error) {
	if e.Items != nil {
		return w.items(e.Items)
	}
	width := representations[e.VR].width
	if width < 2 || e.order() == binary.ByteOrder(w.order) {
		return e.Value, nil
	}
	turned := slices.Clone(e.Value)
	for at := 0; at+width <= len(turned); at += width {
		slices.Reverse(turned[at : at+width])
	}
	return turned, nil
}

// items is a sequence's items, with stated lengths (PS3.5 7.5.1).
func (w *writer) items(items []Dataset) ([]byte, error) {
	all := &writer{encoding: w.encoding}
	for _, item := range items {
		one := &writer{encoding: w.encoding}
		if err := one.dataset(item); err != nil {
			return nil, err
		}
		all.tag(itemStart)
		all.uint32(uint32(one.Len()))
		all.Write(one.Bytes())
	}
	return all.Bytes(), nil
}

// FormatDecimals writes numbers as decimal strings of at most 16 characters (PS3.5
// 6.2, DS), with as many digits as go in.
func FormatDecimals(x ...float64) string {
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

// UID derives a UID from the given words (PS3.5 B.2).
func UID(words ...string) string {
	sum := sha256.Sum256([]byte(fmt.Sprintf("%q", words)))
	return "2.25." + new(big.Int).SetBytes(sum[:16]).String()
}
