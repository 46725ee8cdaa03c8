package jpeg2000

import (
	"math/bits"
	"slices"
)

// Orders of progression, table A.16. With one component the last two agree.
const (
	orderLRCP = iota
	orderRLCP
	orderRPCL
	orderPCRL
	orderCPRL
	maxOrder = orderCPRL
)

// tagTree codes the least of growing parts of an array of numbers (B.10.2).
type tagTree struct {
	levels []tagLevel // from the leaves to the root
}

type tagLevel struct {
	wide  int
	nodes []tagNode
}

// tagNode is twice the least that its value may be, and one more when it is that.
type tagNode int32

func newTagTree(wide, high int) tagTree {
	var t tagTree
	for {
		t.levels = append(t.levels, tagLevel{wide, make([]tagNode, wide*high)})
		if wide*high <= 1 {
			return t
		}
		wide, high = (wide+1)/2, (high+1)/2
	}
}

// below reads until it is settled whether the value at x, y is below a limit.
func (t *tagTree) below(b *bitReader, x, y int, limit tagNode) bool {
	least := tagNode(0)
	for i := len(t.levels) - 1; i >= 0; i-- {
		l := &t.levels[i]
		n := &l.nodes[(y>>i)*l.wide+x>>i]
		known := *n & 1
		least = max(least, *n>>1)
		for known == 0 && least < limit {
			if known = tagNode(b.read(1)); known == 0 {
				least++
			}
		}
		*n = least<<1 | known
		if known == 0 {
			return false
		}
	}
	return least < limit
}

// packetReader reads a tile's packets one behind the other.
type packetReader struct {
	d      *decoder
	t      *tile
	index  int
	data   []byte
	left   int // packets
	blocks int // that there is memory for
}

// readPackets reads all packets of a tile in its order (B.12).
func (d *decoder) readPackets(t *tile, index int, data []byte) error {
	r := packetReader{d: d, t: t, index: index, data: data}
	for i := range t.resolutions {
		r.left += len(t.resolutions[i].precincts) * t.layers
	}
	total := r.left
	changes := t.changes
	if len(changes) == 0 {
		changes = []progression{{order: t.order, layers: t.layers, endRes: len(t.resolutions)}}
	}
	for _, c := range changes {
		if r.left == 0 {
			break
		}
		c.layers, c.endRes = min(c.layers, t.layers), min(c.endRes, len(t.resolutions))
		if err := r.readProgression(c); err != nil {
			return err
		}
	}
	switch {
	case r.left > 0:
		return d.Errorf("tile %d: %d of %d packets have no place in its progression", index+1, r.left, total)
	case len(r.data) > 0:
		return d.Errorf("tile %d: %d bytes are left behind its last packet", index+1, len(r.data))
	}
	return nil
}

// readProgression reads packets in one order; those that were read stay away.
func (r *packetReader) readProgression(c progression) error {
	switch c.order {
	case orderLRCP:
		for layer := range c.layers {
			for res := c.firstRes; res < c.endRes; res++ {
				if err := r.readLayer(res, layer); err != nil {
					return err
				}
			}
		}
	case orderRLCP:
		for res := c.firstRes; res < c.endRes; res++ {
			for layer := range c.layers {
				if err := r.readLayer(res, layer); err != nil {
					return err
				}
			}
		}
	case orderRPCL:
		// Precincts of one resolution are in the order of their positions.
		for res := c.firstRes; res < c.endRes; res++ {
			for i := range r.t.resolutions[res].precincts {
				if err := r.readPrecinct(res, i, c.layers); err != nil {
					return err
				}
			}
		}
	default:
		for _, p := range r.precinctPositions(c) {
			if err := r.readPrecinct(p.resolution, p.index, c.layers); err != nil {
				return err
			}
		}
	}
	return nil
}

// readLayer reads one layer of a resolution.
func (r *packetReader) readLayer(res, layer int) error {
	for i := range r.t.resolutions[res].precincts {
		if r.t.resolutions[res].precincts[i].layers > layer {
			continue
		}
		if err := r.readPacket(res, i); err != nil {
			return err
		}
	}
	return nil
}

// readPrecinct reads the layers of a precinct up to one.
func (r *packetReader) readPrecinct(res, i, layers int) error {
	for r.t.resolutions[res].precincts[i].layers < layers {
		if err := r.readPacket(res, i); err != nil {
			return err
		}
	}
	return nil
}

// position is where on the reference grid a precinct is met (B.12.1.4).
type position struct{ y, x, resolution, index int }

// precinctPositions gives the precincts of some resolutions from the top left.
func (r *packetReader) precinctPositions(c progression) []position {
	var all []position
	at := func(first, i, log, down, start int) int {
		// The first precinct may begin outside the tile.
		return max(start, (first+i)<<(log+down))
	}
	for k := c.firstRes; k < c.endRes; k++ {
		res := &r.t.resolutions[k]
		down := len(r.t.resolutions) - 1 - k
		for i := range res.precincts {
			all = append(all, position{
				at(res.y0, i/res.wide, res.ppy, down, r.t.area.y0), at(res.x0, i%res.wide, res.ppx, down, r.t.area.x0), k, i,
			})
		}
	}
	slices.SortFunc(all, func(a, b position) int {
		for _, d := range [...]int{a.y - b.y, a.x - b.x, a.resolution - b.resolution} {
			if d != 0 {
				return d
			}
		}
		return a.index - b.index
	})
	return all
}

