package measure_test

import (
	"fmt"
	"log"
	"math"
	"os"
	"path/filepath"

	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
)

// A case folder with a known transform between its scans is measured; the phantom
// knows the truth.
func ExampleCase() {
	folder, err := os.MkdirTemp("", "case")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	spec := phantom.Usual("36")
	for _, s := range []*phantom.Scan{&spec.Pre, &spec.Post} {
		s.Voxel, s.Width, s.Height = 0.4, 32, 30
	}
	if err := phantom.Write(folder, spec); err != nil {
		log.Fatal(err)
	}
	truth, err := phantom.TruthOf(spec)
	if err != nil {
		log.Fatal(err)
	}

	study, err := measure.Case(filepath.Join(folder, "case-matrix.toml"), measure.Options{Seed: 1})
	if err != nil {
		log.Fatal(err)
	}
	f := study.Result.Fixtures[0]
	fmt.Println("site", f.Site)
	for _, figure := range []measurement.Figure{measurement.Entry, measurement.Apex, measurement.Angle} {
		err := math.Abs(*f.Deviation[figure] - *truth.Fixtures[0].Deviation[figure])
		fmt.Printf("%s: true to 0.1 %s: %v\n", figure.Spec().Title, figure.Unit(), err < 0.1)
	}
	// Output:
	// site 36
	// entry deviation: true to 0.1 mm: true
	// apex deviation: true to 0.1 mm: true
	// angular deviation: true to 0.1 deg: true
}
