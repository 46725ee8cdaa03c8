package series

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

const noon = "2026-03-02T12:00:00+01:00"

func number(x float64) *float64 { return &x }

// measurementOf is of one fixture whose figures follow from its number.
func measurementOf(name, placed, plan string, i int) *measurement.Case {
	x := float64(i)
	return &measurement.Case{
		Schema: measurement.Schema, Case: name, Placed: placed, Clinician: "clinician-a",
		Inputs: measurement.Inputs{PlanSHA256: plan, PreSHA256: "pre"},
		Fixtures: []measurement.Fixture{{
			Site: "36", Guidance: "full-guide",
			Planned: measurement.Placement{Entry: [3]float64{1, 2, 3}, Apex: [3]float64{1, 2, -7}, Diameter: 4.1, Length: 10},
			Deviation: &measurement.Values{
				measurement.Entry: new(0.5), measurement.EntryLateral: new(0.4), measurement.EntryDepth: new(-0.3),
				measurement.Apex: new(1 + x/8), measurement.ApexLateral: new(1 + x/8), measurement.ApexDepth: new(0.0), measurement.Angle: new(2.0),
				measurement.EntryMesial: new(-0.4), measurement.EntryBuccal: new(0.0),
			},
			Uncertainty: &measurement.Uncertainty{
				Intervals: measurement.PerFigure[measurement.Interval]{
					measurement.Entry: {U: 0.1}, measurement.EntryLateral: {}, measurement.EntryDepth: {},
					measurement.Apex: {}, measurement.ApexLateral: {}, measurement.ApexDepth: {}, measurement.Angle: {},
					measurement.EntryMesial: {U: 0.05},
				},
				Floor: measurement.Values{measurement.Entry: new(0.0), measurement.Apex: new(0.0), measurement.Angle: new(0.0)},
			},
			Clearance: []measurement.Clearance{{Structure: "left mandibular canal", Kind: "nerve", Planned: 2.5, Achieved: number(2.25), Margin: number(2)}},
		}},
	}
}

func seal(name, placed, plan, time string) Record {
	return Record{Kind: Sealed, Case: name, Time: time, Plan: &Plan{
		SHA256: plan, Clinician: "clinician-a", Placed: placed, Frame: "lps",
		Fixtures:   []PlannedFixture{{Site: "36", Guidance: "full-guide", Entry: [3]float64{1, 2, 3}, Apex: [3]float64{1, 2, -7}, Diameter: 4.1, Length: 10}},
		Structures: []PlannedStructure{}, PreSHA256: "pre",
	}}
}

func measured(name, placed, plan string, i int) Record {
	return Record{Kind: Measured, Case: name, Time: "2026-04-01T12:00:00+02:00", Measurement: measurementOf(name, placed, plan, i)}
}

func remark(text string) Record {
	return Record{Kind: Remark, Time: noon, Author: "mentor-b", Text: text}
}

func write(t *testing.T, path string, records ...Record) Appended {
	t.Helper()
	var a Appended
	var err error
	for _, r := range records {
		a, err = Append(path, r)
		require.NoError(t, err)
	}
	return a
}

// sample is a file of all kinds, and its bytes.
func sample(t *testing.T) (path string, text []byte) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "series.jsonl")
	write(t, path,
		seal("C-001", "2026-03-03", "p1", noon), measured("C-001", "2026-03-03", "p1", 1),
		seal("C-002", "2026-03-05", "p2", noon),
		Record{Kind: LeftOut, Time: noon, Case: "C-002", Reason: "no follow-up scan"},
		remark("a <b> & c — “ok”"),
		Record{Kind: Correction, Time: noon, Corrects: 5, Reason: "typing", Text: "a, b and c"},
		remark("last"),
	)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	return path, text
}

// The file and its receipts by another program, written from the description.
func TestChainOfAnotherProgram(t *testing.T) {
	f, err := Read("testdata/chain.jsonl")
	require.NoError(t, err)
	require.Empty(t, f.Faults)
	require.Len(t, f.Records, 3)
	assert.Equal(t, "follow-up scan of another practice – not to be had", f.Records[1].Reason)
	want, err := os.ReadFile("testdata/receipts.txt")
	require.NoError(t, err)
	for i, receipt := range strings.Fields(string(want)) {
		assert.Equal(t, receipt, receiptOf(i+1, f.Records[i].Hash))
		v, err := f.Check(receipt)
		require.NoError(t, err)
		assert.True(t, v.Sound && v.Held.Same, "%+v", v.Held)
	}
}

