// Package liberationsansregular gives a font under the name of another.
package liberationsansregular

import "codeberg.org/go-fonts/dejavu/dejavusans"

// TTF is the font.
var TTF = dejavusans.TTF
