package reviewpack

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// The bounds of a pack, which hold for one that is written and for one that is
// checked. Common practice, no source: a fixture has some 7 kB in the series file,
// 10 kB as JSON and 40 kB as a report, and the largest series meant has 3000.
const (
	mostFixtures   = 3000
	mostClinicians = 50
	mostPapers     = 300 // reports of single cases as PDF; a series of more has none
	mostMembers    = 8000
	mostMember     = 64 << 20  // bytes of one member
	mostUnpacked   = 256 << 20 // bytes of all members
	mostRatio      = 200       // of bytes unpacked to packed; a report has some 10
	mostSeries     = 24 << 20  // bytes of the series file
	mostRecord     = 1 << 20   // bytes of one of its lines
	mostRecords    = 20000
	mostObjects    = 120000 // of JSON in the series file; a fixture has 40
	mostCommas     = 50000  // of a line of it, of a measurement, of the manifest; a fixture has 200
	mostCase       = 2 << 20
	mostWords      = 1 << 20 // bytes of remarks, reasons and corrections
	mostTable      = 8 << 20
	mostManifest   = 4 << 20
	mostDirectory  = 4 << 20 // bytes read to list the members
	mostArchive    = 256 << 20
)

// ratioFrom is the size in bytes from which mostRatio counts: a short text may
// be a single repeated letter.
const ratioFrom = 1 << 20

// Memory is what a check takes at most, in MB, whatever the archive holds: a pack
// at the bounds was seen to take 130 MB.
const Memory = 256

// archive is an archive whose members have been read once, each within its bound.
type archive struct {
	members map[string]*zip.File
	hashes  map[string]Entry
	faults  []string
}

// openArchive lists the members and hashes each of them as it is unpacked.
//
// Errors: no zip archive, or one beyond the bounds of a pack. A member that no
// pack has is a fault.
func openArchive(r io.ReaderAt, size int64) (*archive, error) {
	if size > mostArchive {
		return nil, fmt.Errorf("it is larger than %d MB, more than any pack has", mostArchive>>20)
	}
	metered := &meter{in: r, left: mostDirectory}
	z, err := zip.NewReader(metered, size)
	if errors.Is(err, errDirectory) {
		return nil, errDirectory
	}
	if err != nil {
		return nil, fmt.Errorf("it is not a readable zip archive: %w", err)
	}
	metered.left = math.MaxInt64
	a := &archive{members: map[string]*zip.File{}, hashes: map[string]Entry{}}
	if err := a.list(z); err != nil {
		return nil, err
	}
	for _, name := range a.names() {
		h := sha256.New()
		n, err := a.copy(h, name, mostMember)
		if err != nil {
			a.fault("%s cannot be read: %s", quoted(name), reason(err))
			delete(a.members, name)
			continue
		}
		a.hashes[name] = Entry{name, int(n), hex.EncodeToString(h.Sum(nil))}
	}
	return a, nil
}

func (a *archive) fault(format string, args ...any) {
	a.faults = append(a.faults, fmt.Sprintf(format, args...))
}

func (a *archive) names() []string { return sortedNames(a.members) }

// list holds what the archive says of its members against the bounds, before any
// of them is unpacked.
func (a *archive) list(z *zip.Reader) error {
	if len(z.File) > mostMembers {
		return fmt.Errorf("it has %d members, more than any pack has (%d)", len(z.File), mostMembers)
	}
	if z.Comment != "" {
		a.fault("the archive carries a comment, which no pack does")
	}
	left := uint64(mostUnpacked)
	spelt := map[string]string{}
	for _, f := range z.File {
		switch n := f.UncompressedSize64; {
		case n > mostMember:
			return fmt.Errorf("%s unpacks to more than %d MB, more than any file of a pack", quoted(f.Name), mostMember>>20)
		case n > left:
			return fmt.Errorf("it unpacks to more than %d MB, more than any pack", mostUnpacked>>20)
		case n > ratioFrom && n/mostRatio > f.CompressedSize64:
			return fmt.Errorf("%s unpacks to more than %d times its size, as no file of a pack does", quoted(f.Name), mostRatio)
		default:
			left -= n
		}
		if what := unfit(f); what != "" {
			a.fault("%s %s", quoted(f.Name), what)
			continue
		}
		name, folder := strings.CutSuffix(f.Name, "/")
		folded := strings.ToLower(name)
		other, twice := spelt[folded]
		switch {
		case folder:
			// Some programs add folders when they pack anew; they come once each.
		case !twice:
			a.members[name] = f
		case other == name:
			a.fault("%s is there twice", quoted(name))
		default:
			a.fault("%s and %s differ in capitals only, and one would replace the other on many systems", quoted(other), quoted(name))
		}
		spelt[folded] = name
	}
	return a.apart()
}

// unfit is what makes a member one that no pack has; "" if nothing.
func unfit(f *zip.File) string {
	const encrypted = 1 // bit 0 of the general purpose flags (APPNOTE 4.4.4)
	name, folder := strings.CutSuffix(f.Name, "/")
	mode := f.Mode()
	switch {
	case !clean(name):
		return "is a name that no file of a pack has, and could lead out of the folder that it is unpacked in"
	case f.Flags&encrypted != 0:
		return "is encrypted"
	case mode&fs.ModeSymlink != 0:
		return "is a link, not a file"
	case mode.Type() != 0 && !folder:
		return "is no regular file"
	case folder && f.UncompressedSize64 > 0:
		return "is a folder with content of its own"
	case f.Comment != "":
		return "carries a comment, which no file of a pack does"
	}
	return ""
}