// The hashes by hand, from the bytes.
func TestAppendWritesAChain(t *testing.T) {
	path, text := sample(t)
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	require.Len(t, lines, 7)
	before := strings.Repeat("0", 64)
	for i, line := range lines {
		at := strings.LastIndex(line, `,"hash":"`)
		sum := sha256.Sum256([]byte(line[:at]))
		assert.Equal(t, `,"hash":"`+hex.EncodeToString(sum[:])+`"}`, line[at:])
		assert.Contains(t, line, fmt.Sprintf(`"record":%d,`, i+1))
		assert.Contains(t, line, `"before":"`+before+`"`)
		before = hex.EncodeToString(sum[:])
	}
	v, err := Check(path, "")
	require.NoError(t, err)
	assert.True(t, v.Sound)
	assert.Nil(t, v.Unfinished)
	assert.Equal(t, 7, v.Records)
	assert.True(t, strings.HasPrefix(v.Receipt, "7-"))
	a := write(t, path, remark("one more"))
	assert.Equal(t, Appended{First: 8, Last: 8, Receipt: a.Receipt}, a)
	f, err := Read(path)
	require.NoError(t, err)
	assert.Equal(t, a.Receipt, f.Receipt())
	assert.NoError(t, f.Sound())
}

func TestSeveralAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.jsonl")
	a, err := Append(path, remark("1"), remark("2"), remark("3"))
	require.NoError(t, err)
	assert.Equal(t, 1, a.First)
	assert.Equal(t, 3, a.Last)
	_, err = Append(path, remark("4"), Record{Kind: Remark, Time: noon, Text: "no author"})
	assert.ErrorContains(t, err, "needs a text and its author")
	f, err := Read(path)
	require.NoError(t, err)
	assert.Len(t, f.Records, 3)
}

// clean tells whether a file looks untouched.
func clean(f *File) bool { return len(f.Faults) == 0 && f.Unfinished == nil }

func TestEveryEditedByteIsFound(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	_, text := sample(t)
	rng := rand.New(rand.NewPCG(1, 2))
	whole, err := Parse(bytes.NewReader(text))
	require.NoError(t, err)
	require.True(t, clean(whole))
	for i := range text {
		edited := bytes.Clone(text)
		// A bit, a letter of the other case, a line end and any other byte.
		for _, b := range []byte{text[i] ^ 1, text[i] ^ 0x20, '\n', text[i] + byte(1+rng.IntN(255))} {
			if b == text[i] {
				continue
			}
			edited[i] = b
			f, err := Parse(bytes.NewReader(edited))
			require.NoError(t, err)
			require.False(t, clean(f), "byte %d %q to %q", i, text[i], b)
		}
		f, err := Parse(bytes.NewReader(append(bytes.Clone(text[:i]), text[i+1:]...)))
		require.NoError(t, err)
		require.False(t, clean(f), "byte %d removed", i)
		f, err = Parse(bytes.NewReader(append(append(bytes.Clone(text[:i]), ' '), text[i:]...)))
		require.NoError(t, err)
		require.False(t, clean(f), "byte added at %d", i)
	}
}

