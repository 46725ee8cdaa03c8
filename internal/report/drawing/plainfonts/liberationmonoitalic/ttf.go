// Package liberationmonoitalic gives a font under the name of another.
package liberationmonoitalic

import "codeberg.org/go-fonts/dejavu/dejavusans"

// TTF is the font.
var TTF = dejavusans.TTF
