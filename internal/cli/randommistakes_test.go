package cli

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
)

// Farther from the phantom's truth than this a figure is wrong: more than twice what
// the phantoms below are measured to without a mistake (0.21 mm, 0.3°). No source.
const (
	wrongMM      = 0.5
	wrongDegrees = 2.0
)

// drawn are the phantoms that random mistakes are made in: two of the lower jaw
// with fixtures at the same sites, one of the upper.
var drawn = []struct {
	name, also string // folder; site of the second fixture
	seed       uint64
	other      int // that things are exchanged with
}{{"upper", "14", 2, 1}, {"lower", "46", 3, 2}, {"another", "46", 3, 1}}

// drawnHome makes those cases, once, with a series and a measurement of one, and two
// tables.
var drawnHome = sync.OnceValues(func() (string, error) {
	home := filepath.Join(phantomHome, "drawn")
	for i, c := range drawn {
		s, err := phantom.Random(c.seed, phantom.Easy)
		if err != nil {
			return "", err
		}
		s.Fixtures = append(s.Fixtures, phantom.UsualFixture(c.also))
		if i == 2 { // another patient, other deviations
			s.Seed, s.Pre.Move.X = 77, s.Pre.Move.X+4
			s.Fixtures[0] = phantom.UsualFixture("44")
			s.Fixtures[0].Entry, s.Fixtures[0].Tilt = [3]float64{-0.7, 0.6, -0.4}, [2]float64{-3, 4}
			s.Fixtures[1].Entry, s.Fixtures[1].Tilt = [3]float64{0.2, 0.9, 0.5}, [2]float64{4, 1}
		}
		s.Case = c.name
		resize(&s, 0.4, 30)
		if err := phantom.Write(filepath.Join(home, c.name), s); err != nil {
			return "", err
		}
	}
	file := func(name string) string { return filepath.Join(home, name) }
	got := run("measure", "--json", file("m.json"), "--series", file("s.jsonl"), file("lower"))
	if got.status != Done {
		return "", fmt.Errorf("%s%s", got.stdout, got.stderr)
	}
	if err := os.WriteFile(file("plan.csv"), []byte("site;entry;apex\n36;-24,1 11,3 8;-24,6 12 -1,9\n"), 0o600); err != nil {
		return "", err
	}
	return home, os.WriteFile(file("past.csv"), []byte(past()), 0o600)
})

// trial is one random mistake, made in the working folder.
type trial struct {
	t     *testing.T
	r     *rand.Rand
	name  string   // folder of the case it is made in
	other string   // of another case
	given bool     // the alignment is given, not found from the scans
	line  []string // the command line
	what  string   // the mistake in words
}

// verdict is how a mistake ended.
type verdict string

const (
	refused  verdict = "refused"  // nothing was measured
	doubted  verdict = "doubted"  // measured, not to be relied on
	noticed  verdict = "notice"   // wrong, and a notice names the matter
	untold   verdict = "untold"   // wrong by less than what the scans can show
	harmless verdict = "harmless" // all figures are right
	silent   verdict = "silent"   // wrong, and nothing says so
	lost     verdict = "lost"     // a file of the user's has changed
)

// result is what became of a trial.
type result struct {
	verdict
	kind   string
	status int
	seed   uint64
	made   string   // the mistake in words
	off    string   // how far the figures are off
	says   []string // what the program says that it does not say without the mistake
}

func (r result) String() string {
	return fmt.Sprintf("%s: %s, seed %d: %s%s %q", r.verdict, r.kind, r.seed, r.made, r.off, r.says)
}