func TestTamperingIsTold(t *testing.T) {
	path, text := sample(t)
	f, err := Read(path)
	require.NoError(t, err)
	early, late := receiptOf(3, f.Records[2].Hash), f.Receipt()
	lines := bytes.SplitAfter(text, []byte("\n"))[:7]
	join := func(at ...int) string {
		var b strings.Builder
		for _, i := range at {
			b.Write(lines[i-1])
		}
		return b.String()
	}
	// rewritten has record n changed and every later line hashed anew.
	rewritten := func(n int) string {
		out := filepath.Join(t.TempDir(), "w.jsonl")
		for _, r := range f.Records {
			r.line = 0
			if r.Number == n {
				r.Time = "2026-03-02T13:00:00+01:00"
			}
			write(t, out, r)
		}
		text, err := os.ReadFile(out)
		require.NoError(t, err)
		return string(text)
	}
	edited := strings.Replace(string(text), "no follow-up", "no-follow up", 1)
	for name, c := range map[string]struct {
		text                string
		codes               []string
		says                string
		earlyHeld, lateHeld bool
	}{
		"untouched":               {string(text), nil, "", true, true},
		"removed in the middle":   {join(1, 2, 3, 5, 6, 7), []string{FaultRemoved}, "record 4 is missing before line 4", true, false},
		"first removed":           {join(2, 3, 4, 5, 6, 7), []string{FaultRemoved}, "record 1 is missing before line 1", false, false},
		"two swapped":             {join(1, 2, 4, 3, 5, 6, 7), []string{FaultMoved, FaultMoved, FaultMoved}, "line 4, record 3, was written after the record that now stands on line 2", false, false},
		"a line twice":            {join(1, 2, 3, 3, 4, 5, 6, 7), []string{FaultMoved}, "line 4, record 3, was written after the record that now stands on line 2", true, false},
		"end cut off":             {join(1, 2, 3, 4, 5), nil, "", true, false},
		"end cut off before it":   {join(1, 2), nil, "", false, false},
		"edited":                  {edited, []string{FaultEdited}, "line 4 was edited", true, false},
		"written anew from one":   {rewritten(2), nil, "", false, false},
		"written anew after it":   {rewritten(5), nil, "", true, false},
		"one line written anew":   {join(1, 2, 3) + strings.SplitAfter(rewritten(4), "\n")[3] + join(5, 6, 7), []string{FaultRemoved}, "written anew", true, false},
		"saved on another system": {strings.ReplaceAll(string(text), "\n", "\r\n"), []string{FaultEdited}, "writes it, and 6 more lines were changed", false, false},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "s.jsonl")
			require.NoError(t, os.WriteFile(path, []byte(c.text), 0o644))
			v, err := Check(path, "")
			require.NoError(t, err)
			var codes []string
			says := ""
			for _, f := range v.Faults {
				codes = append(codes, f.Code)
				says += f.Message + "\n"
			}
			assert.Equal(t, c.codes, codes, says)
			assert.Contains(t, says, c.says)
			assert.Equal(t, len(c.codes) == 0, v.Sound)
			for receipt, held := range map[string]bool{early: c.earlyHeld, late: c.lateHeld} {
				v, err := Check(path, receipt)
				require.NoError(t, err)
				assert.Equal(t, held, v.Held.Same, "%s: %s", receipt, v.Held.Message)
				assert.NotEmpty(t, v.Held.Message)
				assert.Equal(t, held && len(c.codes) == 0, v.Sound)
			}
		})
	}
}

func TestReceiptsAsTyped(t *testing.T) {
	path, _ := sample(t)
	v, err := Check(path, "")
	require.NoError(t, err)
	count, rest, _ := strings.Cut(v.Receipt, "-")
	for _, typed := range []string{
		strings.ToLower(v.Receipt), " " + v.Receipt + "\n", count + "-" + strings.ReplaceAll(rest, "-", ""),
		strings.NewReplacer("1", "l", "0", "o").Replace(v.Receipt), count + " - " + strings.ReplaceAll(rest, "-", " "),
	} {
		w, err := Check(path, typed)
		require.NoError(t, err, typed)
		assert.True(t, w.Held.Same, typed)
	}
	swap := []byte(v.Receipt)
	for i := range swap[:len(swap)-1] {
		if swap[i] != swap[i+1] && swap[i] != '-' && swap[i+1] != '-' {
			swap[i], swap[i+1] = swap[i+1], swap[i]
			break
		}
	}
	for _, bad := range []string{"", "-", "7", "7-ABCD", rest, "0-" + rest, "07-" + rest, "8-" + rest, string(swap), v.Receipt + "0", "7-UUUU-UUUU-UUUU-UUUU"} {
		if bad == "" {
			continue
		}
		_, err := Check(path, bad)
		assert.ErrorContains(t, err, "receipt", bad)
	}
}

// One letter in a thousand slips through; here none of all single slips but
// that share does.
func TestReceiptTellsSlips(t *testing.T) {
	receipt := receiptOf(27, strings.Repeat("9f3a", 16))
	slips, through := 0, 0
	for i, c := range receipt {
		for _, d := range receiptAlphabet {
			if c == '-' || d == c {
				continue
			}
			slips++
			if n, _, err := parseReceipt(receipt[:i] + string(d) + receipt[i+1:]); err == nil && n > 0 {
				through++
			}
		}
	}
	assert.Greater(t, slips, 500)
	assert.LessOrEqual(t, through, 4)
}

