package casefile_test

import (
	"fmt"
	"log"
	"os"
	"path/filepath"

	"plumbline/internal/plan/casefile"
)

// A plan is checked as it is read.
func ExampleReadPlan() {
	folder, err := os.MkdirTemp("", "case")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	file := filepath.Join(folder, "case.toml")
	text := `case = "demo-01"
placed = 2026-03-14
clinician = "A"
numbering = "iso3950"
pre = "pre"
post = "post"
frame = "lps"

[[fixture]]
site = "36"
diameter = 4.1
entry = [20.0, -10.0, 5.0]
apex = [20.0, -10.0, -5.0]
`
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		log.Fatal(err)
	}
	c, err := casefile.ReadPlan(file)
	if err != nil {
		log.Fatal(err) // says in which line and field the fault is, and what to write
	}
	f := c.Fixtures[0]
	fmt.Printf("%s: %s, %.1f mm wide, %.1f mm long\n", c.Name, f.Site, f.Diameter, f.Planned.Length())
	// Output:
	// demo-01: 36, 4.1 mm wide, 10.0 mm long
}
