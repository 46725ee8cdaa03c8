package drawing

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// linear gives the linear light of an ink (IEC 61966-2-1).
func linear(t *testing.T, c Ink) (out [3]float64) {
	t.Helper()
	var v [3]int
	_, err := fmt.Sscanf(string(c), "#%02x%02x%02x", &v[0], &v[1], &v[2])
	require.NoError(t, err)
	for i := range v {
		x := float64(v[i]) / 255
		if x <= 0.04045 {
			out[i] = x / 12.92
		} else {
			out[i] = math.Pow((x+0.055)/1.055, 2.4)
		}
	}
	return out
}

func luminance(v [3]float64) float64 { return 0.2126*v[0] + 0.7152*v[1] + 0.0722*v[2] }

// contrast is the contrast ratio of WCAG 2.2, 1.4.3.
func contrast(a, b [3]float64) float64 {
	x, y := luminance(a)+0.05, luminance(b)+0.05
	return max(x, y) / min(x, y)
}

// Text needs 4.5:1 (WCAG 2.2, 1.4.3), the lines of a picture 3:1 (1.4.11).
func TestInksStandOut(t *testing.T) {
	for _, text := range []Ink{Black, Grey, Achieved, Planned} {
		for _, paper := range []Ink{White, Wash} {
			assert.Greater(t, contrast(linear(t, text), linear(t, paper)), 4.5, "%s on %s", text, paper)
		}
	}
	for _, line := range []Ink{PlannedOnScan, AchievedOnScan} {
		assert.Greater(t, contrast(linear(t, line), linear(t, Casing)), 3.0, "%s in its casing", line)
	}
}

// Planned and achieved stay apart for people without red or green cones, as
// Viénot, Brettel and Mollon simulate it (Color Res Appl 1999;24:243; matrices
// in linear RGB from memory), by more than a just noticeable difference of 2.3
// in CIELAB many times over. In grey, dash and shape tell them apart.
func TestInksStayApartForTheColourBlind(t *testing.T) {
	seen := map[string][3][3]float64{
		"all cones": {{1, 0, 0}, {0, 1, 0}, {0, 0, 1}},
		"protanope": {{0.11238, 0.88762, 0}, {0.11238, 0.88762, 0}, {0.00401, -0.00401, 1}},
		"deuteranope": {{0.29275, 0.70725, 0}, {0.29275, 0.70725, 0},
			{-0.02234, 0.02234, 1}},
	}
	for who, m := range seen {
		for _, pair := range [][2]Ink{{Planned, Achieved}, {PlannedOnScan, AchievedOnScan}} {
			var lab [2][3]float64
			for i, c := range pair {
				in := linear(t, c)
				var v [3]float64
				for r := range 3 {
					for k := range 3 {
						v[r] += m[r][k] * in[k]
					}
				}
				lab[i] = cielab(v)
			}
			d := math.Sqrt(math.Pow(lab[0][0]-lab[1][0], 2) + math.Pow(lab[0][1]-lab[1][1], 2) + math.Pow(lab[0][2]-lab[1][2], 2))
			assert.Greater(t, d, 25.0, "%s: %s and %s", who, pair[0], pair[1])
		}
	}
}

// cielab of linear sRGB under D65 (CIE 15).
func cielab(v [3]float64) [3]float64 {
	x := (0.4124*v[0] + 0.3576*v[1] + 0.1805*v[2]) / 0.9505
	y := 0.2126*v[0] + 0.7152*v[1] + 0.0722*v[2]
	z := (0.0193*v[0] + 0.1192*v[1] + 0.9505*v[2]) / 1.089
	f := func(t float64) float64 {
		if t > 216.0/24389 {
			return math.Cbrt(t)
		}
		return (24389.0/27*t + 16) / 116
	}
	return [3]float64{116*f(y) - 16, 500 * (f(x) - f(y)), 200 * (f(y) - f(z))}
}
