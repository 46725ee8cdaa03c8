package drawing

import (
	"math"

	"plumbline/internal/anatomy/clearance"
)

// curve is a line in a plane: mm to the right and up from the plane's centre.
type curve struct {
	points [][2]float64
	closed bool
}

// crossSection is where a structure's surface passes a plane, as far as a square of the
// given half side, mm, about the plane's centre shows it.
func crossSection(s clearance.Structure, p Plane, reach float64) []curve {
	switch v := s.(type) {
	case *clearance.Chain:
		return contour(func(x, y float64) float64 { return v.SignedDistance(p.At(x, y)) }, reach)
	case *clearance.Surface:
		var lines [][2][2]float64
		for _, l := range v.Crossings(p.Centre, p.Normal(), math.Sqrt2*reach) {
			ax, ay := p.On(l[0])
			bx, by := p.On(l[1])
			lines = append(lines, [2][2]float64{{ax, ay}, {bx, by}})
		}
		return joined(lines)
	case clearance.Envelope:
		if ring := Cut(&v, p); ring != nil {
			return []curve{{ring, true}}
		}
	}
	return nil
}

// contourStep is the side of the cells of a contour, mm. A chord across a cell lies
// within (√2·step)²/8 = 0.01 mm of a circle of 1 mm radius.
const contourStep = 0.2

// contourBlock is how many cells are looked into together: a block is passed over where its
// middle is farther from the zero line than its corners, since no distance changes faster
// than the place.
const contourBlock = 8

// contour is the zero line of a signed distance.
//
// Method: marching squares; a saddle is resolved by the cell's mean (W. E. Lorensen and
// H. E. Cline, Comput Graph 1987; 21:163, in two dimensions).
func contour(distance func(x, y float64) float64, reach float64) []curve {
	n := int(math.Ceil(2 * reach / contourStep))
	at := func(i int) float64 { return -reach + float64(i)*contourStep }
	values := make([]float64, (n+1)*(n+1))
	var near [][2]int // blocks, by their first corner
	for j := 0; j <= n; j += contourBlock {
		for i := 0; i <= n; i += contourBlock {
			const half = contourBlock * contourStep / 2
			middle := distance(at(i)+half, at(j)+half)
			if math.Abs(middle) <= math.Sqrt2*half {
				near = append(near, [2]int{i, j})
				continue
			}
			for y := j; y <= min(j+contourBlock, n); y++ {
				for x := i; x <= min(i+contourBlock, n); x++ {
					values[y*(n+1)+x] = middle
				}
			}
		}
	}
	for _, b := range near {
		for y := b[1]; y <= min(b[1]+contourBlock, n); y++ {
			for x := b[0]; x <= min(b[0]+contourBlock, n); x++ {
				values[y*(n+1)+x] = distance(at(x), at(y))
			}
		}
	}
	var lines [][2][2]float64
	for j := range n {
		for i := range n {
			k := j*(n+1) + i
			inside := values[k] < 0
			if inside == (values[k+1] < 0) && inside == (values[k+n+1] < 0) && inside == (values[k+n+2] < 0) {
				continue
			}
			lines = append(lines, cell(i, j, n+1, values, at)...)
		}
	}
	return joined(lines)
}

// cell gives the zero lines of one cell that has some.
func cell(i, j, row int, values []float64, at func(int) float64) [][2][2]float64 {
	corner := [4][2]int{{i, j}, {i + 1, j}, {i + 1, j + 1}, {i, j + 1}}
	value := func(k int) float64 { return values[corner[k%4][1]*row+corner[k%4][0]] }
	// Where the line passes edge k, computed from its lower corner, so that both cells
	// of an edge compute the same.
	crossing := func(k int) [2]float64 {
		a, b := corner[k], corner[(k+1)%4]
		va, vb := value(k), value(k+1)
		if k >= 2 {
			a, b, va, vb = b, a, vb, va
		}
		t := va / (va - vb)
		return [2]float64{at(a[0]) + t*(at(b[0])-at(a[0])), at(a[1]) + t*(at(b[1])-at(a[1]))}
	}
	var edges []int
	sum := 0.0
	for k := range 4 {
		sum += value(k)
		if (value(k) < 0) != (value(k+1) < 0) {
			edges = append(edges, k)
		}
	}
	switch len(edges) {
	case 2:
		return [][2][2]float64{{crossing(edges[0]), crossing(edges[1])}}
	case 4:
		if (sum < 0) == (value(0) < 0) {
			return [][2][2]float64{{crossing(0), crossing(1)}, {crossing(2), crossing(3)}}
		}
		return [][2][2]float64{{crossing(3), crossing(0)}, {crossing(1), crossing(2)}}
	}
	return nil
}

// joined joins straight lines with ends in common into curves.
func joined(lines [][2][2]float64) []curve {
	meets := map[[2]float64][]int{}
	for i, l := range lines {
		meets[l[0]] = append(meets[l[0]], i)
		meets[l[1]] = append(meets[l[1]], i)
	}
	used := make([]bool, len(lines))
	// follow goes on from an end over lines that were not used.
	follow := func(points [][2]float64) [][2]float64 {
		for {
			end, next := points[len(points)-1], -1
			for _, i := range meets[end] {
				if !used[i] {
					next = i
					break
				}
			}
			if next < 0 {
				return points
			}
			used[next] = true
			l := lines[next]
			if l[0] == end {
				points = append(points, l[1])
			} else {
				points = append(points, l[0])
			}
		}
	}
	var out []curve
	for i, l := range lines {
		if used[i] {
			continue
		}
		used[i] = true
		forward := follow([][2]float64{l[0], l[1]})
		if len(forward) > 2 && forward[0] == forward[len(forward)-1] {
			out = append(out, curve{forward[1:], true})
			continue
		}
		back := follow([][2]float64{l[0]})
		all := make([][2]float64, 0, len(back)+len(forward))
		for k := len(back) - 1; k > 0; k-- {
			all = append(all, back[k])
		}
		out = append(out, curve{append(all, forward...), false})
	}
	return out
}
