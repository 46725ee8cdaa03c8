package volume

import "math"

// Histogram counts grey values in bins of one width between their extremes; NaN
// is left out.
type Histogram struct {
	low, width float64
	count      []int
	total      int
}

// histogramBins is fine enough that a quantile is known to a 4000th of the range.
const histogramBins = 4096

// NewHistogram counts grey values.
func NewHistogram(v []float32) Histogram {
	low, high := math.Inf(1), math.Inf(-1)
	for _, x := range v {
		if x == x {
			low, high = min(low, float64(x)), max(high, float64(x))
		}
	}
	h := Histogram{low: low, count: make([]int, histogramBins)}
	h.width = max(high-low, 1e-6) / float64(len(h.count))
	for _, x := range v {
		if x == x {
			h.count[min(len(h.count)-1, int((float64(x)-low)/h.width))]++
			h.total++
		}
	}
	return h
}

// Quantile is the middle of the bin that holds the quantile q, 0 to 1; NaN when
// nothing was counted.
func (h Histogram) Quantile(q float64) float64 {
	want, seen := q*float64(h.total), 0
	for i, n := range h.count {
		seen += n
		if n > 0 && float64(seen) >= want {
			return h.low + (float64(i)+0.5)*h.width
		}
	}
	return math.NaN()
}
