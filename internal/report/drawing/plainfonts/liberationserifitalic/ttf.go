// Package liberationserifitalic gives a font under the name of another.
package liberationserifitalic

import "codeberg.org/go-fonts/dejavu/dejavusans"

// TTF is the font.
var TTF = dejavusans.TTF
