package jpeg2000

import "math"

// tile is one tile while it is decoded.
type tile struct {
	*parameters
	area        rect // on the reference grid
	resolutions []resolution
	incomplete  bool // a block has fewer passes than its bit planes need
}

// resolution is a resolution of the tile (B.5 to B.7).
type resolution struct {
	area       rect
	ppx, ppy   int // logarithms of a precinct's sides
	x0, y0     int // of the first precinct, in precincts from the origin
	wide, high int // precincts
	bands      []band
	precincts  []precinct
}

// band is a sub-band.
type band struct {
	area           rect
	left, top      int // where it is in the tile's coefficients
	xLow, yLow     int // half the distance of the band's first sample from the origin, 0 or 1
	blockX, blockY int // logarithms of a code-block's sides, cut to the precinct
	planes         int // Mb, equation E-2
	step           float32
	kind           int
}

// Kinds of sub-bands by the direction of their high pass, table D.1.
const (
	bandLL = iota
	bandHL
	bandLH
	bandHH
)

// precinct holds the blocks of each band; nil before a packet has some.
type precinct struct {
	layers int // packets that were read
	bands  []blocks
}

// blocks are the code-blocks of a band in one precinct.
type blocks struct {
	area           rect // of the band
	x0, y0         int  // of the first block, in blocks from the origin
	wide, high     int
	blockX, blockY int // logarithms of a block's sides
	all            []block
	inclusion      tagTree
	zeroPlanes     tagTree
}

// areaOf is where a block is in its band.
func (b *blocks) areaOf(i int) rect {
	x, y := b.x0+i%b.wide, b.y0+i/b.wide
	return rect{x << b.blockX, y << b.blockY, (x + 1) << b.blockX, (y + 1) << b.blockY}.intersect(b.area)
}

// block is a code-block. There may be one for each few samples, so it is small.
type block struct {
	segments   []segment
	from       int32 // the first segment that the last packet has something of
	passes     int32
	zeroPlanes int16 // bit planes without a bit
	lengthBits uint8 // Lblock, B.10.7.1
	included   bool
}

// segment is a codeword segment: passes that are decoded from the same bytes.
type segment struct {
	data         []byte
	pending      uint32 // bytes that the packet's body has yet to give
	passes, most int16
}

// ceilShift is a over 2^n, rounded up.
func ceilShift(a, n int) int { return int((int64(a) + 1<<n - 1) >> n) }

