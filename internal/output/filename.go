package output

import (
	"regexp"
	"strings"
)

// FileName makes a case's name safe as a file name on every system.
func FileName(name string) string {
	safe := strings.Map(func(r rune) rune {
		if strings.ContainsRune(`<>:"/\|?*`, r) || r < ' ' {
			return '_'
		}
		return r
	}, name)
	safe = strings.Trim(safe, " .")
	if stem, _, _ := strings.Cut(strings.ToUpper(safe), "."); safe == "" || device.MatchString(stem) {
		return "_" + safe
	}
	return safe
}

// device names stand for devices on Windows, whatever follows after a stop.
var device = regexp.MustCompile(`^(CON|PRN|AUX|NUL|(COM|LPT)[0-9¹²³]) *$`)
