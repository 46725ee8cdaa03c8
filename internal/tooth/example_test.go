package tooth_test

import (
	"fmt"
	"log"

	"plumbline/internal/tooth"
)

// Tooth numbers are kept in the system of ISO 3950 and converted where they are read
// or shown.
func ExampleParse() {
	n, err := tooth.Parse("30", tooth.Universal)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println("ISO 3950:", n.Label(tooth.ISO3950))
	fmt.Println("universal:", n.Label(tooth.Universal))
	fmt.Println(n.Name())
	// Output:
	// ISO 3950: 46
	// universal: 30
	// lower right first molar
}
