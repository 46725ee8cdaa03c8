package jpeg2000

import (
	"bytes"
	"encoding/binary"

	"plumbline/internal/dicom/codec/codestream"
)

// Markers, table A.2 and, from CAP on, later editions.
const (
	markerSOC = 0x4F
	markerSIZ = 0x51
	markerCOD = 0x52
	markerCOC = 0x53
	markerTLM = 0x55
	markerPLM = 0x57
	markerPLT = 0x58
	markerQCD = 0x5C
	markerQCC = 0x5D
	markerRGN = 0x5E
	markerPOC = 0x5F
	markerPPM = 0x60
	markerPPT = 0x61
	markerCRG = 0x63
	markerCOM = 0x64
	markerSOT = 0x90
	markerSOP = 0x91
	markerEPH = 0x92
	markerSOD = 0x93
	markerEOC = 0xD9
	markerCAP = 0x50
)

var markerNames = map[byte]string{
	markerSOC: "SOC", markerSIZ: "SIZ", markerCOD: "COD", markerCOC: "COC", markerTLM: "TLM", markerPLM: "PLM",
	markerPLT: "PLT", markerQCD: "QCD", markerQCC: "QCC", markerRGN: "RGN", markerPOC: "POC", markerPPM: "PPM",
	markerPPT: "PPT", markerCRG: "CRG", markerCOM: "COM", markerSOT: "SOT", markerSOP: "SOP", markerEPH: "EPH",
	markerSOD: "SOD", markerEOC: "EOC", markerCAP: "CAP",
}

func markerName(m byte) string {
	if name, named := markerNames[m]; named {
		return name
	}
	return codestream.UnnamedMarker(m)
}

// parameters are those that a tile's header may replace. The ranks say which
// marker set them, as a later one need not be the one that holds (A.6).
type parameters struct {
	layers   int
	order    byte // of progression, table A.16
	changes  []progression
	style    codingStyle
	quantum  quantization
	roiShift int

	orderRank, changeRank, styleRank, quantumRank, shiftRank rank
}

// rank is the precedence of a marker: of two that set a parameter, the greater holds.
type rank int

const (
	unset   rank = iota
	general      // COD, QCD, POC
	own          // COC, QCC, RGN: of the component
)

// inTile is added to ranks in a tile's header.
const inTile = own

// codingStyle is how the component is transformed and coded (A.6.1).
type codingStyle struct {
	levels     int // of decomposition
	xcb, ycb   int // logarithms of a code-block's sides
	flags      byte
	reversible bool
	precincts  [maxLevels + 1]byte // for each resolution, PPy above PPx
}

const maxLevels = 32

// Code-block styles, table A.19.
const (
	styleBypass       = 1 << iota // coding is left out of some passes
	styleReset                    // contexts begin anew with each pass
	styleTerminate                // each pass has a codeword of its own
	styleCausal                   // no context from the stripe below
	stylePredictable              // how codewords end; of no concern here
	styleSegmentation             // a symbol ends each bit plane
	styleAll          = 1<<iota - 1
)

// quantization is how coefficients were quantized (A.6.4).
type quantization struct {
	kind  byte // table A.28
	guard int
	steps []step
}

// Kinds of quantization.
const (
	quantNone = iota
	quantDerived
	quantExpounded
)

type step struct{ exponent, mantissa int }

// progression is an order of packets over some layers and resolutions (A.6.6).
type progression struct {
	order            byte
	layers           int // up to this one
	firstRes, endRes int
}

// maxChanges bounds the changes of progression; each can visit all packets.
const maxChanges = 256

// mainHeader reads up to the first tile-part's marker.
func (d *decoder) mainHeader() error {
	if err := d.Begin(markerSOC); err != nil {
		return err
	}
	for {
		if err := d.nextMarker(); err != nil {
			return err
		}
		if d.Marker == markerSOT {
			break
		}
		if d.Marker != markerSIZ && !d.known {
			return d.Errorf("the size of the image, SIZ, does not come first")
		}
		segment, err := d.parameterSegment()
		if err != nil {
			return err
		}
		switch d.Marker {
		case markerSIZ:
			err = d.readSize(segment)
		case markerTLM, markerPLM, markerCRG:
		case markerPPM:
			err = d.Unsupportedf("packed packet headers cannot be read")
		default:
			err = d.readParameters(segment, &d.parameters, 0)
		}
		if err != nil {
			return err
		}
	}
	switch {
	case !d.known:
		return d.Errorf("the size of the image, SIZ, is missing")
	case d.styleRank == unset || d.orderRank == unset:
		return d.Errorf("the coding style, COD, is missing before it")
	case d.quantumRank == unset:
		return d.Errorf("the quantization, QCD, is missing before it")
	}
	return nil
}

