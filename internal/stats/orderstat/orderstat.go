// Package orderstat finds order statistics of unsorted lists: the median, or what
// sorting would put at a given place.
//
// gonum's stat.Quantile wants a sorted list and knows the lower median only (its
// Empirical kind); these lists are long and asked for one value.
package orderstat

import (
	"math"
	"slices"
)

// Median is the middle of a list, the mean of the two middle ones where there are
// two; NaN when empty. It sorts the list.
func Median(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	slices.Sort(x)
	n := len(x)
	return (x[(n-1)/2] + x[n/2]) / 2
}

// UpperMedian is the middle of a list, the larger of the two middle ones where there
// are two; NaN when empty. It puts the list into another order.
func UpperMedian(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	return Select(x, len(x)/2)
}

// Select is what sorting would put at place k (from 0) of a list without NaN, which
// it puts into another order: nothing after place k is smaller, nothing before it
// larger.
//
// Method: Hoare CAR. Algorithm 65: Find. Commun ACM 1961;4(7):321, with the median
// of three for the pivot.
func Select[T float32 | float64](x []T, k int) T {
	for low, high := 0, len(x)-1; low < high; {
		a, b, c := x[low], x[(low+high)/2], x[high]
		pivot := max(min(a, b), min(max(a, b), c))
		i, j := low, high
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return x[k]
		}
	}
	return x[k]
}
