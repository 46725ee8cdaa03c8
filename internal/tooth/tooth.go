// Package tooth has the numbers and names of the 32 permanent teeth.
//
// Conventions: inside the program a tooth is its ISO 3950 two-digit number, the
// quadrant (1 upper right, 2 upper left, 3 lower left, 4 lower right, as the
// patient sees it) followed by the place counted from the midline (1 central
// incisor to 8 third molar). The universal numbers 1 to 32 run from the upper
// right third molar to the upper left one and back along the lower jaw. The two
// systems share the labels 11 to 18, 21 to 28, 31 and 32 with different
// meanings, so a label is only ever read together with its System. Start with
// Parse.
//
// Limits: permanent teeth only; a primary tooth gets an error of its own.
package tooth

import (
	"fmt"
	"strconv"
)

// System is a way of numbering teeth, spelled as in a case file.
type System string

const (
	ISO3950   System = "iso3950"
	Universal System = "universal"
)

// Systems are all ways of numbering, the usual one first.
var Systems = []System{ISO3950, Universal}

// Number is a permanent tooth by its ISO 3950 number, 11 to 48. The zero value
// is no tooth.
type Number int

// Jaw is the upper or the lower jaw.
type Jaw string

const (
	Upper Jaw = "upper"
	Lower Jaw = "lower"
)

// Side is the patient's own side.
type Side string

const (
	Right Side = "right"
	Left  Side = "left"
)

// places has the names by place from the midline, 1 to 8.
var places = [...]string{
	1: "central incisor",
	2: "lateral incisor",
	3: "canine",
	4: "first premolar",
	5: "second premolar",
	6: "first molar",
	7: "second molar",
	8: "third molar",
}

// Parse reads a label in the given system.
//
// Errors: a label that is no tooth of that system; the message says what would
// be one, and names the other system where the label belongs to it.
func Parse(label string, system System) (Number, error) {
	v, err := strconv.Atoi(label)
	plain := err == nil && label == strconv.Itoa(v)
	switch system {
	case ISO3950:
		if plain && iso(v) {
			return Number(v), nil
		}
		if plain && primary(v) {
			return 0, fmt.Errorf("tooth %s is a primary tooth; expected a permanent one, ISO 3950 11-18, 21-28, 31-38 or 41-48", label)
		}
		if plain && v >= 1 && v <= 32 {
			return 0, fmt.Errorf(`tooth %q does not exist in ISO 3950 (11-18, 21-28, 31-38, 41-48); if it is a universal number, write numbering = "universal"`, label)
		}
		return 0, fmt.Errorf("tooth %q does not exist in ISO 3950; expected 11-18, 21-28, 31-38 or 41-48", label)
	case Universal:
		if plain && v >= 1 && v <= 32 {
			return fromUniversal(v), nil
		}
		if plain && iso(v) {
			return 0, fmt.Errorf(`tooth %q does not exist in universal numbering (1-32); if it is an ISO 3950 number, write numbering = "iso3950"`, label)
		}
		return 0, fmt.Errorf("tooth %q does not exist in universal numbering; expected 1-32", label)
	}
	return 0, fmt.Errorf("numbering %q is not known; expected %q or %q", system, ISO3950, Universal)
}

func iso(v int) bool {
	q, n := v/10, v%10
	return q >= 1 && q <= 4 && n >= 1 && n <= 8
}

// primary tells an ISO 3950 primary tooth, 51-55 to 81-85.
func primary(v int) bool {
	q, n := v/10, v%10
	return q >= 5 && q <= 8 && n >= 1 && n <= 5
}

// fromUniversal needs u within 1 to 32.
func fromUniversal(u int) Number {
	switch {
	case u <= 8:
		return Number(10 + 9 - u)
	case u <= 16:
		return Number(20 + u - 8)
	case u <= 24:
		return Number(30 + 25 - u)
	}
	return Number(40 + u - 24)
}

// Valid tells whether n is a permanent tooth. The other methods are meant for
// valid numbers only.
func (n Number) Valid() bool { return iso(int(n)) }

// Universal is the universal number, 1 to 32.
func (n Number) Universal() int {
	switch n.Quadrant() {
	case 1:
		return 9 - n.Place()
	case 2:
		return 8 + n.Place()
	case 3:
		return 25 - n.Place()
	}
	return 24 + n.Place()
}

// Label is n as written in a system; an unknown system gives ISO 3950.
func (n Number) Label(system System) string {
	if system == Universal {
		return strconv.Itoa(n.Universal())
	}
	return strconv.Itoa(int(n))
}

// String is the ISO 3950 label.
func (n Number) String() string { return n.Label(ISO3950) }

// Quadrant is 1 upper right, 2 upper left, 3 lower left, 4 lower right.
func (n Number) Quadrant() int { return int(n) / 10 }

// Place counts from the midline, 1 central incisor to 8 third molar.
func (n Number) Place() int { return int(n) % 10 }

// Jaw tells the jaw.
func (n Number) Jaw() Jaw {
	if n.Quadrant() <= 2 {
		return Upper
	}
	return Lower
}

// Side tells the patient's side.
func (n Number) Side() Side {
	if q := n.Quadrant(); q == 1 || q == 4 {
		return Right
	}
	return Left
}

// Anterior tells the teeth from canine to canine; the others are posterior.
func (n Number) Anterior() bool { return n.Place() <= 3 }

// Name is the tooth in plain words, as in "lower left first molar".
func (n Number) Name() string {
	return fmt.Sprintf("%s %s %s", n.Jaw(), n.Side(), places[n.Place()])
}

// All lists the 32 teeth in universal order.
func All() []Number {
	all := make([]Number, 0, 32)
	for u := 1; u <= 32; u++ {
		all = append(all, fromUniversal(u))
	}
	return all
}