// nextMarker moves past the next marker, and refuses those that have no segment
// and no place in a header.
func (d *decoder) nextMarker() error {
	if err := d.Next(); err != nil {
		return err
	}
	if m := d.Marker; m == markerSOC || m == markerSOP || m == markerEPH || m < 0x40 || m == 0xFF {
		return d.Errorf("unexpected here")
	}
	return nil
}

// parameterSegment reads the parameters that follow a marker.
func (d *decoder) parameterSegment() ([]byte, error) {
	if d.Marker == markerSOD || d.Marker == markerEOC {
		return nil, d.Errorf("unexpected here")
	}
	return d.Segment()
}

// readSize reads SIZ and takes memory for the list of tiles.
func (d *decoder) readSize(s []byte) error {
	if d.known {
		return d.Errorf("a second one")
	}
	if len(s) < 36 || len(s) != 36+3*codestream.Uint16(s[34:]) {
		return d.Errorf("%d bytes do not make one", len(s))
	}
	if c := codestream.Uint16(s[34:]); c != 1 {
		return d.Unsupportedf("%d components: only grey images can be read", c)
	}
	switch capabilities := codestream.Uint16(s); {
	case capabilities&0x8000 != 0:
		return d.Unsupportedf("extensions of part 2 of the standard cannot be read")
	case capabilities&0x4000 != 0:
		return d.Unsupportedf("high-throughput coding cannot be read")
	}
	var v [8]int
	for i := range v {
		n := binary.BigEndian.Uint32(s[2+4*i:])
		if i < 6 && i != 4 && i != 5 && n > 1<<31-1 {
			return d.Unsupportedf("a reference grid of more than 2147483647 points a side cannot be read")
		}
		v[i] = int(min(n, 1<<31-1))
	}
	d.image = rect{v[2], v[3], v[0], v[1]}
	d.grid = rect{v[6], v[7], v[6] + min(v[4], 1<<31), v[7] + min(v[5], 1<<31)}
	d.precision, d.signed = int(s[36]&0x7F)+1, s[36]&0x80 != 0
	switch w, h := d.image.width(), d.image.height(); {
	case s[37] != 1 || s[38] != 1:
		return d.Unsupportedf("one sample for %d by %d points cannot be read", s[37], s[38])
	case w != d.columns || h != d.rows:
		return d.Errorf("%d columns by %d rows, %d by %d expected", w, h, d.columns, d.rows)
	case d.grid.empty() || d.grid.x0 > d.image.x0 || d.grid.y0 > d.image.y0 || d.grid.x1 <= d.image.x0 || d.grid.y1 <= d.image.y0:
		return d.Errorf("the first tile, %d by %d at %d, %d, does not hold the image's first sample at %d, %d", v[4], v[5], v[6], v[7], v[2], v[3])
	case d.precision > 16:
		return d.Unsupportedf("%d bits a sample, 1 to 16 can be read", d.precision)
	case d.precision > d.bits:
		return d.Errorf("%d bits a sample, at most %d expected", d.precision, d.bits)
	}
	d.across = ceilDiv(d.image.x1-d.grid.x0, d.grid.width())
	d.down = ceilDiv(d.image.y1-d.grid.y0, d.grid.height())
	// A tile has a tile-part at least, of an SOT segment and SOD.
	if d.across > 65535 || d.down > 65535 || d.across*d.down > min(65535, (len(d.Data)-d.Pos)/14) {
		return d.Errorf("%d by %d tiles, more than %d bytes can hold", d.across, d.down, len(d.Data)-d.Pos)
	}
	d.tiles = make([]tileParts, d.across*d.down)
	d.known = true
	return nil
}

func ceilDiv(a, b int) int { return (a + b - 1) / b }

