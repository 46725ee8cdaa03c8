package clearance_test

import (
	"fmt"
	"log"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
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
	fmt.Printf("%.2f mm\n", c.Distance)
	// Output:
	// 2.50 mm
}
