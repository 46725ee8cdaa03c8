package reviewpack

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"regexp"
	"slices"
	"strings"

	"plumbline/internal/regularfile"
	"plumbline/internal/report"
	"plumbline/internal/series"
	"plumbline/internal/tooth"
)

// Verdict is what a look at a pack found. Text of the archive stands in Faults and
// Findings within quotation marks only.
type Verdict struct {
	Manifest Manifest // as it is in the archive: text from outside
	Program  string   // that made the pack, in quotation marks
	Digest   string   // of the manifest
	Files    int      // that are as the manifest says
	Listed   int      // that the manifest lists
	Faults   []string // in words; none in a sound pack
	Findings []string // what was checked besides hashes, and what could not be
	Open     bool     // files are other ones than this program makes, maybe since another version made them
}

// Sound reports whether nothing is wrong in what could be compared.
func (v *Verdict) Sound() bool { return len(v.Faults) == 0 }

// Check reads a pack and holds it against its manifest, its series file against
// its chain, and every other file against what the series file gives when the
// pack is made anew. Without the series file, measurements, their reports and the
// table are held against each other.
//
// In: version of the program that checks, and the command line that checks a pack,
// as Options has it. Where another version made the pack, files may differ for that
// reason; which do is a finding then.
// Errors: a file that is no readable zip archive with a manifest of this program, or
// one beyond the bounds of a pack. What is wrong inside is a fault, not an error.
func Check(file, version, checkLine string) (*Verdict, error) {
	f, err := regularfile.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	v, err := check(f, info.Size(), version, checkLine)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return v, nil
}

func check(in io.ReaderAt, size int64, version, checkLine string) (*Verdict, error) {
	a, err := openArchive(in, size)
	if err != nil {
		return nil, err
	}
	if _, has := a.members[manifestName]; !has {
		return nil, fmt.Errorf("it has no %s that can be read: it is not a peer-review pack", manifestName)
	}
	data, err := a.text(manifestName, mostManifest)
	if err != nil {
		return nil, fmt.Errorf("its %s: %s", manifestName, reason(err))
	}
	v := &Verdict{Faults: a.faults}
	if err := json.Unmarshal(data, &v.Manifest); err != nil || !v.Manifest.fit() {
		return nil, fmt.Errorf("its %s is not of the form %s", manifestName, Schema)
	}
	m := &v.Manifest
	v.Program, v.Digest = quoted(m.Program), sum(data)
	c := &checker{Verdict: v, archive: a, version: version, told: map[string]bool{}, remade: map[string]bool{manifestName: true, sumsName: true}}
	c.packer = newPacker(Options{RelativeDates: m.RelativeDates, Today: m.Today, Version: m.Program,
		Numbering: tooth.System(m.Numbering), Paper: papers[m.Paper], CheckLine: checkLine})
	c.packer.put = c.compare
	c.packer.given = c.pictured
	c.hashes()
	if m.RelativeDates {
		c.blinded()
		return v, nil
	}
	c.whole()
	return v, nil
}

// papers are the sizes of pages by the names that a manifest has for them.
var papers = map[string]report.Paper{report.A4.Name: report.A4, report.Letter.Name: report.Letter}

var day = regexp.MustCompile(`^(?:\d\d\d\d-\d\d-\d\d|day -?\d{1,6}|)$`)

// longestVersion bounds the name of a version, in bytes.
const longestVersion = 100

// fit reports whether a manifest is one that this program may have written.
func (m *Manifest) fit() bool {
	_, paper := papers[m.Paper]
	return m.Schema == Schema && len(m.Program) <= longestVersion && day.MatchString(m.Today) && paper &&
		(m.Numbering == "" || slices.Contains(tooth.Systems, tooth.System(m.Numbering)))
}

// checker is a check under way.
type checker struct {
	*Verdict
	archive *archive
	version string  // of this program
	packer  *packer // makes the files anew
	told    map[string]bool
	remade  map[string]bool
	same    int      // files made anew that are those of the archive
	others  []string // files that are not
}

func (c *checker) fault(format string, args ...any) {
	c.Faults = append(c.Faults, fmt.Sprintf(format, args...))
}

func (c *checker) found(format string, args ...any) {
	c.Findings = append(c.Findings, fmt.Sprintf(format, args...))
}

// about is a fault of a file, which is told of no other one.
func (c *checker) about(name, format string, args ...any) {
	if !c.told[name] {
		c.told[name] = true
		c.fault("%s "+format, append([]any{quoted(name)}, args...)...)
	}
}

