package scan_test

import (
	"fmt"
	"log"
	"os"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// A scan is read from the folder that a machine exported it into.
func ExampleOpen() {
	folder, err := os.MkdirTemp("", "scan")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	exported := volume.Volume{
		Grid:      volume.Grid{Size: [3]int{4, 3, 10}, Step: [3]geom.Vec{{X: 0.2}, {Y: 0.2}, {Z: 0.3}}},
		Stored:    make([]uint16, 4*3*10),
		Slope:     []float64{2, 2, 2, 2, 2, 2, 2, 2, 2, 2},
		Intercept: []float64{-1000, -1000, -1000, -1000, -1000, -1000, -1000, -1000, -1000, -1000},
	}
	exported.Stored[5] = 700
	if err := encode.Volume(folder, &exported, encode.Options{StudyDate: "2026-02-01"}); err != nil {
		log.Fatal(err)
	}

	s, err := scan.Open(folder, scan.Options{})
	if err != nil {
		log.Fatal(err) // says what is wrong, in which file, and what to do
	}
	fmt.Println("voxels:", s.Size)
	fmt.Printf("spacing: %.1f mm\n", s.Spacing())
	fmt.Println("grey values:", s.Low, "to", s.High)
	fmt.Println("study date:", s.StudyDate)
	fmt.Println("flags:", len(s.Flags))
	// Output:
	// voxels: [4 3 10]
	// spacing: [0.2 0.2 0.3] mm
	// grey values: -1000 to 400
	// study date: 2026-02-01
	// flags: 0
}
