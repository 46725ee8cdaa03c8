package drawing

import (
	"bytes"
	"image"
	"image/png"
	"math"
	"slices"

	"plumbline/internal/evidence"
	"plumbline/internal/parallel"
)

// sampled gives the greys of a plane, row by row from the top left, at the middles
// of w × h pixels of the given size, mm, about the plane's centre. NaN is outside
// of what is shown.
func sampled(grey evidence.Grey, p Plane, w, h int, pixel float64) []float64 {
	out := make([]float64, w*h)
	parallel.For(h, func(row int) {
		y := (float64(h)/2 - 0.5 - float64(row)) * pixel
		for col := range w {
			x := (float64(col) + 0.5 - float64(w)/2) * pixel
			out[row*w+col] = grey(p.At(x, y))
		}
	})
	return out
}

// window maps grey values to brightness: black at low, white at high, and by the
// square root between them, so that bone is not lost beside metal. The half way
// value, where the edge of the metal lies, is at 71 % of the brightness.
type window struct{ low, high float64 }

// The shares of a cut along the fixture that are drawn quite black and quite
// white. Metal is a tenth to a fifth of such a cut, so that only its plateau is white.
const (
	darkest   = 0.01
	brightest = 0.98
)

func windowOf(values []float64) window {
	v := slices.DeleteFunc(slices.Clone(values), math.IsNaN)
	if len(v) == 0 {
		return window{0, 1}
	}
	slices.Sort(v)
	w := window{v[int(darkest*float64(len(v)-1))], v[int(brightest*float64(len(v)-1))]}
	if w.high <= w.low {
		w.high = w.low + 1
	}
	return w
}

// greyLevels is how many greys a picture of a scan has. Its noise is many times a step of 64;
// more would only be noise told more exactly, at half as much again of the page's size.
const greyLevels = 64

// greyLevel is the brightness of a share of white, of 255, as one of the levels.
func greyLevel(share float64) uint8 {
	step := math.Round((greyLevels - 1) * min(max(share, 0), 1))
	return uint8(math.Round(step * 255 / (greyLevels - 1)))
}

// picture is a cut's values as an 8-bit grey PNG. Outside the scan is black.
func (w window) picture(values []float64, width int) []byte {
	img := image.NewGray(image.Rect(0, 0, width, len(values)/width))
	for i, v := range values {
		if g := (v - w.low) / (w.high - w.low); !math.IsNaN(g) {
			img.Pix[i] = greyLevel(math.Sqrt(max(g, 0)))
		}
	}
	return encode(img)
}

// quick takes half the time of the usual compression, and a tenth more room.
var quick = png.Encoder{CompressionLevel: png.BestSpeed}

// encode writes a picture as PNG. Into memory that cannot fail.
func encode(img image.Image) []byte {
	var b bytes.Buffer
	if err := quick.Encode(&b, img); err != nil {
		panic(err)
	}
	return b.Bytes()
}