// without takes a figure out of a measurement.
func without(m *measurement.Case, f measurement.Figure) *measurement.Case {
	m.Fixtures[0].Deviation[f] = nil
	return m
}

func TestAppendRefuses(t *testing.T) {
	path, text := sample(t)
	for name, c := range map[string]struct {
		r    Record
		says string
	}{
		"no time":              {Record{Kind: Remark, Author: "a", Text: "b"}, "time"},
		"kind":                 {Record{Kind: "note", Time: noon}, "not known"},
		"seal without plan":    {Record{Kind: Sealed, Case: "C", Time: noon}, "needs a plan"},
		"no case":              {Record{Kind: LeftOut, Time: noon, Reason: "r"}, "needs a case"},
		"no reason":            {Record{Kind: LeftOut, Time: noon, Case: "C"}, "needs a reason"},
		"a patient's name":     {Record{Kind: LeftOut, Time: noon, Case: "DOE^JANE", Reason: "r"}, "pseudonym"},
		"control":              {Record{Kind: Remark, Time: noon, Author: "a", Text: "b\x1b[2J"}, "cannot be printed"},
		"not UTF-8":            {Record{Kind: Remark, Time: noon, Author: "a", Text: "\xff"}, "UTF-8"},
		"other case":           {Record{Kind: Measured, Time: noon, Case: "C-009", Measurement: measurementOf("C-001", "2026-03-03", "p", 1)}, "of case"},
		"no apex deviation":    {Record{Kind: Measured, Time: noon, Case: "C-001", Measurement: without(measurementOf("C-001", "2026-03-03", "p", 1), measurement.Apex)}, "cannot be read again"},
		"corrects nothing":     {Record{Kind: Correction, Time: noon, Corrects: 70, Reason: "r", Withdraw: true}, "no record 70"},
		"corrects itself":      {Record{Kind: Correction, Time: noon, Corrects: 8, Reason: "r", Withdraw: true}, "no record 8"},
		"corrects in two ways": {Record{Kind: Correction, Time: noon, Corrects: 5, Reason: "r", Withdraw: true, Text: "t"}, "either to withdraw"},
		"text for a plan":      {Record{Kind: Correction, Time: noon, Corrects: 1, Reason: "r", Text: "t"}, "does not fit"},
		"another case's":       {Record{Kind: Correction, Time: noon, Corrects: 2, Reason: "r", Measurement: measurementOf("C-004", "2026-03-03", "p", 1)}, "is of case"},
	} {
		_, err := Append(path, c.r)
		require.Error(t, err, name)
		assert.ErrorContains(t, err, c.says, name)
		assert.NotContains(t, err.Error(), "JANE", name)
	}
	_, err := Append(path)
	assert.Error(t, err)
	now, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(text), string(now))
	_, err = Append(filepath.Join(t.TempDir(), "no", "such", "folder.jsonl"), remark("a"))
	assert.Error(t, err)
}

// Nothing is added to a file whose last record was edited, nor a correction to
// one that is broken anywhere.
func TestAppendStopsAtATamperedEnd(t *testing.T) {
	path, text := sample(t)
	edited := bytes.Replace(text, []byte(`"last"`), []byte(`"lost"`), 1)
	require.NoError(t, os.WriteFile(path, edited, 0o644))
	_, err := Append(path, remark("on top"))
	assert.ErrorContains(t, err, "nothing was added")
	f, err := Read(path)
	require.NoError(t, err)
	assert.ErrorContains(t, f.Sound(), "line 7 was edited")

	require.NoError(t, os.WriteFile(path, bytes.Replace(text, []byte("no follow-up"), []byte("no-follow up"), 1), 0o644))
	_, err = Append(path, Record{Kind: Correction, Time: noon, Corrects: 5, Reason: "r", Withdraw: true})
	assert.ErrorContains(t, err, "line 4 was edited")
}