// own reports whether the pack was made by this very version. Versions of changed
// or unnamed sources are not known to be the same.
func (c *checker) own() bool {
	return c.Manifest.Program == c.version && !strings.ContainsAny(c.version, "+(") && c.version != "" && c.version != "unknown"
}

// hashes holds every file against the manifest.
func (c *checker) hashes() {
	listed := map[string]bool{manifestName: true, sumsName: true}
	for _, e := range c.Manifest.Files {
		if listed[e.Name] {
			c.about(e.Name, "is in the manifest more than once")
			continue
		}
		listed[e.Name] = true
		c.Listed++
		is, has := c.archive.hashes[e.Name]
		switch {
		case !has:
			c.about(e.Name, "is in the manifest and not in the pack")
		case is != e:
			c.about(e.Name, "is not as it was packed")
		default:
			c.Files++
		}
	}
	for _, name := range sortedNames(c.archive.hashes) {
		if !listed[name] {
			c.about(name, "is in the pack and not in the manifest")
		}
	}
	want := sums(append(slices.Clone(c.Manifest.Files), Entry{Name: manifestName, SHA256: c.Digest}))
	if c.archive.hashes[sumsName].SHA256 != sum(want) {
		c.fault("%s does not say what the manifest says", sumsName)
	}
}

// whole checks the chain of a pack's series file, and makes the pack anew from it.
func (c *checker) whole() {
	if _, has := c.archive.hashes[seriesName]; !has {
		c.about(seriesName, "is missing")
		return
	}
	in, err := c.archive.members[seriesName].Open()
	if err != nil {
		c.about(seriesName, "cannot be read: %s", reason(err))
		return
	}
	defer in.Close()
	f, err := series.Parse(seriesGuard(in))
	if err != nil {
		c.fault("%s: %s", seriesName, quoted(err.Error()))
		return
	}
	for _, x := range f.Faults {
		c.fault("%s: %s", seriesName, quoted(x.Message))
	}
	if f.Receipt() != c.Manifest.Receipt {
		c.fault("the receipt of %s is %s, the manifest has %s", seriesName, f.Receipt(), quoted(c.Manifest.Receipt))
	}
	if len(f.Faults) > 0 {
		c.found("nothing was made anew to compare it, as the series file is not as it was written")
		return
	}
	c.found("the series file holds %d records and its chain is unbroken; receipt %s", len(f.Records), f.Receipt())
	s := series.Summarise(f.Records, c.Manifest.Today)
	c.found("its records say: %s", quoted(s.Words))
	c.remade[seriesName] = true
	is := c.archive.hashes[seriesName]
	c.packer.made = append(c.packer.made, is)
	if err := c.packer.pack(f, s); err != nil {
		c.fault("nothing can be made anew from %s to compare it: %s", seriesName, quoted(err.Error()))
		return
	}
	if err := c.packer.finish(f); err != nil {
		c.fault("the manifest cannot be made anew: %s", quoted(err.Error()))
		return
	}
	if !c.own() && slices.Contains(c.others, tableName) {
		var rows []series.TableRow
		for _, r := range s.Table() {
			if r.Status == series.StatusMeasured {
				rows = append(rows, r)
			}
		}
		c.table(rows)
	}
	c.conclude("the series file")
}

// seriesFiles are the files that cannot be made anew without the series file.
var seriesFiles = regexp.MustCompile(`^(?:series/(?:report(?:-\d+-[A-Za-z0-9_-]+)?\.(?:html|pdf)|chain\.txt|cases\.csv)|` + coverName + `\.(?:html|pdf))$`)

// blinded checks a pack without its series file: reports of cases and table
// against the measurements.
func (c *checker) blinded() {
	c.found("the dates are relative, so the series file is not here and its chain cannot be checked again")
	var rows []series.TableRow
	for _, name := range sortedNames(c.archive.hashes) {
		if !isMeasurement(name) {
			continue
		}
		m, err := c.archive.measurement(name)
		if err != nil {
			c.about(name, "is no measurement: %s", quoted(err.Error()))
			continue
		}
		number := 0
		if _, err := fmt.Sscanf(name, "cases/%d-", &number); err != nil || caseName(number-1, m)+".json" != name {
			c.about(name, "is not named for its case")
			continue
		}
		if len(rows)+len(m.Fixtures) > mostFixtures {
			c.fault("the measurements have more than %d fixtures, more than any pack", mostFixtures)
			return
		}
		for _, r := range series.RowsOf(m) {
			rows = append(rows, series.TableRow{Row: r, Status: series.StatusMeasured})
		}
		if err := c.packer.measured(number-1, m); err != nil {
			c.about(name, "cannot be made anew: %s", quoted(err.Error()))
		}
		if _, has := c.archive.hashes[strings.TrimSuffix(name, ".json")+".pdf"]; !has {
			continue
		}
		if err := c.packer.paper(number-1, m); err != nil {
			c.about(name, "cannot be made anew: %s", quoted(err.Error()))
		}
	}
	c.packer.columns()
	c.packer.add(readmeName, []byte(readme(c.packer.options)))
	for _, name := range sortedNames(c.archive.hashes) {
		if seriesFiles.MatchString(name) {
			c.remade[name] = true
		}
	}
	c.table(rows)
	c.conclude("the measurements")
	c.found("the reports of the series, the first page, %s, and in the table the cases without figures were not made anew, as that takes the series file", chainName)
}

