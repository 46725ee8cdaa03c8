package trimesh_test

import (
	"fmt"
	"log"

	"plumbline/internal/trimesh"
)

// A tetrahedron with edges of 6 mm along the axes.
func ExampleDecode() {
	text := `solid tetrahedron
facet normal 0 0 0 outer loop vertex 0 0 0 vertex 0 6 0 vertex 6 0 0 endloop endfacet
facet normal 0 0 0 outer loop vertex 0 0 0 vertex 6 0 0 vertex 0 0 6 endloop endfacet
facet normal 0 0 0 outer loop vertex 0 0 0 vertex 0 0 6 vertex 0 6 0 endloop endfacet
facet normal 0 0 0 outer loop vertex 6 0 0 vertex 0 6 0 vertex 0 0 6 endloop endfacet
endsolid
`
	m, err := trimesh.Decode("sinus.stl", []byte(text))
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(len(m.Triangles), "triangles,", len(m.Vertices), "vertices")
	fmt.Println("closed:", m.OpenEdges() == 0)
	fmt.Println("volume:", m.Volume(), "mm³")
	// Output:
	// 4 triangles, 4 vertices
	// closed: true
	// volume: 36 mm³
}
