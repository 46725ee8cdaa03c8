package spatialreg

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
)

// tag is a group and an element number in one.
type tag uint32

const (
	tagTransferSyntax     tag = 0x0002_0010
	tagSOPClass           tag = 0x0008_0016
	tagFrame              tag = 0x0020_0052
	tagRegistrations      tag = 0x0070_0308
	tagMatrixRegistration tag = 0x0070_0309
	tagMatrices           tag = 0x0070_030A
	tagMatrixType         tag = 0x0070_030C
	tagMatrix             tag = 0x3006_00C6

	tagItem        tag = 0xFFFE_E000
	tagItemEnd     tag = 0xFFFE_E00D
	tagSequenceEnd tag = 0xFFFE_E0DD
)

// wanted lists the sequences that are looked into when the file does not say
// which elements are sequences.
var wanted = map[tag]bool{tagRegistrations: true, tagMatrixRegistration: true, tagMatrices: true}

// element is a value as it stands, or the items of a sequence.
type element struct {
	value []byte
	items []dataset
}

type dataset map[tag]element

func (d dataset) text(t tag) string { return trim(string(d[t].value)) }

var errCutShort = errors.New("the file is cut short or damaged")

const (
	undefined = 0xFFFFFFFF
	deepest   = 16 // the object has sequences four deep

	implicitLittle = "1.2.840.10008.1.2"
	explicitLittle = "1.2.840.10008.1.2.1"
	explicitBig    = "1.2.840.10008.1.2.2"
)

// parse reads a whole file (PS3.10 7.1, PS3.5 section 7).
func parse(data []byte) (dataset, error) {
	if len(data) < 132 || !bytes.Equal(data[128:132], []byte("DICM")) {
		return nil, errors.New("it is no DICOM file")
	}
	w := &walker{data: data[132:], order: binary.LittleEndian, explicit: true}
	meta := dataset{}
	for len(w.data) >= 2 && binary.LittleEndian.Uint16(w.data) == 2 {
		if err := w.element(meta, 0); err != nil {
			return nil, err
		}
	}
	switch syntax := meta.text(tagTransferSyntax); syntax {
	case explicitLittle:
	case implicitLittle:
		w.explicit = false
	case explicitBig:
		w.order = binary.BigEndian
	default:
		return nil, fmt.Errorf("its transfer syntax %q is not read here; export it as Explicit VR Little Endian", syntax)
	}
	out := dataset{}
	for len(w.data) > 0 {
		if err := w.element(out, 0); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// walker takes elements off the front of data.
type walker struct {
	data     []byte
	order    binary.ByteOrder
	explicit bool
}

func (w *walker) take(n uint32) ([]byte, error) {
	if uint64(n) > uint64(len(w.data)) {
		return nil, errCutShort
	}
	out := w.data[:n]
	w.data = w.data[n:]
	return out, nil
}

func (w *walker) tag() (tag, error) {
	b, err := w.take(4)
	if err != nil {
		return 0, err
	}
	return tag(w.order.Uint16(b))<<16 | tag(w.order.Uint16(b[2:])), nil
}

func (w *walker) length() (uint32, error) {
	b, err := w.take(4)
	if err != nil {
		return 0, err
	}
	return w.order.Uint32(b), nil
}

// long lists the value representations with a length of four bytes.
const long = "OB OD OF OL OV OW SQ SV UC UN UR UT UV"

// element reads one element into d.
func (w *walker) element(d dataset, depth int) error {
	if depth > deepest {
		return fmt.Errorf("its sequences are nested more than %d deep", deepest)
	}
	t, err := w.tag()
	if err != nil {
		return err
	}
	vr := ""
	var n uint32
	if w.explicit {
		b, err := w.take(4)
		if err != nil {
			return err
		}
		vr = string(b[:2])
		if n = uint32(w.order.Uint16(b[2:])); strings.Contains(" "+long+" ", " "+vr+" ") {
			if n, err = w.length(); err != nil {
				return err
			}
		}
	} else if n, err = w.length(); err != nil {
		return err
	}
	sequence := vr == "SQ" || n == undefined || wanted[t] && (vr == "" || vr == "UN")
	if !sequence {
		value, err := w.take(n)
		d[t] = element{value: value}
		return err
	}
	inner := w
	if n != undefined {
		body, err := w.take(n)
		if err != nil {
			return err
		}
		inner = &walker{data: body, order: w.order, explicit: w.explicit}
	}
	// A sequence of unknown representation is written implicitly (PS3.5 6.2.2).
	if was := inner.explicit; vr == "UN" {
		inner.explicit = false
		defer func() { inner.explicit = was }()
	}
	items, err := inner.items(n == undefined, depth)
	d[t] = element{items: items}
	return err
}

// items reads a sequence's items, up to its delimiter or to the end of data.
func (w *walker) items(delimited bool, depth int) ([]dataset, error) {
	var out []dataset
	for {
		if len(w.data) == 0 && !delimited {
			return out, nil
		}
		t, err := w.tag()
		if err != nil {
			return nil, err
		}
		n, err := w.length()
		if err != nil {
			return nil, err
		}
		switch {
		case t == tagSequenceEnd && delimited:
			return out, nil
		case t != tagItem:
			return nil, errCutShort
		}
		d := dataset{}
		if n == undefined {
			err = w.untilItemEnd(d, depth+1)
		} else {
			var body []byte
			if body, err = w.take(n); err == nil {
				in := &walker{data: body, order: w.order, explicit: w.explicit}
				for len(in.data) > 0 && err == nil {
					err = in.element(d, depth+1)
				}
			}
		}
		if err != nil {
			return nil, err
		}
		out = append(out, d)
	}
}

func (w *walker) untilItemEnd(d dataset, depth int) error {
	for {
		if len(w.data) >= 4 && tag(w.order.Uint16(w.data))<<16|tag(w.order.Uint16(w.data[2:])) == tagItemEnd {
			_, err := w.take(8)
			return err
		}
		if err := w.element(d, depth); err != nil {
			return err
		}
	}
}