// tryMistake makes the random mistake of a seed and judges what is said.
func tryMistake(t *testing.T, seed uint64) result {
	t.Helper()
	home, err := drawnHome()
	require.NoError(t, err)
	k := randomMistakes[seed%uint64(len(randomMistakes))]
	tr := &trial{t: t, r: rand.New(rand.NewPCG(seed, 25))}
	at := tr.r.IntN(len(drawn))
	tr.name, tr.other, tr.given = drawn[at].name, drawn[drawn[at].other].name, k.given || tr.chance(0.5)
	tr.enter(home)
	tr.line = []string{"measure", "--json", "out.json", tr.name}
	require.NoError(t, k.make(tr), "seed %d: %s", seed, tr.what)
	before := snapshot(t, ".")
	got := run(tr.line...)
	require.NotContains(t, got.stderr, "inside the program", "seed %d: %s", seed, tr.what)

	res := result{kind: k.name, status: got.status, seed: seed, made: fmt.Sprintf("in %s, %s", tr.name, tr.what)}
	if file := changed(t, home, before); file != "" {
		res.verdict, res.off = lost, "; lost: "+file
		return res
	}
	if got.stderr != "" {
		res.says = []string{strings.TrimPrefix(strings.TrimSpace(got.stderr), "plumbline: ")}
	}
	c, err := measurement.Read("out.json")
	switch {
	case err != nil && (got.status == Done || got.status == InDoubt):
		res.verdict = harmless // an output that was written elsewhere
		return res
	case err != nil:
		require.NotEmpty(t, got.stderr, res)
		require.Contains(t, []int{BadInput, Failed}, got.status, res)
		res.verdict = refused
		return res
	}
	usual, named := tr.unharmed(home), false
	for _, f := range flagsOfCase(c) {
		// What is said of the very structure without the mistake holds with it, too.
		matter := slices.Contains(k.names, f.Code)
		about := inQuotes.FindString(f.Message)
		if usual[f.Code+f.Message[:min(8, len(f.Message))]] && !(matter && about != "" && strings.Contains(tr.what, about)) {
			continue
		}
		named = named || matter
		res.says = append(res.says, fmt.Sprintf("%s (%s, %s)", f.Message, f.Code, f.Level))
	}
	mm, degrees, where := farthest(t, home, c)
	res.off = fmt.Sprintf("; off by %.2f mm, %.1f°%s", mm, degrees, where)
	switch {
	case got.status == InDoubt:
		res.verdict = doubted
	case mm <= wrongMM && degrees <= wrongDegrees:
		res.verdict = harmless
	case named:
		res.verdict = noticed
	case mm <= k.unseen && degrees <= wrongDegrees:
		res.verdict = untold
	default:
		res.verdict = silent
	}
	return res
}

var inQuotes = regexp.MustCompile(`"[^"]+"`)

func (tr *trial) chance(p float64) bool { return tr.r.Float64() < p }

// pick is one of some.
func pick[T any](tr *trial, some ...T) T { return some[tr.r.IntN(len(some))] }

// between is a number from low to high, evenly in its logarithm, of either sign.
func (tr *trial) between(low, high float64) float64 {
	return pick(tr, -1.0, 1.0) * low * math.Pow(high/low, tr.r.Float64())
}

// say notes what the mistake is.
func (tr *trial) say(format string, args ...any) {
	tr.what = strings.Join(strings.Fields(fmt.Sprintf(format, args...)), " ")
}

// enter copies the cases to the working folder.
func (tr *trial) enter(home string) {
	require.NoError(tr.t, os.CopyFS(".", os.DirFS(home)))
	if tr.given {
		require.NoError(tr.t, os.Rename(filepath.Join(tr.name, "case-matrix.toml"), filepath.Join(tr.name, "case.toml")))
	}
}

// usualFlags are those of the cases without a mistake, by case and alignment; a flag
// is told by its code and the begin of its message, which names the site.
var usualFlags = map[string]map[string]bool{}

// unharmed measures the case without the mistake, once: its figures are right, and
// its flags are not about the mistake.
func (tr *trial) unharmed(home string) map[string]bool {
	path := filepath.Join(home, tr.name, "case.toml")
	if tr.given {
		path = filepath.Join(home, tr.name, "case-matrix.toml")
	}
	if usualFlags[path] == nil {
		file := filepath.Join(tr.t.TempDir(), "usual.json")
		got := run("measure", "--json", file, path)
		require.Equal(tr.t, Done, got.status, got.stdout+got.stderr)
		c, err := measurement.Read(file)
		require.NoError(tr.t, err)
		mm, degrees, where := farthest(tr.t, home, c)
		require.Less(tr.t, mm, 0.7*wrongMM, where)
		require.Less(tr.t, degrees, wrongDegrees/2, where)
		usualFlags[path] = map[string]bool{}
		for _, f := range flagsOfCase(c) {
			usualFlags[path][f.Code+f.Message[:min(8, len(f.Message))]] = true
		}
	}
	return usualFlags[path]
}

