package sequential

// trendTable is the largest |T| of a record without a trend that is looked at after every
// case from MinCases to MostCases: 20,000 records (TestTablesAccuracy).
var trendTable = []point{{0, 1}, {1.274, .95}, {1.409, .9}, {1.719, .7}, {1.969, .5}, {2.246, .3}, {2.419, .2}, {2.670, .1}, {2.895, .05}, {3.039, .03}, {3.150, .02}, {3.323, .01}, {3.490, .005}, {3.722, .002}, {3.881, .001}}

// directionTable is the largest −log₁₀ p of Hotelling's test of normal vectors with two or
// three parts without an offset, at the same looks; both have the same table.
var directionTable = []point{{0, 1}, {.375, .95}, {.465, .9}, {.730, .7}, {.993, .5}, {1.320, .3}, {1.563, .2}, {1.957, .1}, {2.340, .05}, {2.600, .03}, {2.798, .02}, {3.150, .01}, {3.507, .005}, {3.921, .002}, {4.259, .001}}

// chartTable is the probability that a record of so many cases without a change has a
// signal on the self-starting chart: 30,000 records (TestTablesAccuracy). Of 300 it is .0256.
var chartTable = []struct {
	cases int
	p     float64
}{{8, 0}, {20, .0127}, {30, .020}, {50, .0238}, {80, .0252}, {100, .0255}}