// Another file of one line, named by mistake, is left as it is.
func TestAppendLeavesOtherFilesAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.json")
	for _, text := range []string{`{"schema":"plumbline/measurement/1","case":"C-1"}`, "a note", "x"} {
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
		_, err := Append(path, remark("on top"))
		assert.ErrorContains(t, err, "not a series file")
		now, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.Equal(t, text, string(now))
	}
	require.NoError(t, os.WriteFile(path, make([]byte, 4096), 0o644))
	a, err := Append(path, remark("after a power cut"))
	require.NoError(t, err)
	assert.Equal(t, 4096, a.Mended.Bytes)
}

func TestUnfinishedLineIsMended(t *testing.T) {
	path, text := sample(t)
	ends := map[int]bool{0: true}
	for i, b := range text {
		if b == '\n' {
			ends[i+1] = true
		}
	}
	for cut := range text {
		if cut%37 != 0 && !ends[cut] && !ends[cut+1] {
			continue
		}
		require.NoError(t, os.WriteFile(path, text[:cut], 0o644))
		f, err := Read(path)
		require.NoError(t, err)
		require.Empty(t, f.Faults, "cut at %d", cut)
		held := len(f.Records)
		unfinished := f.Unfinished
		switch {
		case ends[cut]:
			require.Nil(t, unfinished)
		case ends[cut+1]:
			require.True(t, unfinished.Complete)
			require.Contains(t, unfinished.String(), "lacks its line end")
		default:
			require.False(t, unfinished.Complete)
			require.Contains(t, unfinished.String(), "unfinished")
		}
		a, err := Append(path, remark("after"))
		require.NoError(t, err)
		f, err = Read(path)
		require.NoError(t, err)
		require.True(t, clean(f), "cut at %d: %v %v", cut, f.Faults, f.Unfinished)
		if unfinished != nil && !unfinished.Complete {
			require.Len(t, f.Records, held+2)
			sum := sha256.Sum256(text[cut-unfinished.Bytes : cut])
			require.NotNil(t, a.Mended)
			require.Equal(t, &Dropped{unfinished.Bytes, hex.EncodeToString(sum[:]), a.Mended.File}, f.Records[held].Dropped)
			aside, err := os.ReadFile(filepath.Join(filepath.Dir(path), a.Mended.File))
			require.NoError(t, err)
			require.Equal(t, string(text[cut-unfinished.Bytes:cut]), string(aside))
			require.Equal(t, f.Records[held].Dropped, a.Mended)
			require.Equal(t, 1, Summarise(f.Records, "").Mended)
		} else {
			require.Len(t, f.Records, held+1)
			require.Nil(t, a.Mended)
		}
	}
}

// A record with something else behind it than its line end is still a record:
// what an editor leaves is told, and what the next writer takes off is kept.
func TestARecordWithoutItsLineEndIsKept(t *testing.T) {
	_, text := sample(t)
	whole := strings.TrimSuffix(string(text), "\n")
	for name, c := range map[string]struct{ end, says, aside string }{
		"a space for the line end": {" ", "in place of the line end stands something else (1 bytes)", " "},
		"carriage return alone":    {"\r", "stands something else (1 bytes)", "\r"},
		"a note":                   {" see page 3", "stands something else (11 bytes)", " see page 3"},
		"half a record":            {string(text[:90]), "stands something else (90 bytes)", string(text[:90])},
		"zeros":                    {"\x00\x00", "stands something else (2 bytes)", "\x00\x00"},
		"an empty line":            {"\n\n", "from line 8 on there are only empty lines (1 bytes)", "\n"},
		"empty lines with spaces":  {"\n\n \r\n\t", "only empty lines (5 bytes)", "\n \r\n\t"},
		"empty, then half a line":  {"\n\n{\"sch", "line 8, the last, is unfinished (6 bytes)", "\n{\"sch"},
		"nothing":                  {"", "lacks its line end", ""},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "s.jsonl")
			require.NoError(t, os.WriteFile(path, []byte(whole+c.end), 0o644))
			f, err := Read(path)
			require.NoError(t, err)
			assert.Empty(t, f.Faults)
			assert.Len(t, f.Records, 7)
			require.NotNil(t, f.Unfinished)
			assert.Contains(t, f.Unfinished.String(), c.says)
			a, err := Append(path, remark("after"))
			require.NoError(t, err)
			now, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, string(text), string(now[:len(text)]), "no record was lost")
			f, err = Read(path)
			require.NoError(t, err)
			assert.True(t, clean(f))
			names, err := filepath.Glob(path + ".set-aside-*")
			require.NoError(t, err)
			if c.aside == "" {
				assert.Nil(t, a.Mended)
				assert.Empty(t, names)
				return
			}
			assert.Equal(t, []string{path + ".set-aside-1"}, names)
			assert.Equal(t, "s.jsonl.set-aside-1", f.Records[7].Dropped.File)
			aside, err := os.ReadFile(names[0])
			require.NoError(t, err)
			assert.Equal(t, c.aside, string(aside))
		})
	}
}