func flagsOfCase(c *measurement.Case) []measurement.Flag {
	all := slices.Concat(c.Flags, c.Alignment.Flags)
	for _, f := range c.Fixtures {
		all = append(all, f.Flags...)
	}
	return all
}

// changed is a file that is not what it was, "" where all are. A series file may
// have got longer.
func changed(t *testing.T, home string, before map[string]string) string {
	t.Helper()
	after := snapshot(t, ".")
	series, err := os.ReadFile(filepath.Join(home, "s.jsonl"))
	require.NoError(t, err)
	for _, path := range slices.Sorted(maps.Keys(before)) {
		if after[path] == before[path] {
			continue
		}
		if now, err := os.ReadFile(path); err == nil && bytes.HasPrefix(now, series) {
			continue
		}
		return path
	}
	return ""
}

// farthest is how far a measurement's figures lie from the phantom's truth at
// most. Figures under a tooth that has no fixture are wrong whatever they are.
func farthest(t *testing.T, home string, c *measurement.Case) (mm, degrees float64, where string) {
	t.Helper()
	name := c.Case
	if _, err := os.Stat(filepath.Join(home, name)); err != nil {
		name = drawn[0].name
	}
	truth, err := phantom.ReadRecord(filepath.Join(home, name))
	require.NoError(t, err)
	most := map[measurement.Unit]float64{}
	at := map[measurement.Unit]string{}
	note := func(unit measurement.Unit, off float64, what string) {
		if off > most[unit] {
			most[unit], at[unit] = off, what
		}
	}
	for _, f := range c.Fixtures {
		k := slices.IndexFunc(truth.Fixtures, func(r phantom.FixtureRecord) bool { return r.Site == f.Site })
		if f.Deviation == nil {
			continue
		}
		if k < 0 {
			note(measurement.MM, math.Inf(1), "site "+f.Site+" has no fixture")
			continue
		}
		want := truth.Fixtures[k]
		for i, v := range f.Deviation.All() {
			if want.Deviation[i] == nil {
				continue
			}
			note(i.Unit(), math.Abs(v-*want.Deviation[i]), f.Site+" "+i.String())
		}
		for _, got := range f.Clearance {
			for _, want := range want.Clearance {
				if want.Structure != got.Structure {
					continue
				}
				note(measurement.MM, math.Abs(got.Planned-want.Planned), f.Site+" planned "+got.Structure)
				if got.Achieved != nil {
					note(measurement.MM, math.Abs(*got.Achieved-*want.Achieved), f.Site+" achieved "+got.Structure)
				}
			}
		}
	}
	return most[measurement.MM], most[measurement.Degrees], fmt.Sprintf(" (%s, %s)", at[measurement.MM], at[measurement.Degrees])
}

// drawnMistakes are some of them, the quicker ones, for the table of mistakes.
var drawnMistakes = func() (out []mistake) {
	for _, seed := range []uint64{0, 1, 4, 5, 6, 7, 8, 11, 13, 18, 22, 23, 24, 25, 27, 29, 30, 31, 32, 33, 34, 35, 74, 37} {
		kind := randomMistakes[seed%uint64(len(randomMistakes))].name
		out = append(out, mistake{kind, func(t *testing.T) ([]string, int) {
			r := tryMistake(t, seed)
			require.NotContains(t, []verdict{silent, lost}, r.verdict, r)
			if len(r.says) == 0 {
				r.says = []string{"nothing; the figures are right"}
			}
			return append([]string{r.made + ":"}, r.says...), r.status
		}})
	}
	return out
}()
