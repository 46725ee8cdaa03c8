package scan

import (
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/suyashkumar/dicom/pkg/tag"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/unicode/norm"

	"plumbline/internal/dicom/element"
)

// Identity is whom a scan's header names. It tells whether a text names them too, and
// shows nothing of them.
type Identity struct{ persons, numbers []identifier }

// identifier is a name or a number of the header.
type identifier struct {
	what  string   // in words
	words []string // of a name; of a number, its spellings
	code  bool     // letters and digits, which may be a pseudonym that the scan was exported under
}

// String keeps an identity out of whatever is printed.
func (Identity) String() string { return "(not shown)" }

// GoString is String.
func (Identity) GoString() string { return "(not shown)" }

// Attributes that name a person, or number one (PS3.3 C.7.1.1, C.7.2.1, C.7.3.1).
var (
	personAttributes = []attribute{
		{tag.PatientName, "the patient's name"}, {tag.OtherPatientNames, "another name of the patient"}, {tag.PatientBirthName, "the patient's birth name"},
		{tag.ReferringPhysicianName, "the referring clinician's name"}, {tag.PerformingPhysicianName, "the performing clinician's name"},
		{tag.OperatorsName, "the operator's name"}, {tag.PhysiciansOfRecord, "a clinician's name"},
	}
	numberAttributes = []attribute{
		{tag.PatientID, "the patient's number"}, {tag.OtherPatientIDs, "another number of the patient"}, {tag.AccessionNumber, "the accession number"},
		{tag.PatientBirthDate, "the patient's date of birth"},
	}
)

// attribute is one with what it holds, in words.
type attribute struct {
	tag  tag.Tag
	what string
}