// newTile lays out a tile's resolutions and bands.
func (d *decoder) newTile(index int, p *parameters) (*tile, error) {
	t := &tile{parameters: p}
	x, y := index%d.across, index/d.across
	w, h := d.grid.width(), d.grid.height()
	t.area = rect{d.grid.x0 + x*w, d.grid.y0 + y*h, d.grid.x0 + (x+1)*w, d.grid.y0 + (y+1)*h}.intersect(d.image)
	q, levels := &p.quantum, p.style.levels
	switch {
	case q.kind != quantDerived && len(q.steps) < 3*levels+1:
		return nil, d.Errorf("tile %d: %d steps of quantization, %d expected", index+1, len(q.steps), 3*levels+1)
	case p.style.reversible && q.kind != quantNone:
		return nil, d.Errorf("tile %d: quantization with the reversible transform", index+1)
	}
	t.resolutions = make([]resolution, levels+1)
	precincts := 0
	most := len(d.tiles[index].data) / p.layers // a packet takes a byte at least
	for r := range t.resolutions {
		res := &t.resolutions[r]
		down := levels - r
		a := t.area
		res.area = rect{ceilShift(a.x0, down), ceilShift(a.y0, down), ceilShift(a.x1, down), ceilShift(a.y1, down)}
		res.ppx, res.ppy = int(p.style.precincts[r]&15), int(p.style.precincts[r]>>4)
		res.x0, res.y0 = res.area.x0>>res.ppx, res.area.y0>>res.ppy
		if !res.area.empty() {
			res.wide = ceilShift(res.area.x1, res.ppx) - res.x0
			res.high = ceilShift(res.area.y1, res.ppy) - res.y0
		}
		precincts += res.wide * res.high
		if limit := 1<<16 + t.area.width()*t.area.height()/64; precincts > limit {
			return nil, d.Unsupportedf("tile %d: more than %d precincts cannot be read", index+1, limit)
		}
		if precincts > most {
			return nil, d.Errorf("tile %d: %d bytes are too few for %d layers of %d precincts or more", index+1, len(d.tiles[index].data), p.layers, precincts)
		}
		res.precincts = make([]precinct, res.wide*res.high)
		kinds := []int{bandHL, bandLH, bandHH}
		if r == 0 {
			kinds = []int{bandLL}
		}
		for _, kind := range kinds {
			b := band{kind: kind, xLow: kind & 1, yLow: kind >> 1}
			n, cut := down+1, 1 // decomposition level, as in B.5; halving of precincts
			if r == 0 {
				n, cut = down, 0
			}
			place := func(v, high int) int {
				if high == 0 {
					return ceilShift(v, n)
				}
				return ceilShift(v-1<<(n-1), n)
			}
			b.area = rect{place(a.x0, b.xLow), place(a.y0, b.yLow), place(a.x1, b.xLow), place(a.y1, b.yLow)}
			if r > 0 {
				below := t.resolutions[r-1].area
				b.left, b.top = b.xLow*below.width(), b.yLow*below.height()
			}
			b.blockX, b.blockY = min(p.style.xcb, res.ppx-cut), min(p.style.ycb, res.ppy-cut)
			s := q.steps[0]
			if q.kind == quantDerived {
				s.exponent -= levels - n // equation E-5
			} else if r > 0 {
				s = q.steps[3*r-3+kind]
			}
			b.planes = q.guard + s.exponent - 1
			if s.exponent < 0 {
				return nil, d.Errorf("tile %d: a step of quantization is left without bits", index+1)
			}
			// Equation E-3 without the gain of table E.1: the transform below has it.
			b.step = float32(math.Ldexp(1+float64(s.mantissa)/2048, d.precision-s.exponent))
			res.bands = append(res.bands, b)
		}
	}
	return t, nil
}

// mostBlocks bounds the memory for blocks; one of 4 by 4 samples is the smallest
// that only small precincts cut further.
func (t *tile) mostBlocks() int { return 1<<16 + t.area.width()*t.area.height()/8 }

// makeBlocks lays out a precinct's code-blocks (B.7).
func (r *resolution) makeBlocks(index int) []blocks {
	out := make([]blocks, len(r.bands))
	px, py := r.x0+index%r.wide, r.y0+index/r.wide
	for i := range out {
		b, o := &r.bands[i], &out[i]
		half := 0
		if b.kind != bandLL {
			half = 1
		}
		sx, sy := r.ppx-half, r.ppy-half
		area := rect{px << sx, py << sy, (px + 1) << sx, (py + 1) << sy}.intersect(b.area)
		if area.empty() {
			continue
		}
		*o = blocks{area: area, x0: area.x0 >> b.blockX, y0: area.y0 >> b.blockY, blockX: b.blockX, blockY: b.blockY}
		o.wide, o.high = ceilShift(area.x1, b.blockX)-o.x0, ceilShift(area.y1, b.blockY)-o.y0
		o.all = make([]block, o.wide*o.high)
		for k := range o.all {
			o.all[k].lengthBits = 3
		}
		o.inclusion, o.zeroPlanes = newTagTree(o.wide, o.high), newTagTree(o.wide, o.high)
	}
	return out
}

// scratch is memory that tiles share.
type scratch struct {
	whole   []int32
	real    []float32
	coder   blockCoder
	strip   []int32
	stripes []float32
}

// grown gives a slice of n elements, all zero.
func grown[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	s = s[:n]
	clear(s)
	return s
}

