package code

import "plumbline/internal/tooth"

// teeth has the codes of the permanent teeth (SNOMED CT): the one that CID 4018 of
// PS3.16 has now, of a permanent tooth, and the one that it had before, of a tooth of
// that name. Premolars and third molars have one code, since no primary tooth has
// their names. testdata/teeth.csv is the older generation as pydicom 2.3.1 has it.
var teeth = map[tooth.Number][2]string{
	11: {"422653006", "22120004"}, 12: {"424877001", "11712009"}, 13: {"860767006", "80647007"}, 14: {"57826002", "57826002"},
	15: {"36492000", "36492000"}, 16: {"865995000", "5140004"}, 17: {"863902006", "7121006"}, 18: {"68085002", "68085002"},
	21: {"424399000", "31982000"}, 22: {"423185002", "25748002"}, 23: {"860780009", "72876007"}, 24: {"61897005", "61897005"},
	25: {"23226009", "23226009"}, 26: {"865988009", "23427002"}, 27: {"863901004", "66303006"}, 28: {"87704003", "87704003"},
	31: {"425106001", "113278005"}, 32: {"423331005", "77130001"}, 33: {"860782001", "39844006"}, 34: {"2400006", "2400006"},
	35: {"24573005", "24573005"}, 36: {"866006002", "89625000"}, 37: {"863898000", "48402004"}, 38: {"74344005", "74344005"},
	41: {"424575004", "15422005"}, 42: {"423937004", "82628004"}, 43: {"860785004", "47055002"}, 44: {"80140008", "80140008"},
	45: {"8873007", "8873007"}, 46: {"866005003", "28480000"}, 47: {"863899008", "40005008"}, 48: {"38994002", "38994002"},
}

// Tooth is a permanent tooth's entry, of the generation that CID 4018 has now. Its
// meaning names the tooth as people do, and its ISO 3950 number.
func Tooth(n tooth.Number) Code {
	return Code{teeth[n][0], SCT, n.Name() + ", ISO 3950 " + n.String()}
}

// ToothOf is the permanent tooth that an entry of either generation stands for; ok is
// false for any other entry.
func ToothOf(c Code) (n tooth.Number, ok bool) {
	if c.Scheme != SCT {
		return 0, false
	}
	for n, values := range teeth {
		if c.Value == values[0] || c.Value == values[1] {
			return n, true
		}
	}
	return 0, false
}