// readParameters reads a segment that main and tile headers share.
func (d *decoder) readParameters(s []byte, p *parameters, where rank) error {
	switch d.Marker {
	case markerCOM:
		return nil
	case markerCOD:
		if len(s) < 5 {
			return d.Errorf("%d bytes, 10 expected at least", len(s))
		}
		if err := d.outrank(&p.orderRank, where+general); err != nil {
			return err
		}
		p.order, p.layers = s[1], codestream.Uint16(s[2:])
		switch {
		case s[0] > 7:
			return d.Unsupportedf("style %02X cannot be read", s[0])
		case p.order > maxOrder:
			return d.Errorf("progression order %d, 0 to %d expected", p.order, maxOrder)
		case p.layers == 0:
			return d.Errorf("no layers")
		case s[4] > 1:
			return d.Unsupportedf("component transform %d cannot be read", s[4])
		}
		// Markers around packets are met where they are. A component transform
		// of one component is none.
		return d.readStyle(s[5:], s[0]&1 != 0, p, where+general)
	case markerCOC:
		if len(s) < 2 || s[0] != 0 {
			return d.Errorf("not of the one component")
		}
		return d.readStyle(s[2:], s[1]&1 != 0, p, where+own)
	case markerQCD:
		return d.readQuantization(s, p, where+general)
	case markerQCC:
		if len(s) < 1 || s[0] != 0 {
			return d.Errorf("not of the one component")
		}
		return d.readQuantization(s[1:], p, where+own)
	case markerRGN:
		if len(s) != 3 || s[0] != 0 {
			return d.Errorf("not of the one component")
		}
		if s[1] != 0 {
			return d.Unsupportedf("regions of interest of style %d cannot be read", s[1])
		}
		p.roiShift = int(s[2])
		return d.outrank(&p.shiftRank, where+own)
	case markerPOC:
		return d.readChanges(s, p, where+general)
	case markerCAP:
		return d.Unsupportedf("extensions of other parts of the standard cannot be read")
	case markerSIZ, markerSOT, markerTLM, markerPLM, markerCRG, markerPLT, markerPPM, markerPPT:
		return d.Errorf("unexpected here")
	}
	return d.Unsupportedf("it is not of part 1 of the standard and cannot be read")
}

// outrank notes which marker sets a parameter; one of each is allowed in a header.
func (d *decoder) outrank(held *rank, r rank) error {
	if *held == r {
		return d.Errorf("a second one")
	}
	*held = max(*held, r)
	return nil
}

// readStyle reads the part that COD and COC share (table A.20).
func (d *decoder) readStyle(s []byte, withPrecincts bool, p *parameters, r rank) error {
	if len(s) < 5 {
		return d.Errorf("%d bytes of coding style, 5 expected at least", len(s))
	}
	c := codingStyle{levels: int(s[0]), xcb: int(s[1]) + 2, ycb: int(s[2]) + 2, flags: s[3], reversible: s[4] == 1}
	want := 5
	if withPrecincts {
		want += c.levels + 1
	}
	switch {
	case c.levels > maxLevels:
		return d.Errorf("%d levels of decomposition, 0 to %d expected", c.levels, maxLevels)
	case len(s) != want:
		return d.Errorf("%d bytes of coding style, %d expected", len(s), want)
	case c.xcb > 10 || c.ycb > 10 || c.xcb+c.ycb > 12:
		return d.Errorf("code-blocks of 2^%d by 2^%d, at most 1024 a side and 4096 in all expected", c.xcb, c.ycb)
	case c.flags&0x40 != 0:
		return d.Unsupportedf("high-throughput coding cannot be read")
	case c.flags > styleAll:
		return d.Unsupportedf("code-block style %02X cannot be read", c.flags)
	case s[4] > 1:
		return d.Unsupportedf("wavelet transform %d cannot be read", s[4])
	}
	for i := range c.precincts {
		c.precincts[i] = 0xFF
	}
	for i, b := range s[5:] {
		if i > 0 && (b&15 == 0 || b>>4 == 0) {
			return d.Errorf("precincts of one sample at resolution %d", i)
		}
		c.precincts[i] = b
	}
	if r >= p.styleRank {
		p.style = c
	}
	return d.outrank(&p.styleRank, r)
}

// readQuantization reads the part that QCD and QCC share (table A.27).
func (d *decoder) readQuantization(s []byte, p *parameters, r rank) error {
	if len(s) < 1 {
		return d.Errorf("it is empty")
	}
	q := quantization{kind: s[0] & 0x1F, guard: int(s[0] >> 5)}
	s = s[1:]
	width := 2
	switch q.kind {
	case quantNone:
		width = 1
	case quantDerived, quantExpounded:
	default:
		return d.Unsupportedf("quantization of kind %d cannot be read", q.kind)
	}
	n := len(s) / width
	if len(s)%width != 0 || n < 1 || n > 3*maxLevels+1 || q.kind == quantDerived && n != 1 {
		return d.Errorf("%d bytes of steps", len(s))
	}
	q.steps = make([]step, n)
	for i := range q.steps {
		if width == 1 {
			q.steps[i].exponent = int(s[i] >> 3)
			continue
		}
		v := codestream.Uint16(s[2*i:])
		q.steps[i] = step{v >> 11, v & 0x7FF}
	}
	if r >= p.quantumRank {
		p.quantum = q
	}
	return d.outrank(&p.quantumRank, r)
}