// pictured takes a file of pictures as the archive has it: to make it anew takes the
// scans.
func (c *checker) pictured(name string) bool {
	is, has := c.archive.hashes[name]
	if !has || !slices.Contains(c.Manifest.Pictured, name) {
		return false
	}
	c.remade[name] = true
	c.packer.made = append(c.packer.made, is)
	return true
}

// compare holds a file made anew against that of the archive.
func (c *checker) compare(f File) {
	c.remade[f.Name] = true
	is, there := c.archive.hashes[f.Name]
	want := c.packer.made[len(c.packer.made)-1]
	switch {
	case !there:
		c.about(f.Name, "is not in the pack and belongs there")
	case is == want:
		if f.Name != manifestName && f.Name != sumsName {
			c.same++
		}
	case c.told[f.Name]:
	case isMeasurement(f.Name):
		c.measurement(f)
	case f.Name == manifestName || f.Name == sumsName:
		// They differ with any file, and SHA256SUMS is checked by itself.
		if f.Name == manifestName && len(c.others) == 0 && c.Sound() {
			c.others = append(c.others, f.Name)
		}
	default:
		c.others = append(c.others, f.Name)
	}
}

// measurement tells in what a packed measurement differs from the one made anew.
func (c *checker) measurement(f File) {
	packed, err := c.archive.measurement(f.Name)
	if err != nil {
		c.about(f.Name, "is no measurement: %s", quoted(err.Error()))
		return
	}
	text, err := c.packer.measurement(packed)
	if err == nil && bytes.Equal(text, f.Data) {
		// They differ in what this program does not know, or in layout.
		c.others = append(c.others, f.Name)
		return
	}
	where := "it cannot be read again"
	if err == nil {
		where = difference(text, f.Data)
	}
	c.about(f.Name, "is not the measurement in the series file: %s", where)
}

// mostNames bounds how many files a finding names.
const mostNames = 6

// conclude says what came of making files anew from what is named.
func (c *checker) conclude(from string) {
	for _, name := range sortedNames(c.archive.hashes) {
		switch {
		case c.remade[name] || c.told[name]:
		case isMeasurement(name):
			c.about(name, "is no measurement of the series file")
		case c.own():
			c.about(name, "is no file of a pack")
		default:
			c.others = append(c.others, name)
		}
	}
	c.found("%d files, made anew from %s, are the same byte for byte", c.same, from)
	if names := c.packer.pictured; len(names) > 0 {
		var list []string
		for _, name := range names {
			list = append(list, quoted(name))
		}
		c.found("held against their hashes alone, as pictures from the scans cannot be made anew without those: %s. The figures that count stand in the reports, which were", strings.Join(list, ", "))
	}
	if len(c.others) == 0 {
		return
	}
	if c.own() {
		for _, name := range c.others {
			c.about(name, "is not what the program makes from %s: it was changed", from)
		}
		return
	}
	c.Open = true
	var named []string
	for _, name := range c.others[:min(mostNames, len(c.others))] {
		named = append(named, quoted(name))
	}
	more := ""
	if n := len(c.others) - len(named); n > 0 {
		more = fmt.Sprintf(" and %d more", n)
	}
	c.found("not compared: %s%s. They are not byte for byte what this program makes from %s, and that cannot be told from a change here, as version %s of the program made them and this is version %s. Check the pack with that version, or trust only reports that you make from its series file or measurements yourself",
		strings.Join(named, ", "), more, from, quoted(c.Manifest.Program), quoted(c.version))
}

func sortedNames[T any](files map[string]T) []string { return slices.Sorted(maps.Keys(files)) }