// decodeTile reads a tile's packets, decodes its blocks, transforms them back
// and puts the samples into the image.
func (d *decoder) decodeTile(index int) error {
	parts := &d.tiles[index]
	d.Marker, d.Start = markerSOT, parts.start
	if parts.next == 0 {
		d.Marker, d.Start = markerEOC, len(d.Data)
		return d.Errorf("tile %d of %d is missing", index+1, len(d.tiles))
	}
	p := parts.parameters
	if p == nil {
		p = &d.parameters
	}
	t, err := d.newTile(index, p)
	if err != nil {
		return err
	}
	if err := d.readPackets(t, index, parts.data); err != nil {
		return err
	}
	w, h := t.area.width(), t.area.height()
	s := &d.scratch
	out := rect{t.area.x0 - d.image.x0, t.area.y0 - d.image.y0, t.area.x1 - d.image.x0, t.area.y1 - d.image.y0}
	if p.style.reversible {
		s.whole = grown(s.whole, w*h)
		if err := d.decodeBlocks(t, index); err != nil {
			return err
		}
		s.strip = inverse(s.whole, w, t.resolutions, s.strip, lift53)
		d.putWhole(s.whole, out)
	} else {
		d.lossy = true
		s.real = grown(s.real, w*h)
		if err := d.decodeBlocks(t, index); err != nil {
			return err
		}
		s.stripes = inverse(s.real, w, t.resolutions, s.stripes, lift97)
		d.putReal(s.real, out)
	}
	d.lossy = d.lossy || t.incomplete
	return nil
}

// decodeBlocks decodes all blocks of a tile into its coefficients.
func (d *decoder) decodeBlocks(t *tile, index int) error {
	c, s, w := &d.scratch.coder, &d.scratch, t.area.width()
	for r := range t.resolutions {
		res := &t.resolutions[r]
		for i := range res.precincts {
			for k := range res.precincts[i].bands {
				b, group := &res.bands[k], &res.precincts[i].bands[k]
				for j := range group.all {
					bl := &group.all[j]
					if bl.passes == 0 {
						continue
					}
					planes := b.planes + t.roiShift - int(bl.zeroPlanes)
					switch {
					case planes > maxPlanes:
						return d.Unsupportedf("tile %d: a block of %d bit planes, at most %d can be read", index+1, planes, maxPlanes)
					case int(bl.passes) > 3*planes-2:
						return d.Errorf("tile %d: a block has %d coding passes for %d bit planes", index+1, bl.passes, planes)
					}
					t.incomplete = t.incomplete || int(bl.passes) < 3*planes-2
					area := group.areaOf(j)
					bw, bh := area.width(), area.height()
					if !c.decode(bl.segments, bw, bh, planes, b.kind, t.style.flags) {
						return d.Errorf("tile %d: a block's segmentation symbol is wrong; its data are damaged", index+1)
					}
					if t.roiShift > 0 {
						c.unshift(t.roiShift)
					}
					at := (b.top+area.y0-b.area.y0)*w + b.left + area.x0 - b.area.x0
					if t.style.reversible {
						for y := range bh {
							to := s.whole[at+y*w:][:bw]
							for x, v := range c.values[y*bw:][:bw] {
								to[x] = v / 2
							}
						}
						continue
					}
					half := b.step / 2
					for y := range bh {
						to := s.real[at+y*w:][:bw]
						for x, v := range c.values[y*bw:][:bw] {
							to[x] = float32(v) * half
						}
					}
				}
			}
		}
	}
	return nil
}

// limits gives the least and the greatest sample, and what is added to decoded
// ones (G.1).
func (d *decoder) limits() (least, most, shift int32) {
	half := int32(1) << (d.precision - 1)
	if d.signed {
		return -half, half - 1, 0
	}
	return 0, 2*half - 1, half
}

func (d *decoder) putWhole(from []int32, out rect) {
	least, most, shift := d.limits()
	mask := uint16(1<<d.precision - 1)
	w := out.width()
	for y := range out.height() {
		to := d.dst[(out.y0+y)*d.columns+out.x0:][:w]
		for x, v := range from[y*w:][:w] {
			v = min(max(v, least-shift), most-shift) + shift
			to[x] = uint16(v) & mask
		}
	}
}

func (d *decoder) putReal(from []float32, out rect) {
	least, most, shift := d.limits()
	mask := uint16(1<<d.precision - 1)
	low, high := float64(least-shift), float64(most-shift)
	w := out.width()
	for y := range out.height() {
		to := d.dst[(out.y0+y)*d.columns+out.x0:][:w]
		for x, v := range from[y*w:][:w] {
			n := int32(math.RoundToEven(min(max(float64(v), low), high))) + shift
			to[x] = uint16(n) & mask
		}
	}
}
