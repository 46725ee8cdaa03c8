package jpegls

import "math/bits"

// parameters are those of a scan, in the words of T.87: maxValue is MAXVAL, near
// NEAR, reset RESET, levels RANGE, step 2·NEAR+1.
type parameters struct {
	maxValue, near, t1, t2, t3, reset int
	levels, step                      int
	wide                              int // qbpp: bits of an error that has no shorter code
	limit                             int // LIMIT: bits of the longest code
}

// defaultThresholds gives T1, T2 and T3 where a stream does not (C.2.4.1.1.1).
func defaultThresholds(maxValue, near int) (t1, t2, t3 int) {
	if maxValue >= 128 {
		factor := (min(maxValue, 4095) + 128) / 256
		t1, t2, t3 = factor+2+3*near, 4*factor+3+5*near, 17*factor+4+7*near
	} else {
		factor := 256 / (maxValue + 1)
		t1, t2, t3 = max(2, 3/factor+3*near), max(3, 7/factor+5*near), max(4, 21/factor+7*near)
	}
	within := func(t, least int) int {
		if t > maxValue || t < least {
			return least
		}
		return t
	}
	t1 = within(t1, near+1)
	t2 = within(t2, t1)
	return t1, t2, within(t3, t2)
}

// complete derives the rest of the parameters (A.2.1).
func (p *parameters) complete() {
	p.step = 2*p.near + 1
	p.levels = (p.maxValue+2*p.near)/p.step + 1
	p.wide = bits.Len(uint(p.levels - 1))
	depth := max(2, bits.Len(uint(p.maxValue)))
	p.limit = 2 * (depth + max(8, depth))
}

// quantize gives the region, -4 to 4, of a local gradient (A.3.3).
func (p *parameters) quantize(d int) int {
	switch {
	case d <= -p.t3:
		return -4
	case d <= -p.t2:
		return -3
	case d <= -p.t1:
		return -2
	case d < -p.near:
		return -1
	case d <= p.near:
		return 0
	case d < p.t1:
		return 1
	case d < p.t2:
		return 2
	case d < p.t3:
		return 3
	}
	return 4
}

// context is one of A.2.1: a sums magnitudes of errors, b errors, c corrects the
// prediction, n counts. Contexts of run interruptions hold their count of
// negative errors, Nn, in b.
type context struct {
	a, b int
	c, n int32
}

const (
	regularContexts = 365 // 81·4 + 9·4 + 4, and one for the sign merge's 0
	runContexts     = 2   // A.7.2
	allContexts     = regularContexts + runContexts
)

// runOrder is J: the binary logarithms of run segments (A.2.1).
var runOrder = [32]int{
	0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3,
	4, 4, 5, 5, 6, 6, 7, 7, 8, 9, 10, 11, 12, 13, 14, 15,
}

// coder is the state that a scan carries from sample to sample.
type coder struct {
	parameters
	gradients []int8 // quantize, from -maxValue to maxValue
	contexts  [allContexts]context
	runIndex  int
	// The row above and this one, from index 1 on, with one more sample at each
	// end as A.2.1 gives it.
	above, current []uint16
}

func newCoder(p parameters, columns int) *coder {
	c := &coder{
		parameters: p,
		gradients:  make([]int8, 2*p.maxValue+1),
		above:      make([]uint16, columns+2),
		current:    make([]uint16, columns+2),
	}
	for i := range c.gradients {
		c.gradients[i] = int8(p.quantize(i - p.maxValue))
	}
	c.restart()
	return c
}

// restart brings the state to that of the start of a scan or restart interval (A.2.1).
func (c *coder) restart() {
	for i := range c.contexts {
		c.contexts[i] = context{a: max(2, (c.levels+32)/64), n: 1}
	}
	c.runIndex = 0
	clear(c.above)
	clear(c.current)
}

// decodeRow decodes one row into dst and reports whether its codes are valid.
func (c *coder) decodeRow(b *bitReader, dst []uint16) bool {
	columns := len(dst)
	c.above, c.current = c.current, c.above
	above, current := c.above[:columns+2], c.current[:columns+2]
	above[columns+1] = above[columns]
	current[0] = above[1]
	zero := c.maxValue // where gradients has that of 0
	left, upperLeft, up := int(current[0]), int(above[0]), int(above[1])
	for x := 1; x <= columns; x++ {
		upperRight := int(above[x+1])
		q := 81*int(c.gradients[zero+upperRight-up]) + 9*int(c.gradients[zero+up-upperLeft]) + int(c.gradients[zero+upperLeft-left])
		if q == 0 {
			next, valid := c.decodeRun(b, x, left)
			if !valid {
				return false
			}
			if next > columns {
				break
			}
			x = next
			left, upperLeft, up = int(current[x]), int(above[x]), int(above[x+1])
			continue
		}
		value := c.decodeRegular(b, q, left, up, upperLeft)
		if value < 0 {
			return false
		}
		current[x] = uint16(value)
		left, upperLeft, up = value, up, upperRight
	}
	copy(dst, current[1:])
	return true
}

