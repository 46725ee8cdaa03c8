package casefile

import (
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// surnameFirst is a name as lists of patients have it: "Surname, Given", with titles and
// prefixes in small letters in front.
var surnameFirst = regexp.MustCompile(`^(\p{Ll}+[ ’'])*\p{Lu}[\p{L}’'.-]*( \p{Lu}[\p{L}’'.-]*)*, ?\p{Lu}[\p{L}’'.-]*( \p{Lu}[\p{L}’'.-]*)*$`)

// LooksLikeName reports whether a text is written as a person's name: as DICOM has it,
// with ^ between its parts (PS3.5 6.2.1), or the surname first and a comma.
func LooksLikeName(text string) bool {
	return strings.Contains(text, "^") || strings.Contains(text, ",") && surnameFirst.MatchString(text)
}

// anatomy are the words of structures' names, some of which are surnames too.
var anatomy = []string{
	"left", "right", "upper", "lower", "anterior", "posterior", "mesial", "distal", "buccal", "lingual", "palatal", "labial",
	"canal", "nerve", "alveolar", "inferior", "superior", "mandibular", "maxillary", "mandible", "maxilla", "mental", "incisive", "foramen", "loop",
	"sinus", "floor", "nasal", "cavity", "root", "roots", "tooth", "crown", "molar", "premolar", "canine", "incisor", "first", "second", "third",
	"implant", "fixture", "cortex", "cortical", "plate", "bone", "wall", "artery", "vessel", "border", "the", "of", "and", "stl", "ply", "obj",
}

// IsAnatomy reports whether a word in small letters is one of structures' names.
func IsAnatomy(word string) bool { return slices.Contains(anatomy, word) }

// structureNamesPerson is LooksLikeName for a structure, which may be a "Canal, Left".
func structureNamesPerson(name string) bool {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return !unicode.IsLetter(r) })
	return LooksLikeName(name) && !slices.ContainsFunc(words, IsAnatomy)
}
