// Package seeded gives the property tests that rapid draws one seed, so that what failed
// once fails again. A test imports it beside rapid, for its effect; -rapid.seed N on the
// command line draws other cases.
package seeded

import (
	"flag"

	_ "pgregory.net/rapid" // declares the flag
)

func init() {
	if err := flag.Set("rapid.seed", "1"); err != nil {
		panic(err)
	}
}