// golombParameter is the least k for which n·2^k is a or more (A.5.1).
func golombParameter(a, n int) int {
	k := max(0, bits.Len(uint(a))-bits.Len(uint(n)))
	if n<<k < a {
		k++
	}
	return k
}

// decodeRegular decodes a sample in regular mode (A.4 to A.6) from its neighbours and
// their merged context, -364 to 364 and not 0. It gives -1 if the code is not valid.
func (c *coder) decodeRegular(b *bitReader, q, left, up, upperLeft int) int {
	sign := q >> 63 // 0, or -1 for a context seen in the mirror
	ctx := &c.contexts[(q^sign)-sign]

	predicted := left + up - upperLeft
	if low, high := min(left, up), max(left, up); upperLeft >= high {
		predicted = low
	} else if upperLeft <= low {
		predicted = high
	}
	predicted = min(max(predicted+((int(ctx.c)^sign)-sign), 0), c.maxValue)

	n := int(ctx.n)
	k := golombParameter(ctx.a, n)
	mapped := b.golomb(k, c.limit-c.wide-1, c.wide)
	if mapped < 0 || mapped > 2*c.levels {
		return -1
	}
	diff := mapped>>1 ^ -(mapped & 1) // A.5.2, undone: 0 -1 1 -2 2 ...
	if k == 0 && c.near == 0 && 2*ctx.b <= -n {
		diff = ^diff
	}
	ctx.update(diff, c.step, c.reset)
	return c.reconstruct(predicted, (diff^sign)-sign)
}

// update takes an error into the context (A.6).
func (ctx *context) update(diff, step, reset int) {
	ctx.a += abs(diff)
	ctx.b += diff * step
	if int(ctx.n) == reset {
		ctx.a >>= 1
		ctx.b >>= 1
		ctx.n >>= 1
	}
	ctx.n++
	n := int(ctx.n)
	if ctx.b <= -n {
		ctx.b = max(ctx.b+n, 1-n)
		if ctx.c > -128 {
			ctx.c--
		}
	} else if ctx.b > 0 {
		ctx.b = min(ctx.b-n, 0)
		if ctx.c < 127 {
			ctx.c++
		}
	}
}

func abs(v int) int {
	if v < 0 {
		return -v
	}
	return v
}

// reconstruct gives the sample from its prediction and the error, which is
// modulo levels (A.4.4, A.5.3 and their note on clamping).
func (c *coder) reconstruct(predicted, diff int) int {
	v := predicted + diff*c.step
	if v < -c.near {
		v += c.levels * c.step
	} else if v > c.maxValue+c.near {
		v -= c.levels * c.step
	}
	return min(max(v, 0), c.maxValue)
}

// decodeRun decodes samples like the one on the left of index x and the one that ends
// them (A.7). It gives the index of the latter, or one behind the row if the
// row ends first.
func (c *coder) decodeRun(b *bitReader, x, left int) (end int, valid bool) {
	current := c.current
	columns := len(current) - 2
	repeat := func(n int) {
		for i := x; i < x+n; i++ {
			current[i] = uint16(left)
		}
		x += n
	}
	for b.read(1) == 1 {
		whole := 1 << runOrder[c.runIndex]
		n := min(whole, columns+1-x)
		repeat(n)
		if n == whole && c.runIndex < len(runOrder)-1 {
			c.runIndex++
		}
		if x > columns {
			return x, true
		}
	}
	order := runOrder[c.runIndex]
	n := b.read(order)
	if n > columns-x {
		return x, false
	}
	repeat(n)
	value := c.decodeInterruption(b, left, int(c.above[x]), order)
	if value < 0 {
		return x, false
	}
	current[x] = uint16(value)
	if c.runIndex > 0 {
		c.runIndex--
	}
	return x, true
}

// decodeInterruption decodes the sample that ends a run (A.7.2). It gives -1 if the
// code is not valid.
func (c *coder) decodeInterruption(b *bitReader, left, up, order int) int {
	alike, predicted := 0, up // RItype
	if abs(left-up) <= c.near {
		alike, predicted = 1, left
	}
	ctx := &c.contexts[regularContexts+alike]
	n := int(ctx.n)
	k := golombParameter(ctx.a+alike*(n>>1), n)
	mapped := b.golomb(k, c.limit-order-1-c.wide-1, c.wide)
	if mapped < 0 || mapped > 2*c.levels {
		return -1
	}
	// The lowest bit of mapped+alike is the sign, in a sense that depends on
	// which sign the context has seen more often.
	odd := (mapped + alike) & 1
	diff := (mapped + alike + odd) / 2
	if (k != 0 || 2*ctx.b >= n) == (odd == 1) {
		diff = -diff
	}
	if diff < 0 {
		ctx.b++
	}
	ctx.a += (mapped + 1 - alike) >> 1
	if n == c.reset {
		ctx.a >>= 1
		ctx.b >>= 1
		ctx.n >>= 1
	}
	ctx.n++
	if alike == 0 && left > up {
		diff = -diff
	}
	return c.reconstruct(predicted, diff)
}
