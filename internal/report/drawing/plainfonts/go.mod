// The plot library carries twelve fonts of this module as its defaults, a sixth of the whole
// program. Every drawing names a font of its own, so that one stands in for all twelve.
module codeberg.org/go-fonts/liberation

go 1.25

require codeberg.org/go-fonts/dejavu v0.4.0
