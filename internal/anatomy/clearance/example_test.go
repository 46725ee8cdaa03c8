package clearance_test

import (
	"fmt"
	"log"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
)

// A fixture that ends above a nerve canal.
func ExampleOf() {
	canal, err := clearance.NewChain([]geom.Vec{{X: -10, Z: -14}, {X: 10, Z: -14}}, []float64{1.5})
	if err != nil {
		log.Fatal(err)
	}
	fixture, err := clearance.Nominal(4.1).Place(geom.Pose{Apex: geom.Vec{Z: -10}})
	if err != nil {
		log.Fatal(err)
	}
	c := clearance.Of(fixture, canal)
	margin := clearance.MarginOf(casefile.Nerve, nil)
	fmt.Printf("%.2f mm, margin %.1f mm\n", c.Distance, margin.MM)
	// Output:
	// 2.50 mm, margin 2.0 mm
}
