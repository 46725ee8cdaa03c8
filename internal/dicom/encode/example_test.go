package encode_test

import (
	"fmt"
	"log"
	"os"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// A volume becomes a folder with one DICOM file a slice.
func ExampleVolume() {
	folder, err := os.MkdirTemp("", "volume")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	v := volume.Volume{
		Grid:      volume.Grid{Size: [3]int{8, 8, 3}, Step: [3]geom.Vec{{X: 0.3}, {Y: 0.3}, {Z: 0.3}}},
		Stored:    make([]uint16, 8*8*3),
		Slope:     []float64{1, 1, 1}, // of each slice: grey = slope·stored + intercept
		Intercept: []float64{-1000, -1000, -1000},
	}
	if err := encode.Volume(folder, &v, encode.Options{StudyDate: "2026-02-01"}); err != nil {
		log.Fatal(err)
	}
	files, err := os.ReadDir(folder)
	if err != nil {
		log.Fatal(err)
	}
	for _, f := range files {
		fmt.Println(f.Name())
	}
	// Output:
	// IM0001.dcm
	// IM0002.dcm
	// IM0003.dcm
}