// readChanges reads POC. Those of a tile replace the main header's, and further
// ones, in later tile-parts, follow.
func (d *decoder) readChanges(s []byte, p *parameters, r rank) error {
	if len(s) == 0 || len(s)%7 != 0 {
		return d.Errorf("%d bytes, a multiple of 7 expected", len(s))
	}
	var changes []progression
	if p.changeRank == r {
		changes = p.changes
	}
	p.changeRank = r
	for ; len(s) > 0; s = s[7:] {
		c := progression{firstRes: int(s[0]), layers: codestream.Uint16(s[2:]), endRes: int(s[4]), order: s[6]}
		switch {
		case len(changes) == maxChanges:
			return d.Unsupportedf("more than %d changes of progression cannot be read", maxChanges)
		case c.order > maxOrder || c.firstRes > maxLevels || c.endRes <= c.firstRes || c.layers == 0:
			return d.Errorf("a change to order %d for resolutions %d to %d and %d layers does not exist", c.order, c.firstRes, c.endRes, c.layers)
		}
		changes = append(changes[:len(changes):len(changes)], c)
	}
	p.changes = changes
	return nil
}

// tilePart is one part of a tile's data (A.4.2).
type tilePart struct {
	index, part int
	tile        *tileParts
	end         int  // the byte behind its data
	last        bool // of the stream: its length is left open
}

// readTilePart reads the tile-part whose SOT was met, keeps its data and goes to
// the next marker.
func (d *decoder) readTilePart() error {
	p, err := d.startTilePart()
	if err != nil {
		return err
	}
	if err := d.tileHeader(p); err != nil {
		return err
	}
	return d.tileData(p)
}

// startTilePart reads SOT.
func (d *decoder) startTilePart() (p tilePart, err error) {
	start := d.Start
	s, err := d.Segment()
	if err != nil {
		return p, err
	}
	if len(s) != 8 {
		return p, d.Errorf("%d bytes, 8 expected", len(s))
	}
	length := int64(binary.BigEndian.Uint32(s[2:]))
	p.index, p.part = codestream.Uint16(s), int(s[6])
	if p.index >= len(d.tiles) {
		return p, d.Errorf("tile %d of %d", p.index+1, len(d.tiles))
	}
	p.tile = &d.tiles[p.index]
	if p.part != p.tile.next {
		return p, d.Errorf("part %d of tile %d, part %d expected", p.part+1, p.index+1, p.tile.next+1)
	}
	if p.part == 0 {
		p.tile.start = start
	}
	p.tile.next++
	p.end = start + int(min(length, 1<<31-1))
	if length == 0 {
		p.end, p.last = d.lastByte(), true
	}
	if p.end > len(d.Data) {
		return p, d.Errorf("the data end at byte %d, tile %d at byte %d", len(d.Data), p.index+1, p.end)
	}
	return p, nil
}

// tileHeader reads the parameters up to SOD that hold for a tile alone.
func (d *decoder) tileHeader(p tilePart) error {
	for {
		if err := d.nextMarker(); err != nil {
			return err
		}
		if d.Marker == markerSOD {
			return nil
		}
		segment, err := d.parameterSegment()
		if err != nil {
			return err
		}
		switch m := d.Marker; {
		case m == markerPLT || m == markerCOM:
			continue
		case m == markerPPT:
			return d.Unsupportedf("packed packet headers cannot be read")
		case p.part > 0 && m != markerPOC:
			return d.Errorf("unexpected in part %d of tile %d", p.part+1, p.index+1)
		}
		if p.tile.parameters == nil {
			main := d.parameters
			p.tile.parameters = &main
		}
		if err := d.readParameters(segment, p.tile.parameters, inTile); err != nil {
			return err
		}
	}
}

// tileData keeps the packets behind SOD and goes to the next marker: SOT, or EOC,
// which may be missing at the end of the data.
func (d *decoder) tileData(p tilePart) error {
	if p.end < d.Pos {
		return d.Errorf("tile %d ends at byte %d, before its data", p.index+1, p.end)
	}
	p.tile.addPackets(d.Data[d.Pos:p.end])
	d.Pos = p.end
	if rest := d.Data[d.Pos:]; p.last || d.AtEnd() || len(rest) == 1 && rest[0] == 0 {
		d.Marker = markerEOC
		return nil
	}
	if err := d.nextMarker(); err != nil {
		return err
	}
	if d.Marker != markerSOT && d.Marker != markerEOC {
		return d.Errorf("unexpected here")
	}
	return nil
}

// lastByte is where the data of a last tile-part end that leaves it open: at the
// end marker, and padding behind it.
func (d *decoder) lastByte() int {
	trimmed := bytes.TrimRight(d.Data[d.Pos:], "\x00")
	if bytes.HasSuffix(trimmed, []byte{0xFF, markerEOC}) {
		return d.Pos + len(trimmed) - 2
	}
	return len(d.Data)
}

// addPackets adds a part's packets.
func (t *tileParts) addPackets(data []byte) {
	if t.data == nil {
		t.data = data[:len(data):len(data)] // further parts must not overwrite the stream
		return
	}
	t.data = append(t.data, data...)
}
