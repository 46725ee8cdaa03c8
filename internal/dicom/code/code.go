// Package code has coded entries (PS3.3 section 8): a concept by its value and the
// scheme that it is of, and the ones that this program writes and reads.
//
// Conventions: two entries are the same when value and scheme are; the meaning is
// for people. Codes of the standard are from PS3.16; those that no standard has are
// of a scheme of our own, Private. Start with Code.
package code

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
)

// Schemes of codes (PS3.16 section 8).
const (
	DCM     = "DCM"
	SCT     = "SCT"
	UCUM    = "UCUM"
	RFC5646 = "RFC5646"
	Private = "99PLUMBLINE" // what begins with 99 is a private scheme
)

// Code is a coded entry.
type Code struct{ Value, Scheme, Meaning string }

// Own is an entry of the program's own scheme.
func Own(value, meaning string) Code { return Code{value, Private, meaning} }

// Is reports whether two entries stand for the same.
func (c Code) Is(other Code) bool { return c.Value == other.Value && c.Scheme == other.Scheme }

// String is for messages; what comes from a file may be anything, so only plain
// codes are repeated.
func (c Code) String() string {
	if strings.Trim(c.Value, letters) != "" || strings.Trim(c.Scheme, letters) != "" {
		return "an odd code"
	}
	return fmt.Sprintf("(%s, %s)", element.Shorten(c.Value), element.Shorten(c.Scheme))
}

const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.:"

const (
	longestShort   = 16 // characters of a Code Value (SH, PS3.5 6.2)
	longestMeaning = 64 // of a Code Meaning (LO)
)

// Item is the entry as the item of a code sequence (PS3.3 8.8).
func (c Code) Item() element.Dataset {
	var d element.Dataset
	if len(c.Value) > longestShort {
		d.Set(tag.LongCodeValue, c.Value)
	} else {
		d.Set(tag.CodeValue, c.Value)
	}
	d.Set(tag.CodingSchemeDesignator, c.Scheme)
	meaning := []rune(c.Meaning)
	d.Set(tag.CodeMeaning, string(meaning[:min(len(meaning), longestMeaning)]))
	return d
}

// Items is the whole sequence.
func (c Code) Items() []element.Dataset { return []element.Dataset{c.Item()} }

// Read is the first entry of a code sequence; the zero Code where there is none.
func Read(d element.Dataset, sequence tag.Tag) Code {
	items := d[sequence].Items
	if len(items) == 0 {
		return Code{}
	}
	value := items[0].Text(tag.CodeValue)
	if value == "" {
		value = items[0].Text(tag.LongCodeValue)
	}
	meaning := items[0].Text(tag.CodeMeaning)
	if !utf8.ValidString(meaning) {
		meaning = ""
	}
	return Code{value, items[0].Text(tag.CodingSchemeDesignator), meaning}
}

// Longest are the attributes of an entry with the most bytes that are read of each, for
// an element.Selection.
func Longest(sequences ...tag.Tag) map[tag.Tag]int64 {
	out := map[tag.Tag]int64{tag.CodeValue: 64, tag.LongCodeValue: 256, tag.CodingSchemeDesignator: 64, tag.CodeMeaning: 1024}
	for _, s := range sequences {
		out[s] = element.Items
	}
	return out
}

// Units (CID 7181, 82 and 83 of PS3.16 name them by UCUM).
var (
	Millimetre = Code{"mm", UCUM, "mm"}
	Degree     = Code{"deg", UCUM, "deg"}
)

// Scheme is what an object says of the private scheme (PS3.3 C.12.1.1, Coding Scheme
// Identification Sequence).
func Scheme() []element.Dataset {
	var d element.Dataset
	d.Set(tag.CodingSchemeDesignator, Private)
	d.Set(tag.CodingSchemeName, "plumbline, figures of a fixture against its plan")
	return []element.Dataset{d}
}