// readPacket reads the next packet of a precinct (B.9, B.10).
func (r *packetReader) readPacket(res, i int) error {
	p := &r.t.resolutions[res].precincts[i]
	layer := p.layers
	p.layers++
	r.left--
	r.skipMarker(markerSOP, 6)
	b := bitReader{data: r.data}
	filled := b.read(1) == 1
	if filled {
		if p.bands == nil {
			p.bands = r.t.resolutions[res].makeBlocks(i)
			for k := range p.bands {
				r.blocks += len(p.bands[k].all)
			}
			if r.blocks > r.t.mostBlocks() {
				return r.d.Unsupportedf("tile %d: more than %d code-blocks cannot be read", r.index+1, r.t.mostBlocks())
			}
		}
		if !r.readHeader(&b, p, layer) {
			return r.d.Errorf("tile %d: the packet for layer %d, resolution %d, precinct %d has no valid header", r.index+1, layer+1, res, i+1)
		}
	}
	end := b.headerEnd()
	if b.overrun {
		return r.errCut(res, i, layer)
	}
	r.data = r.data[end:]
	r.skipMarker(markerEPH, 2)
	if !filled {
		return nil
	}
	for k := range p.bands {
		for j := range p.bands[k].all {
			if !r.readBody(&p.bands[k].all[j]) {
				return r.errCut(res, i, layer)
			}
		}
	}
	return nil
}

func (r *packetReader) errCut(res, i, layer int) error {
	return r.d.Errorf("tile %d: the data end in the packet for layer %d, resolution %d, precinct %d", r.index+1, layer+1, res, i+1)
}

// skipMarker passes over a marker segment that may be there. No packet header begins
// with its bytes: FF is followed by a bit of stuffing.
func (r *packetReader) skipMarker(marker byte, length int) {
	if len(r.data) >= length && r.data[0] == 0xFF && r.data[1] == marker {
		r.data = r.data[length:]
	}
}

// readHeader reads what the packet has of each block: pending passes and lengths.
func (r *packetReader) readHeader(b *bitReader, p *precinct, layer int) bool {
	for k := range p.bands {
		group := &p.bands[k]
		for j := range group.all {
			bl := &group.all[j]
			x, y := j%group.wide, j/group.wide
			if bl.included {
				if b.read(1) == 0 {
					continue
				}
			} else {
				if !group.inclusion.below(b, x, y, tagNode(layer)+1) {
					continue
				}
				bl.included = true
				for limit := tagNode(1); !group.zeroPlanes.below(b, x, y, limit); limit++ {
					if limit > mostZeroPlanes {
						return false
					}
					bl.zeroPlanes++
				}
			}
			if !r.readLengths(b, bl) {
				return false
			}
			if b.overrun {
				return true // the caller says so
			}
		}
	}
	return true
}

// mostZeroPlanes is more than any band has: 7 guard bits, an exponent of 31 and
// a region's shift of 255.
const mostZeroPlanes = 7 + 31 + 255

// readLengths reads how many passes a block gets, and the bytes of each codeword
// segment they are in (B.10.6, B.10.7).
func (r *packetReader) readLengths(b *bitReader, bl *block) bool {
	bl.from = max(0, int32(len(bl.segments))-1) // the last one may go on
	passes := b.codingPasses()
	for b.read(1) == 1 {
		if bl.lengthBits++; bl.lengthBits > 31 {
			return b.overrun
		}
	}
	for passes > 0 {
		n := len(bl.segments)
		if n == 0 || bl.segments[n-1].passes == bl.segments[n-1].most {
			bl.segments = append(bl.segments, segment{most: segmentPasses(bl.passes, r.t.style.flags)})
			n++
		}
		s := &bl.segments[n-1]
		now := min(passes, int(s.most-s.passes))
		width := int(bl.lengthBits) + bits.Len(uint(now)) - 1
		if width > 31 {
			return false
		}
		s.passes += int16(now)
		s.pending = uint32(b.read(width))
		bl.passes += int32(now)
		passes -= now
	}
	return true
}

// readBody takes the bytes of a block's segments that the header promised.
func (r *packetReader) readBody(bl *block) bool {
	for i := int(bl.from); i < len(bl.segments); i++ {
		s := &bl.segments[i]
		n := int(s.pending)
		if n > len(r.data) {
			return false
		}
		if s.data == nil {
			s.data = r.data[:n:n] // what goes on must not overwrite the stream
		} else {
			s.data = append(s.data, r.data[:n]...)
		}
		r.data, s.pending = r.data[n:], 0
	}
	return true
}
