package deviation_test

import (
	"fmt"
	"log"

	"plumbline/internal/deviation"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// A fixture of 10 mm was placed half a millimetre beside its plan, a millimetre too
// deep and a little tilted.
func ExampleOf() {
	planned := geom.Pose{Entry: geom.Vec{}, Apex: geom.Vec{Z: -10}}
	achieved := geom.Pose{Entry: geom.Vec{X: 0.5, Z: -1}, Apex: geom.Vec{X: 1.2, Z: -11}}

	figures, err := deviation.Of(planned, achieved, nil)
	if err != nil {
		log.Fatal(err) // a pose without an axis, or entry and apex exchanged
	}
	for _, f := range []measurement.Figure{measurement.Entry, measurement.EntryLateral, measurement.EntryDepth, measurement.Apex, measurement.Angle} {
		fmt.Printf("%s: %.2f %s\n", f.Spec().Title, *figures[f], f.Unit())
	}
	// Without the site's directions there are no mesial and buccal parts.
	fmt.Println("mesial part known:", figures[measurement.EntryMesial] != nil)
	// Output:
	// entry deviation: 1.12 mm
	// lateral deviation at the entry: 0.50 mm
	// depth at the entry: 1.00 mm
	// apex deviation: 1.56 mm
	// angular deviation: 4.00 deg
	// mesial part known: false
}
