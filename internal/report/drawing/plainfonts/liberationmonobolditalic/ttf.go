// Package liberationmonobolditalic gives a font under the name of another.
package liberationmonobolditalic

import "codeberg.org/go-fonts/dejavu/dejavusans"

// TTF is the font.
var TTF = dejavusans.TTF