// What an editor did to lines that others follow is told, with all records.
func TestEditorsAreTold(t *testing.T) {
	_, text := sample(t)
	lines := strings.SplitAfter(string(text), "\n")
	for name, c := range map[string]struct{ text, says string }{
		"line ends of another system": {strings.ReplaceAll(string(text), "\n", "\r\n"), "line 1 ends as a text editor of another system writes it"},
		"byte order mark":             {"\ufeff" + string(text), "line 1 begins with a byte order mark"},
		"an empty line":               {lines[0] + "\n" + strings.Join(lines[1:], ""), "line 2 is empty"},
		"two on a line":               {strings.TrimSuffix(lines[0], "\n") + " " + strings.Join(lines[1:], ""), "line 1 has more than one record"},
		"all on a line":               {strings.ReplaceAll(string(text), "\n", " "), "line 1 has more than one record"},
		"a space before its end":      {lines[0][:len(lines[0])-1] + " \n" + strings.Join(lines[1:], ""), "line 1 has something besides its record"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "s.jsonl")
			require.NoError(t, os.WriteFile(path, []byte(c.text), 0o644))
			f, err := Read(path)
			require.NoError(t, err)
			assert.Len(t, f.Records, 7)
			assert.ErrorContains(t, f.Sound(), c.says)
			for _, fault := range f.Faults {
				assert.Equal(t, FaultEdited, fault.Code)
			}
		})
	}
}

// Files set aside never take each other's place.
func TestSetAsideOverwritesNothing(t *testing.T) {
	path, text := sample(t)
	require.NoError(t, os.WriteFile(path+".set-aside-1", []byte("a user's own"), 0o644))
	for i, half := range []string{`{"sche`, `{"sche`, `{"schema`} {
		require.NoError(t, os.WriteFile(path, append(slices.Clone(text), half...), 0o644))
		a, err := Append(path, remark("after"))
		require.NoError(t, err)
		assert.Equal(t, []string{"series.jsonl.set-aside-2", "series.jsonl.set-aside-2", "series.jsonl.set-aside-3"}[i], a.Mended.File)
	}
	own, err := os.ReadFile(path + ".set-aside-1")
	require.NoError(t, err)
	assert.Equal(t, "a user's own", string(own))
}

func FuzzParse(f *testing.F) {
	path := filepath.Join(f.TempDir(), "s.jsonl")
	_, err := Append(path, seal("C-1", "2026-03-03", "p", noon), measured("C-1", "2026-03-03", "p", 1), remark("x"))
	require.NoError(f, err)
	_, err = Append(path, Record{Kind: Correction, Time: noon, Corrects: 3, Reason: "r", Withdraw: true})
	require.NoError(f, err)
	text, err := os.ReadFile(path)
	require.NoError(f, err)
	f.Add(text)
	f.Add(text[:len(text)-20])
	f.Add([]byte("{}\n\n\r\n\x00"))
	other, err := os.ReadFile("testdata/chain.jsonl")
	require.NoError(f, err)
	f.Add(other)
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := Parse(bytes.NewReader(text))
		if err != nil {
			return
		}
		s := Summarise(file.Records, "2026-03-04")
		s.Rows()
		s.Table()
		if _, err := file.Check(""); err != nil {
			t.Fatal(err)
		}
		// What is told as untouched is a chain, byte for byte.
		if clean(file) {
			before := noRecord
			for i, line := range bytes.SplitAfter(text, []byte("\n")) {
				if len(line) == 0 {
					break
				}
				at := bytes.LastIndex(line, []byte(hashKey))
				sum := sha256.Sum256(line[:at])
				if !bytes.Contains(line, []byte(before)) || file.Records[i].Hash != hex.EncodeToString(sum[:]) {
					t.Fatalf("line %d is no link", i+1)
				}
				before = file.Records[i].Hash
			}
		}
	})
}
