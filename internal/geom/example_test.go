package geom_test

import (
	"fmt"
	"math"

	"plumbline/internal/geom"
)

// A registration gives the motion from the follow-up scan to the planning scan; its
// inverse takes a planned point into the follow-up scan.
func ExampleRigid_Inverse() {
	postToPre := geom.Rotation(geom.Vec{Z: math.Pi / 2}) // a quarter turn about z
	postToPre.T = geom.Vec{X: 10}

	planned := geom.Vec{X: 10, Y: 3, Z: 1}
	inPost := postToPre.Inverse().Apply(planned)
	back := postToPre.Apply(inPost)
	fmt.Printf("in the follow-up scan: %.1f %.1f %.1f mm\n", inPost.X, inPost.Y, inPost.Z)
	fmt.Printf("and back: %.1f %.1f %.1f mm\n", back.X, back.Y, back.Z)
	// Output:
	// in the follow-up scan: 3.0 0.0 1.0 mm
	// and back: 10.0 3.0 1.0 mm
}
