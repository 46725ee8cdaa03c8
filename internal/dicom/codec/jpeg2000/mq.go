package jpeg2000

// state is a row of table C.2, for one more probable symbol: the probability of
// the other one, shifted to where the registers have it, and the states that
// follow.
type state struct {
	estimate     int64
	after, other uint8 // the more and the less probable symbol
}

// states has two states for each row of table C.2; the lowest bit of their
// number is the more probable symbol.
var states = makeStates()

func makeStates() (s [94]state) {
	for i, r := range [47]struct {
		estimate    int64
		after, less uint8
		turn        uint8
	}{
		{0x5601, 1, 1, 1}, {0x3401, 2, 6, 0}, {0x1801, 3, 9, 0}, {0x0AC1, 4, 12, 0},
		{0x0521, 5, 29, 0}, {0x0221, 38, 33, 0}, {0x5601, 7, 6, 1}, {0x5401, 8, 14, 0},
		{0x4801, 9, 14, 0}, {0x3801, 10, 14, 0}, {0x3001, 11, 17, 0}, {0x2401, 12, 18, 0},
		{0x1C01, 13, 20, 0}, {0x1601, 29, 21, 0}, {0x5601, 15, 14, 1}, {0x5401, 16, 14, 0},
		{0x5101, 17, 15, 0}, {0x4801, 18, 16, 0}, {0x3801, 19, 17, 0}, {0x3401, 20, 18, 0},
		{0x3001, 21, 19, 0}, {0x2801, 22, 19, 0}, {0x2401, 23, 20, 0}, {0x2201, 24, 21, 0},
		{0x1C01, 25, 22, 0}, {0x1801, 26, 23, 0}, {0x1601, 27, 24, 0}, {0x1401, 28, 25, 0},
		{0x1201, 29, 26, 0}, {0x1101, 30, 27, 0}, {0x0AC1, 31, 28, 0}, {0x09C1, 32, 29, 0},
		{0x08A1, 33, 30, 0}, {0x0521, 34, 31, 0}, {0x0441, 35, 32, 0}, {0x02A1, 36, 33, 0},
		{0x0221, 37, 34, 0}, {0x0141, 38, 35, 0}, {0x0111, 39, 36, 0}, {0x0085, 40, 37, 0},
		{0x0049, 41, 38, 0}, {0x0025, 42, 39, 0}, {0x0015, 43, 40, 0}, {0x0009, 44, 41, 0},
		{0x0005, 45, 42, 0}, {0x0001, 45, 43, 0}, {0x5601, 46, 46, 0},
	} {
		for symbol := range uint8(2) {
			s[2*i+int(symbol)] = state{r.estimate << 16, r.after<<1 | symbol, r.less<<1 | symbol ^ r.turn}
		}
	}
	return s
}

// Contexts, table D.1 to D.5, and their first states, table D.7.
const (
	contextZero    = 0 // to 8: whether a coefficient becomes significant
	contextSign    = 9 // to 13
	contextRefine  = 14
	contextRun     = 17
	contextUniform = 18
	contexts       = 19
)

// context is a state and its probability, close at hand.
type context struct {
	estimate int64
	symbol   uint32 // the more probable one
	state    uint8
}

// arithmetic is the MQ decoder (annex C). The registers C and A have the fraction
// point where C has it in figure C.20, and are kept less by slack, which is how
// much both can lose before a symbol is the less probable one or A is to be
// renormalized: most symbols cost one subtraction (Taubman, Marcellin: JPEG2000,
// 2002, section 17.1.1, from memory).
type arithmetic struct {
	slack    int64
	a, c     int64
	count    int // CT
	data     []byte
	pos      int
	contexts [contexts]context
}

const half = 0x8000 << 16 // below which A is renormalized

// firstContexts are the contexts in their first states.
var firstContexts = func() (c [contexts]context) {
	for i := range c {
		row := 0
		switch i {
		case contextZero:
			row = 4
		case contextRun:
			row = 3
		case contextUniform:
			row = 46
		}
		c[i] = context{states[2*row].estimate, 0, uint8(2 * row)}
	}
	return c
}()

// begin starts to decode a codeword segment (INITDEC, figure C.20).
func (m *arithmetic) begin(data []byte) {
	m.data, m.pos = data, 0
	m.c = int64(m.byteAt(0)) << 16
	m.byteIn()
	m.c <<= 7
	m.count -= 7
	m.a = half
	m.takeSlack()
}

// byteAt is a byte of the segment; behind its end are ones (D.4.1).
func (m *arithmetic) byteAt(i int) byte {
	if i < len(m.data) {
		return m.data[i]
	}
	return 0xFF
}

// byteIn is BYTEIN, figure C.19.
func (m *arithmetic) byteIn() {
	m.count = 8
	next := m.byteAt(m.pos + 1)
	if m.byteAt(m.pos) != 0xFF {
		m.c += int64(next) << 8
	} else if next <= 0x8F {
		m.c += int64(next) << 9
		m.count = 7
	} else {
		m.c += 0xFF00
		return
	}
	m.pos++
}

// takeSlack takes the slack out of the registers.
func (m *arithmetic) takeSlack() {
	m.slack = min(m.a-half, m.c)
	m.a -= m.slack
	m.c -= m.slack
}

// symbol decodes a symbol of a context (DECODE, figure C.15).
func (m *arithmetic) symbol(c *context) uint32 {
	m.slack -= c.estimate
	if m.slack < 0 {
		return m.exchange(c)
	}
	return c.symbol
}

// exchange ends symbol where the less probable symbol or a renormalization is met.
func (m *arithmetic) exchange(c *context) uint32 {
	a, code := m.a+m.slack, m.c+m.slack
	s := &states[c.state]
	symbol := c.symbol
	less := a < s.estimate // the smaller interval is the more probable symbol's
	if code < 0 {
		code += s.estimate
		a = s.estimate
		less = !less
	}
	next := s.after
	if less {
		symbol ^= 1
		next = s.other
	}
	*c = context{states[next].estimate, uint32(next & 1), next}
	m.c = code
	for {
		if m.count == 0 {
			m.byteIn()
		}
		a <<= 1
		m.c <<= 1
		m.count--
		if a >= half {
			break
		}
	}
	m.a = a
	m.takeSlack()
	return symbol
}