// apart is an error where two members share bytes of the archive, which lets a
// small one unpack to a huge one.
func (a *archive) apart() error {
	type span struct {
		from, to int64
		name     string
	}
	var spans []span
	for _, name := range a.names() {
		f := a.members[name]
		from, err := f.DataOffset()
		if err != nil {
			a.fault("%s cannot be read: %s", quoted(name), reason(err))
			delete(a.members, name)
			continue
		}
		if f.CompressedSize64 > mostArchive {
			return fmt.Errorf("%s is said to be larger than the archive", quoted(name))
		}
		spans = append(spans, span{from, from + int64(f.CompressedSize64), name})
	}
	slices.SortFunc(spans, func(a, b span) int { return int(a.from - b.from) })
	for i := 1; i < len(spans); i++ {
		if spans[i].from < spans[i-1].to {
			return fmt.Errorf("%s and %s lie over each other in the archive, as no program packs them", quoted(spans[i-1].name), quoted(spans[i].name))
		}
	}
	return nil
}

// copy unpacks a member of at most so many bytes.
func (a *archive) copy(to io.Writer, name string, most int64) (int64, error) {
	in, err := a.members[name].Open()
	if err != nil {
		return 0, err
	}
	defer in.Close()
	return io.Copy(to, &guard{in: in, left: most})
}

// text is a member whole: JSON of at most so many bytes.
func (a *archive) text(name string, most int64) ([]byte, error) {
	in, err := a.members[name].Open()
	if err != nil {
		return nil, err
	}
	defer in.Close()
	return io.ReadAll(&guard{in: in, left: most, json: true})
}

// seriesGuard passes the text of a series file on within its bounds.
func seriesGuard(in io.Reader) io.Reader {
	return &guard{in: in, left: mostSeries, json: true, lines: true}
}

// reason words why a member cannot be read; nothing of the archive is in it.
func reason(err error) string {
	switch {
	case errors.Is(err, zip.ErrChecksum):
		return "it does not match its checksum and is damaged"
	case errors.Is(err, zip.ErrAlgorithm):
		return "it is compressed by a method that this program does not know"
	case errors.Is(err, zip.ErrFormat):
		return "its header is damaged, or its size is not as said"
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "it ends too early"
	}
	return err.Error()
}

var errDirectory = fmt.Errorf("its list of members takes more than %d MB, more than that of any pack", mostDirectory>>20)

// meter passes a bounded number of bytes on.
type meter struct {
	in   io.ReaderAt
	left int64
}

func (m *meter) ReadAt(p []byte, at int64) (int, error) {
	if m.left -= int64(len(p)); m.left < 0 {
		return 0, errDirectory
	}
	return m.in.ReadAt(p, at)
}

// guard passes text on within bounds on bytes, and for JSON on what makes room
// beyond its text: objects, nulls that may stand for one, and commas, as a decoder
// makes room for each element of a list before it finds that it is of another kind.
// Where lines are bounded too, commas are counted by the line.
type guard struct {
	in    io.Reader
	left  int64
	json  bool
	lines bool

	objects, commas, length, ended int // so far
}

func (g *guard) Read(p []byte) (int, error) {
	n, err := g.in.Read(p)
	if g.left -= int64(n); g.left < 0 {
		return 0, errors.New("it is larger than in any pack")
	}
	if g.json {
		if err := g.weigh(p[:n]); err != nil {
			return 0, err
		}
	}
	return n, err
}

func (g *guard) weigh(text []byte) error {
	for part := range bytes.SplitAfterSeq(text, []byte("\n")) {
		g.objects += bytes.Count(part, []byte("{")) + bytes.Count(part, []byte("null"))
		g.commas += bytes.Count(part, []byte(","))
		g.length += len(part)
		switch {
		case g.objects > mostObjects:
			return fmt.Errorf("it has more than %d JSON objects, more than in any pack", mostObjects)
		case g.commas > mostCommas:
			return fmt.Errorf("it has more than %d values in one record, more than in any pack", mostCommas)
		case g.lines && g.length > mostRecord:
			return fmt.Errorf("a line is longer than %d kB, more than in any pack", mostRecord>>10)
		case g.lines && g.ended > mostRecords:
			return fmt.Errorf("it has more than %d lines, more than in any pack", mostRecords)
		}
		if g.lines && bytes.HasSuffix(part, []byte("\n")) {
			g.commas, g.length, g.ended = 0, 0, g.ended+1
		}
	}
	return nil
}

// longestQuote bounds text of the archive in a message, in characters.
const longestQuote = 200

// quoted shows text of the archive: within quotation marks, cut where it is long,
// everything escaped that is no plain character, so that no text can look like
// the program's own words.
func quoted(s string) string {
	if utf8.RuneCountInString(s) > longestQuote {
		s = string([]rune(s)[:longestQuote]) + "…"
	}
	return strconv.Quote(s)
}

// safe makes a pseudonym fit for a file name on every system.
func safe(name string) string {
	out := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		}
		return '_'
	}, name)
	if len(out) > 60 {
		out = out[:60]
	}
	return out
}

// longestName bounds a member's name, in bytes; packer's own have 80 at most.
const longestName = 120

var cleanName = regexp.MustCompile(`^(?:[A-Za-z0-9_-][A-Za-z0-9._-]*/)*[A-Za-z0-9_-][A-Za-z0-9._-]*$`)

// clean reports whether a name is fit for every system and cannot lead out of the
// folder that it is unpacked in.
func clean(name string) bool { return len(name) <= longestName && cleanName.MatchString(name) }
