package trimesh

import (
	"math"
	"math/bits"

	"plumbline/internal/geom"
)

// vertexTable finds vertices by their coordinates: a hash table with open
// addressing whose slots hold places in a list of vertices, counted from 1.
type vertexTable struct{ slots []int32 }

// fewestSlots is the size of a table at first, a power of two.
const fewestSlots = 1 << 10

// expect makes room for so many vertices while there is none.
func (t *vertexTable) expect(vertices int) {
	t.slots = make([]int32, max(fewestSlots, 1<<bits.Len(uint(2*vertices))))
}

// place is where a vertex stands in the list, to which it is added when it is
// new.
func (t *vertexTable) place(c geom.Vec, list *[]geom.Vec) int32 {
	if 2*len(*list) >= len(t.slots) { // never more than half full
		t.slots = make([]int32, max(fewestSlots, 2*len(t.slots)))
		for i, v := range *list {
			*t.slot(v, *list) = int32(i + 1)
		}
	}
	s := t.slot(c, *list)
	if *s == 0 {
		*list = append(*list, c)
		*s = int32(len(*list))
	}
	return *s - 1
}

// slot is that of a vertex, or the free one where it belongs.
func (t *vertexTable) slot(c geom.Vec, list []geom.Vec) *int32 {
	mask := uint64(len(t.slots) - 1)
	for i := hash(c) & mask; ; i = (i + 1) & mask {
		if n := t.slots[i]; n == 0 || list[n-1] == c {
			return &t.slots[i]
		}
	}
}

// hash mixes the bits of three coordinates by multiplication into 128 bits,
// whose halves are joined; the factors are odd, without a meaning.
func hash(c geom.Vec) uint64 {
	high, low := bits.Mul64(math.Float64bits(c.X)^0x9e3779b97f4a7c15, math.Float64bits(c.Y)^0xbf58476d1ce4e5b9)
	high, low = bits.Mul64(high^low^math.Float64bits(c.Z), 0x94d049bb133111eb)
	return high ^ low
}
