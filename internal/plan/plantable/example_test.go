package plantable_test

import (
	"fmt"
	"log"

	"plumbline/internal/plan/plantable"
)

// A table as it is copied from a printout, with decimal commas.
func ExampleRead() {
	text := "Tooth (FDI);Entry X [mm];Entry Y;Entry Z;Apex X;Apex Y;Apex Z;Diameter\n" +
		"36;20,0;-10,0;5,0;21,5;-10,0;-5,0;4,1\n"
	t, err := plantable.Read("plan.csv", []byte(text))
	if err != nil {
		log.Fatal(err) // names the file, the line and what to change
	}
	f := t.Fixtures[0]
	fmt.Println("tooth", f.Label, "in", t.Numbering)
	fmt.Println("entry", f.Entry, "apex", f.Apex)
	fmt.Println("diameter", f.Diameter, "mm")
	// Output:
	// tooth 36 in iso3950
	// entry {20 -10 5} apex {21.5 -10 -5}
	// diameter 4.1 mm
}
