package jpeg

// The inverse transform is that of Loeffler, Ligtenberg and Moschytz, "Practical
// fast 1-D DCT algorithms with 11 multiplications", Proc. ICASSP 1989, p. 988,
// in integers, first by columns and then by rows. The number of fraction bits
// and the places where sums are rounded are those of the decoders in common
// use, so that lossy images come out as those give them, to the grey level.

const fractionBits = 13 // of the constants below

// Constants of the rotations, with cN = sqrt(2) cos(N pi/16), times 2^13.
const (
	c6        = 4433  // c6
	c2minusC6 = 6270  // c2 - c6
	c2plusC6  = 15137 // c2 + c6
	c3        = 9633  // c3
	k298      = 2446  // -c1 + c3 + c5 - c7
	k2053     = 16819 // c1 + c3 - c5 + c7
	k3072     = 25172 // c1 + c3 + c5 - c7
	k1501     = 12299 // c1 + c3 - c5 - c7
	k899      = 7373  // c3 - c7
	k2562     = 20995 // c1 + c3
	k1961     = 16069 // c3 + c5
	k390      = 3196  // c3 - c5
)

// inverseDCT replaces dequantized coefficients, in rows, by samples of the
// precision (A.3.3, A.3.1), limited to its range.
func inverseDCT(b *[64]int, precision int) {
	// Bits kept behind the point between the passes: with 8-bit samples two,
	// with 12-bit samples one, as 32-bit arithmetic has room for.
	between := 2
	if precision > 8 {
		between = 1
	}
	for x := range 8 {
		c := b[x:]
		if c[8]|c[16]|c[24]|c[32]|c[40]|c[48]|c[56] == 0 {
			mean := c[0] << between
			for y := range 8 {
				c[8*y] = mean
			}
			continue
		}
		transform(c, 8, fractionBits-between)
	}
	middle, top := 1<<(precision-1), 1<<precision-1
	for y := range 8 {
		r := b[8*y : 8*y+8]
		transform(r, 1, fractionBits+between+3)
		for x, v := range r {
			r[x] = min(max(v+middle, 0), top)
		}
	}
}

// transform is the one-dimensional inverse transform of eight values of v that
// lie step apart, times sqrt(8), with the last shift bits rounded off.
func transform(v []int, step, shift int) {
	_ = v[7*step]
	// Even part: coefficients 0, 2, 4, 6.
	z := (v[2*step] + v[6*step]) * c6
	t2 := z - v[6*step]*c2plusC6
	t3 := z + v[2*step]*c2minusC6
	t0 := (v[0] + v[4*step]) << fractionBits
	t1 := (v[0] - v[4*step]) << fractionBits
	e0, e3 := t0+t3, t0-t3
	e1, e2 := t1+t2, t1-t2
	// Odd part: coefficients 7, 5, 3, 1.
	o7, o5, o3, o1 := v[7*step], v[5*step], v[3*step], v[step]
	z5 := (o7 + o3 + o5 + o1) * c3
	z1 := -(o7 + o1) * k899
	z2 := -(o5 + o3) * k2562
	z3 := z5 - (o7+o3)*k1961
	z4 := z5 - (o5+o1)*k390
	o7 = o7*k298 + z1 + z3
	o5 = o5*k2053 + z2 + z4
	o3 = o3*k3072 + z2 + z3
	o1 = o1*k1501 + z1 + z4
	half := 1 << (shift - 1)
	v[0] = (e0 + o1 + half) >> shift
	v[7*step] = (e0 - o1 + half) >> shift
	v[step] = (e1 + o3 + half) >> shift
	v[6*step] = (e1 - o3 + half) >> shift
	v[2*step] = (e2 + o5 + half) >> shift
	v[5*step] = (e2 - o5 + half) >> shift
	v[3*step] = (e3 + o7 + half) >> shift
	v[4*step] = (e3 - o7 + half) >> shift
}