// identityOf takes the names and numbers of a header. One that says that it was
// de-identified names nobody (PatientIdentityRemoved, PS3.3 C.7.1.1).
func identityOf(d element.Dataset) Identity {
	var id Identity
	if codeString(d.Text(tag.PatientIdentityRemoved)) == "YES" {
		return id
	}
	decode := textDecoder(d.Text(tag.SpecificCharacterSet))
	for _, a := range personAttributes {
		for _, v := range strings.Split(decode(d.Text(a.tag)), `\`) {
			if strings.ContainsFunc(v, unicode.IsDigit) { // no name, but a code in place of one
				id.numbers = append(id.numbers, identifier{a.what, []string{squeezed(v)}, true})
				continue
			}
			for _, spelt := range spellings(v) {
				words := slices.DeleteFunc(wordsOf(spelt), func(w string) bool { return slices.Contains(placeholders, w) })
				if len(words) > 0 {
					id.persons = append(id.persons, identifier{what: a.what, words: words})
				}
			}
		}
	}
	for _, a := range numberAttributes {
		for _, v := range strings.Split(decode(d.Text(a.tag)), `\`) {
			if s := squeezed(v); s != "" {
				id.numbers = append(id.numbers, identifier{a.what, numberSpellings(a.tag, s), strings.ContainsFunc(s, unicode.IsLetter)})
			}
		}
	}
	return id
}

// placeholders are words that stand where a name would, and name nobody.
var placeholders = []string{
	"anonymous", "anonymized", "anonymised", "anonym", "deidentified", "removed", "pseudonym", "unknown", "unnamed", "none", "no", "name", "noname",
	"patient", "subject", "case", "test", "demo", "phantom", "simulated", "simulation", "sample", "study", "dicom", "clinic", "clinician",
}

// numberSpellings are the ways in which a number is written; a date of birth has
// several.
func numberSpellings(t tag.Tag, s string) []string {
	if t != tag.PatientBirthDate || len(s) != 8 {
		return []string{s}
	}
	year, month, day := s[:4], s[4:6], s[6:]
	return []string{s, day + month + year, month + day + year}
}

// characterSets are the single-byte sets of PS3.3 C.12.1.1.2 by their registration.
var characterSets = map[string]*charmap.Charmap{
	"100": charmap.ISO8859_1, "101": charmap.ISO8859_2, "109": charmap.ISO8859_3, "110": charmap.ISO8859_4, "144": charmap.ISO8859_5,
	"127": charmap.ISO8859_6, "126": charmap.ISO8859_7, "138": charmap.ISO8859_8, "148": charmap.ISO8859_9, "203": charmap.ISO8859_15,
}

// textDecoder gives the function that makes UTF-8 of a header's text. Text in a set that is
// not known is taken byte by byte, so that its Latin letters are right.
func textDecoder(set string) func(string) string {
	first, rest, _ := strings.Cut(set, `\`)
	if strings.TrimSpace(first) == "" {
		first = rest
	}
	fields := strings.FieldsFunc(first, func(r rune) bool { return r == ' ' || r == '_' })
	table := charmap.ISO8859_1
	if len(fields) > 0 && characterSets[fields[len(fields)-1]] != nil {
		table = characterSets[fields[len(fields)-1]]
	}
	return func(s string) string {
		if utf8.ValidString(s) {
			return s
		}
		if out, err := table.NewDecoder().String(s); err == nil {
			return out
		}
		return s
	}
}

// germanLetters are written as two letters where a keyboard lacks them.
var germanLetters = strings.NewReplacer("ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "Ä", "ae", "Ö", "oe", "Ü", "ue", "å", "aa", "ø", "oe", "æ", "ae")

// spellings are a name with its accents taken off and, where it has such letters, with
// two letters in their place.
func spellings(name string) []string {
	if name == "" {
		return nil
	}
	out := []string{name}
	if two := germanLetters.Replace(norm.NFC.String(name)); two != name {
		out = append(out, two)
	}
	return out
}

// folded is a text in small letters without accents.
func folded(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.Is(unicode.Mn, r) {
			return -1
		}
		return unicode.ToLower(r)
	}, norm.NFKD.String(s))
}

// wordsOf are the runs of letters of a text, folded.
func wordsOf(s string) []string {
	return strings.FieldsFunc(folded(s), func(r rune) bool { return !unicode.IsLetter(r) })
}

// squeezed is a text's letters and digits, folded.
func squeezed(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return r
		}
		return -1
	}, folded(s))
}

const (
	// leastWord is the length, letters, from which a word of a name tells of it when
	// it stands by itself, leastPart that from which it does inside other words, and
	// leastNumber the same for a number, characters: shorter ones are met by chance.
	leastWord, leastPart, leastNumber = 3, 5, 4
)

// NamedIn says in words which of the header's names or numbers a text is or contains,
// "" where it contains none. It is not certain of a code of letters and digits, which may
// be the pseudonym that the scan was exported under. Words that are in common are not
// looked at.
func (id Identity) NamedIn(text string, common func(word string) bool) (what string, certain bool) {
	var words, joined []string
	for _, spelt := range spellings(text) {
		var left []string
		for _, w := range wordsOf(spelt) {
			if common == nil || !common(w) {
				left = append(left, w)
			}
		}
		words = append(words, left...)
		joined = append(joined, strings.Join(left, ""))
	}
	for _, p := range id.persons {
		if p.nameIn(words, joined) {
			return p.what, true
		}
	}
	all := squeezed(text)
	for _, number := range id.numbers {
		for _, s := range number.words {
			if all != s && (utf8.RuneCountInString(s) < leastNumber || !strings.Contains(all, s)) {
				continue
			}
			if !number.code {
				return number.what, true
			}
			what = number.what
		}
	}
	return what, false
}

// nameIn reports whether a name, or a part of it that tells, is among a text's words or
// in what they make when they are joined.
func (p identifier) nameIn(words, joined []string) bool {
	if slices.Contains(joined, strings.Join(p.words, "")) {
		return true
	}
	return slices.ContainsFunc(p.words, func(part string) bool {
		n := utf8.RuneCountInString(part)
		return n >= leastWord && slices.Contains(words, part) ||
			n >= leastPart && slices.ContainsFunc(joined, func(j string) bool { return strings.Contains(j, part) })
	})
}
