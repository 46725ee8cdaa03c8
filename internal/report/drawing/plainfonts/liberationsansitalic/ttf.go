// Package liberationsansitalic gives a font under the name of another.
package liberationsansitalic

import "codeberg.org/go-fonts/dejavu/dejavusans"

// TTF is the font.
var TTF = dejavusans.TTF
