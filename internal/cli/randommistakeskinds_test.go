package cli

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
)

// randomMistake is a kind of mistake with what is random about it.
type randomMistake struct {
	name   string
	make   func(*trial) error
	given  bool     // needs a given alignment
	names  []string // codes of notices that name the matter
	unseen float64  // up to which, mm, nothing shows it
}

// alignmentNotices say that, or how far, a given alignment could not be checked.
var alignmentNotices = []string{"alignment-differs", "alignment-barely-checked", "alignment-not-checked", "alignment-taken-as-exact"}

// toothNotices say that a site may be another tooth's, or that its number is not checked.
var toothNotices = []string{"plan-at-other-tooth", "side-not-checked"}

// structureNotices say that the planning scan does not show a structure.
var structureNotices = []string{"structure-outside-scan", "structure-not-seen"}

// A plan is what the scans are held against, so that none of them shows that another
// one was meant; a centre line may be off by a millimetre (package whereabouts).
var randomMistakes = []randomMistake{
	{name: "exchanged: the two scans", make: (*trial).exchangeScans},
	{name: "exchanged: entry and apex", make: (*trial).exchangeEnds},
	{name: "exchanged: sites of two fixtures", make: (*trial).exchangeSites, names: toothNotices},
	{name: "exchanged: two structures' bodies", make: (*trial).exchangeStructures, names: structureNotices},
	{name: "exchanged: two cases' plans", make: (*trial).exchangePlans},
	{name: "exchanged: two cases' scans", make: (*trial).exchangeCases},
	{name: "exchanged: two axes of the plan", make: (*trial).exchangeAxes},
	{name: "exchanged: diameter and length", make: (*trial).exchangeSizes},
	{name: "scaled: the plan", make: (*trial).scalePlan},
	{name: "scaled: a structure", make: (*trial).scaleStructure, names: structureNotices, unseen: 1},
	{name: "scaled: the matrix' translation", make: (*trial).scaleMatrix, given: true, names: alignmentNotices},
	{name: "scaled: diameter or length", make: (*trial).scaleSize},
	{name: "mirrored: the plan", make: (*trial).mirrorPlan},
	{name: "mirrored: one scan", make: (*trial).mirrorScan, names: alignmentNotices},
	{name: "mirrored: both scans", make: (*trial).mirrorScans, names: append(alignmentNotices, "mirror-unclear")},
	{name: "mirrored: a structure", make: (*trial).mirrorStructure, names: structureNotices, unseen: 1},
	{name: "shifted: the matrix", make: (*trial).shiftMatrix, given: true, names: alignmentNotices},
	{name: "shifted: the matrix turned", make: (*trial).turnMatrix, given: true, names: alignmentNotices},
	{name: "shifted: the matrix inverted or transposed", make: (*trial).invertMatrix, given: true, names: alignmentNotices},
	{name: "shifted: the plan by a tooth", make: (*trial).shiftTooth, names: toothNotices},
	{name: "shifted: the plan by 0.6 to 5 mm", make: (*trial).shiftPlan, unseen: 5.5},
	{name: "shifted: a structure by 5 to 500 mm", make: (*trial).shiftStructure, names: structureNotices, unseen: 1},
	{name: "renamed: slices", make: (*trial).renameSlices},
	{name: "renamed: a surface", make: (*trial).renameSurface},
	{name: "renamed: a site", make: (*trial).renameSite, names: toothNotices},
	{name: "renamed: the numbering or the frame", make: (*trial).renameFrame},
	{name: "dropped: a fixture", make: (*trial).dropFixture},
	{name: "dropped: slices", make: (*trial).dropSlices},
	{name: "dropped: a structure", make: (*trial).dropStructure},
	{name: "dropped: a line of the case file", make: (*trial).dropLine},
	{name: "doubled: a fixture", make: (*trial).doubleFixture},
	{name: "doubled: a slice", make: (*trial).doubleSlice},
	{name: "doubled: a structure", make: (*trial).doubleStructure},
	{name: "doubled: a line of the case file", make: (*trial).doubleLine},
	{name: "doubled: a scan within the other's folder", make: (*trial).doubleScan},
	{name: "outputs aimed at inputs by name", make: (*trial).aimByName},
	{name: "outputs aimed at inputs by another spelling", make: (*trial).aimBySpelling},
	{name: "outputs aimed at inputs by a link", make: (*trial).aimByLink},
}

// blocks are the parts of a case file: its head, each fixture, each structure, and
// the alignment.
func (tr *trial) blocks(name string) ([]string, error) {
	text, err := os.ReadFile(filepath.Join(name, "case.toml"))
	return strings.Split(strings.TrimSuffix(string(text), "\n"), "\n\n"), err
}

// rewrite changes the blocks of the case file.
func (tr *trial) rewrite(change func(blocks []string) []string) error {
	blocks, err := tr.blocks(tr.name)
	if err != nil {
		return err
	}
	old := strings.Join(blocks, "\n\n")
	text := strings.Join(change(blocks), "\n\n")
	if text == old {
		return fmt.Errorf("the mistake changes nothing in\n%s", text)
	}
	return os.WriteFile(filepath.Join(tr.name, "case.toml"), []byte(text+"\n"), 0o600)
}

// headed are the places of blocks that begin so.
func headed(blocks []string, head string) (at []int) {
	for i, b := range blocks {
		if strings.HasPrefix(b, head) {
			at = append(at, i)
		}
	}
	return at
}

var (
	point   = regexp.MustCompile(`\[(-?[\d.]+), (-?[\d.]+), (-?[\d.]+)\]`)
	ends    = regexp.MustCompile(`(?m)^(entry|apex) .*$`)
	path    = regexp.MustCompile(`(?m)^path .*$`)
	surface = regexp.MustCompile(`(?m)^surface = "(.*)"$`)
	site    = regexp.MustCompile(`(?m)^site .*$`)
	called  = regexp.MustCompile(`(?m)^name .*\nkind .*$`)
	sizes   = regexp.MustCompile(`(?m)^(diameter|length) *= ([\d.]+)$`)
	matrix  = regexp.MustCompile(`matrix = \[(.*)\]`)
)

// movePoints gives each point of the lines that match its new place.
func movePoints(block string, lines *regexp.Regexp, to func(geom.Vec) geom.Vec) string {
	return lines.ReplaceAllStringFunc(block, func(line string) string {
		return point.ReplaceAllStringFunc(line, func(p string) string {
			var v geom.Vec
			fmt.Sscanf(p, "[%f, %f, %f]", &v.X, &v.Y, &v.Z)
			v = to(v)
			return fmt.Sprintf("[%.5f, %.5f, %.5f]", v.X, v.Y, v.Z)
		})
	})
}

// movePlan gives the planned ends of all fixtures their new place.
func (tr *trial) movePlan(to func(geom.Vec) geom.Vec) error {
	return tr.rewrite(func(blocks []string) []string {
		for _, i := range headed(blocks, "[[fixture]]") {
			blocks[i] = movePoints(blocks[i], ends, to)
		}
		return blocks
	})
}

// moveStructure gives a structure, one of a surface or one of a centre line, its
// new place.
func (tr *trial) moveStructure(how string, to func(geom.Vec) geom.Vec) error {
	blocks, err := tr.blocks(tr.name)
	if err != nil {
		return err
	}
	i := pick(tr, headed(blocks, "[[structure]]")...)
	tr.say("%s: %s", strings.Split(blocks[i], "\n")[1], how)
	if file := surface.FindStringSubmatch(blocks[i]); file != nil {
		reshapeFile(tr.t, filepath.Join(tr.name, file[1]), to, nil)
		return nil
	}
	return tr.rewrite(func(blocks []string) []string {
		blocks[i] = movePoints(blocks[i], path, to)
		return blocks
	})
}

// units are the factors of coordinates in another unit than mm: m, inch, cm, and
// their inverses.
var units = []float64{0.001, 1 / 25.4, 0.1, 10, 25.4, 1000}

func (tr *trial) scaling() (factor float64, to func(geom.Vec) geom.Vec) {
	factor = pick(tr, units...)
	return factor, times(factor, factor, factor)
}

// mirroring changes the sign of one axis, or of two: LPS and RAS exchanged.
func (tr *trial) mirroring() (axis string, to func(geom.Vec) geom.Vec) {
	axis = pick(tr, "x", "y", "z", "xy")
	sign := func(of string) float64 {
		if strings.Contains(axis, of) {
			return -1
		}
		return 1
	}
	return axis, times(sign("x"), sign("y"), sign("z"))
}

// direction is a random unit vector.
func (tr *trial) direction() geom.Vec {
	return r3.Unit(geom.Vec{X: tr.r.NormFloat64(), Y: tr.r.NormFloat64(), Z: tr.r.NormFloat64()})
}

func (tr *trial) exchangeScans() error {
	tr.say("pre and post exchanged")
	return tr.swap(filepath.Join(tr.name, "pre"), filepath.Join(tr.name, "post"))
}

// swap exchanges two files or folders.
func (tr *trial) swap(a, b string) error {
	for _, step := range [][2]string{{a, "aside"}, {b, a}, {"aside", b}} {
		if err := os.Rename(step[0], step[1]); err != nil {
			return err
		}
	}
	return nil
}

func (tr *trial) exchangeEnds() error {
	return tr.rewrite(func(blocks []string) []string {
		at := headed(blocks, "[[fixture]]")
		if tr.chance(0.5) {
			at = at[:1]
		}
		tr.say("entry and apex of %d fixtures", len(at))
		for _, i := range at {
			blocks[i] = strings.NewReplacer("entry ", "apex ", "apex ", "entry ").Replace(blocks[i])
		}
		return blocks
	})
}

// exchangeLines exchanges what a pattern matches in two blocks.
func exchangeLines(blocks []string, i, j int, lines *regexp.Regexp) {
	a, b := lines.FindString(blocks[i]), lines.FindString(blocks[j])
	blocks[i], blocks[j] = strings.Replace(blocks[i], a, b, 1), strings.Replace(blocks[j], b, a, 1)
}

func (tr *trial) exchangeSites() error {
	tr.say("the sites of the two fixtures")
	return tr.rewrite(func(blocks []string) []string {
		at := headed(blocks, "[[fixture]]")
		exchangeLines(blocks, at[0], at[1], site)
		return blocks
	})
}

func (tr *trial) exchangeStructures() error {
	return tr.rewrite(func(blocks []string) []string {
		at := headed(blocks, "[[structure]]")
		tr.r.Shuffle(len(at), func(i, j int) { at[i], at[j] = at[j], at[i] })
		tr.say("%s and %s", strings.Split(blocks[at[0]], "\n")[1], strings.Split(blocks[at[1]], "\n")[1])
		exchangeLines(blocks, at[0], at[1], called)
		return blocks
	})
}

func (tr *trial) exchangePlans() error {
	tr.say("the plan of %s", tr.other)
	return tr.swap(filepath.Join(tr.name, "case.toml"), filepath.Join(tr.other, "case.toml"))
}

func (tr *trial) exchangeCases() error {
	which := pick(tr, "pre", "post")
	tr.say("%s of %s", which, tr.other)
	return tr.swap(filepath.Join(tr.name, which), filepath.Join(tr.other, which))
}

func (tr *trial) exchangeAxes() error {
	axes := pick(tr, "xy", "yz", "xz")
	tr.say("axes %s", axes)
	return tr.movePlan(func(v geom.Vec) geom.Vec {
		switch axes {
		case "xy":
			return geom.Vec{X: v.Y, Y: v.X, Z: v.Z}
		case "yz":
			return geom.Vec{X: v.X, Y: v.Z, Z: v.Y}
		}
		return geom.Vec{X: v.Z, Y: v.Y, Z: v.X}
	})
}

func (tr *trial) exchangeSizes() error {
	return tr.rewrite(func(blocks []string) []string {
		i := pick(tr, headed(blocks, "[[fixture]]")...)
		tr.say("%s", site.FindString(blocks[i]))
		blocks[i] = strings.NewReplacer("diameter ", "length ", "length ", "diameter ").Replace(blocks[i])
		return blocks
	})
}

func (tr *trial) scalePlan() error {
	factor, to := tr.scaling()
	tr.say("times %.4g", factor)
	return tr.movePlan(to)
}

func (tr *trial) scaleStructure() error {
	factor, to := tr.scaling()
	return tr.moveStructure(fmt.Sprintf("times %.4g", factor), to)
}

// rewriteMatrix changes the given alignment, 16 numbers row major.
func (tr *trial) rewriteMatrix(change func(m []float64)) error {
	return tr.rewrite(func(blocks []string) []string {
		i := headed(blocks, "[alignment]")[0]
		blocks[i] = matrix.ReplaceAllStringFunc(blocks[i], func(line string) string {
			var m []float64
			for _, text := range strings.Split(matrix.FindStringSubmatch(line)[1], ", ") {
				x, _ := strconv.ParseFloat(text, 64)
				m = append(m, x)
			}
			change(m)
			words := make([]string, len(m))
			for k, x := range m {
				words[k] = strconv.FormatFloat(x, 'f', 9, 64)
			}
			return "matrix = [" + strings.Join(words, ", ") + "]"
		})
		return blocks
	})
}

func (tr *trial) scaleMatrix() error {
	factor := pick(tr, units...)
	tr.say("times %.4g", factor)
	return tr.rewriteMatrix(func(m []float64) {
		for _, k := range []int{3, 7, 11} {
			m[k] *= factor
		}
	})
}

func (tr *trial) scaleSize() error {
	return tr.rewrite(func(blocks []string) []string {
		i, which, factor := pick(tr, headed(blocks, "[[fixture]]")...), pick(tr, "diameter", "length"), pick(tr, 0.1, 0.5, 2, 10)
		tr.say("%s times %g", which, factor)
		blocks[i] = sizes.ReplaceAllStringFunc(blocks[i], func(line string) string {
			m := sizes.FindStringSubmatch(line)
			if m[1] != which {
				return line
			}
			x, _ := strconv.ParseFloat(m[2], 64)
			return fmt.Sprintf("%s = %g", which, factor*x)
		})
		return blocks
	})
}

func (tr *trial) mirrorPlan() error {
	axis, to := tr.mirroring()
	tr.say("the sign of %s", axis)
	return tr.movePlan(to)
}

// flip rewrites a scan with its columns, rows or slices in the reverse order.
func (tr *trial) flip(which string, axis int) error {
	dir := filepath.Join(tr.name, which)
	s, err := scan.Open(dir, scan.Options{})
	if err != nil {
		return err
	}
	v := s.Volume
	v.Stored = slices.Clone(v.Stored)
	size := v.Size
	for k := range size[2] {
		for j := range size[1] {
			for i := range size[0] {
				from := [3]int{i, j, k}
				from[axis] = size[axis] - 1 - from[axis]
				v.Stored[(k*size[1]+j)*size[0]+i] = s.Stored[(from[2]*size[1]+from[1])*size[0]+from[0]]
			}
		}
	}
	if err := os.RemoveAll(dir); err != nil {
		return err
	}
	return encode.Volume(dir, &v, encode.Options{StudyDate: s.StudyDate})
}

var axisNames = []string{"columns", "rows", "slices"}

func (tr *trial) mirrorScan() error {
	axis, which := tr.r.IntN(3), pick(tr, "pre", "post")
	tr.say("the %s of %s in the reverse order", axisNames[axis], which)
	return tr.flip(which, axis)
}

func (tr *trial) mirrorScans() error {
	axis := tr.r.IntN(3)
	tr.say("the %s of both in the reverse order", axisNames[axis])
	if err := tr.flip("pre", axis); err != nil {
		return err
	}
	return tr.flip("post", axis)
}

func (tr *trial) mirrorStructure() error {
	axis, to := tr.mirroring()
	return tr.moveStructure("the sign of "+axis, to)
}

func (tr *trial) shiftMatrix() error {
	by := r3.Scale(math.Abs(tr.between(0.5, 5)), tr.direction())
	tr.say("by %.2f mm", r3.Norm(by))
	return tr.rewriteMatrix(func(m []float64) {
		m[3], m[7], m[11] = m[3]+by.X, m[7]+by.Y, m[11]+by.Z
	})
}

// turnMatrix turns about the first fixture's planned entry.
func (tr *trial) turnMatrix() error {
	blocks, err := tr.blocks(tr.name)
	if err != nil {
		return err
	}
	var about geom.Vec
	fmt.Sscanf(point.FindString(ends.FindString(blocks[headed(blocks, "[[fixture]]")[0]])), "[%f, %f, %f]", &about.X, &about.Y, &about.Z)
	degrees := tr.between(2, 15)
	tr.say("by %.1f°", degrees)
	turn := r3.NewRotation(degrees*math.Pi/180, tr.direction())
	return tr.rewriteMatrix(func(m []float64) {
		for c := range 4 {
			v := geom.Vec{X: m[c], Y: m[4+c], Z: m[8+c]}
			if c == 3 {
				v = r3.Add(about, turn.Rotate(r3.Sub(v, about)))
			} else {
				v = turn.Rotate(v)
			}
			m[c], m[4+c], m[8+c] = v.X, v.Y, v.Z
		}
	})
}

func (tr *trial) invertMatrix() error {
	inverted := tr.chance(0.5)
	tr.say("%s", map[bool]string{true: "inverted", false: "transposed"}[inverted])
	return tr.rewriteMatrix(func(m []float64) {
		shift := [3]float64{m[3], m[7], m[11]}
		for i := range 4 {
			for j := range i {
				m[4*i+j], m[4*j+i] = m[4*j+i], m[4*i+j]
			}
		}
		if inverted { // of a rotation: transposed, the translation turned back
			for i := range 3 {
				m[12+i] = 0
				m[4*i+3] = -(m[4*i]*shift[0] + m[4*i+1]*shift[1] + m[4*i+2]*shift[2])
			}
		}
	})
}

var mesial = regexp.MustCompile(`mesial .*`)

func (tr *trial) shiftTooth() error {
	sign, wide := pick(tr, -1.0, 1.0), 6.5+2*tr.r.Float64()
	tr.say("by %.1f mm to mesial", sign*wide)
	return tr.rewrite(func(blocks []string) []string {
		for _, i := range headed(blocks, "[[fixture]]") {
			var m geom.Vec
			fmt.Sscanf(point.FindString(mesial.FindString(blocks[i])), "[%f, %f, %f]", &m.X, &m.Y, &m.Z)
			blocks[i] = movePoints(blocks[i], ends, func(v geom.Vec) geom.Vec { return r3.Add(v, r3.Scale(sign*wide, m)) })
		}
		return blocks
	})
}

func (tr *trial) shiftPlan() error {
	by := r3.Scale(math.Abs(tr.between(0.6, 5)), tr.direction())
	tr.say("by %.2f mm", r3.Norm(by))
	return tr.movePlan(func(v geom.Vec) geom.Vec { return r3.Add(v, by) })
}

func (tr *trial) shiftStructure() error {
	by := r3.Scale(math.Abs(tr.between(5, 500)), tr.direction())
	return tr.moveStructure(fmt.Sprintf("by %.1f mm", r3.Norm(by)), func(v geom.Vec) geom.Vec { return r3.Add(v, by) })
}

// slicesOf are the files of a scan.
func (tr *trial) slicesOf(which string) ([]string, error) {
	return filepath.Glob(filepath.Join(tr.name, which, "*"))
}

func (tr *trial) renameSlices() error {
	which, ending, share := pick(tr, "pre", "post"), pick(tr, "", ".img", ".txt", ".DCM", ".dcm.bak", ".zip", ".toml"), pick(tr, 0.05, 0.5, 1.0)
	files, err := tr.slicesOf(which)
	tr.say("%.0f %% of %s to *%s", 100*share, which, ending)
	for i, file := range files {
		if i > 0 && !tr.chance(share) {
			continue
		}
		err = os.Rename(file, strings.TrimSuffix(file, ".dcm")+ending)
	}
	return err
}

func (tr *trial) renameSurface() error {
	return tr.rewrite(func(blocks []string) []string {
		i := pick(tr, headed(blocks, "[[structure]]")...)
		ending := pick(tr, ".STL", ".ply", ".obj", "", ".dcm")
		if file := surface.FindStringSubmatch(blocks[i]); file != nil {
			named := strings.TrimSuffix(file[1], ".stl") + ending
			tr.say("*%s", ending)
			_ = os.Rename(filepath.Join(tr.name, file[1]), filepath.Join(tr.name, named))
			blocks[i] = strings.Replace(blocks[i], file[1], named, 1)
			return blocks
		}
		tr.say("a file that is no surface beside a centre line")
		blocks[i] = path.ReplaceAllString(blocks[i], `surface = "truth.json"`)
		return blocks
	})
}

func (tr *trial) renameSite() error {
	return tr.rewrite(func(blocks []string) []string {
		i := pick(tr, headed(blocks, "[[fixture]]")...)
		old := site.FindString(blocks[i])
		for site.FindString(blocks[i]) == old {
			to := fmt.Sprint(10*(1+tr.r.IntN(4)) + 1 + tr.r.IntN(8))
			blocks[i] = site.ReplaceAllString(blocks[i], fmt.Sprintf("site     = %q", to))
		}
		tr.say("%s is now %s", old, site.FindString(blocks[i]))
		return blocks
	})
}

func (tr *trial) renameFrame() error {
	return tr.rewrite(func(blocks []string) []string {
		change := pick(tr, [2]string{`"lps"`, `"ras"`}, [2]string{`"lps"`, `"corner"`}, [2]string{`"iso3950"`, `"universal"`})
		tr.say("%s in place of %s", change[1], change[0])
		blocks[0] = strings.Replace(blocks[0], change[0], change[1], 1)
		return blocks
	})
}

// drop leaves a block of a kind out.
func (tr *trial) drop(head string) error {
	return tr.rewrite(func(blocks []string) []string {
		i := pick(tr, headed(blocks, head)...)
		tr.say("%s", strings.Split(blocks[i], "\n")[1])
		return slices.Delete(blocks, i, i+1)
	})
}

func (tr *trial) dropFixture() error   { return tr.drop("[[fixture]]") }
func (tr *trial) dropStructure() error { return tr.drop("[[structure]]") }

func (tr *trial) dropSlices() error {
	which := pick(tr, "pre", "post")
	files, err := tr.slicesOf(which)
	if err != nil {
		return err
	}
	n, at := 1+tr.r.IntN(len(files)), tr.r.IntN(len(files))
	if tr.chance(0.7) {
		n = 1
	}
	if tr.chance(0.3) {
		at = pick(tr, 0, len(files)-n)
	}
	n = min(n, len(files)-at)
	tr.say("%d from %d on of the %d of %s", n, at+1, len(files), which)
	for _, file := range files[at : at+n] {
		err = os.Remove(file)
	}
	return err
}

// lines changes the lines of the case file at one that says something.
func (tr *trial) lines(change func(lines []string, i int) []string) error {
	return tr.rewrite(func(blocks []string) []string {
		lines := strings.Split(strings.Join(blocks, "\n\n"), "\n")
		i := tr.r.IntN(len(lines))
		for lines[i] == "" || strings.HasPrefix(lines[i], "#") {
			i = tr.r.IntN(len(lines))
		}
		tr.say("line %d: %.40s", i+1, lines[i])
		return []string{strings.Join(change(lines, i), "\n")}
	})
}

func (tr *trial) dropLine() error {
	return tr.lines(func(lines []string, i int) []string { return slices.Delete(lines, i, i+1) })
}

func (tr *trial) doubleLine() error {
	return tr.lines(func(lines []string, i int) []string { return slices.Insert(lines, i, lines[i]) })
}

func (tr *trial) doubleFixture() error {
	return tr.rewrite(func(blocks []string) []string {
		i := pick(tr, headed(blocks, "[[fixture]]")...)
		again := blocks[i]
		if tr.chance(0.7) {
			to := blocks[i][strings.Index(blocks[i], `"`)+1:][:1] + fmt.Sprint(1+tr.r.IntN(8))
			again = site.ReplaceAllString(again, fmt.Sprintf("site     = %q", to))
		}
		tr.say("%s as %s", site.FindString(blocks[i]), site.FindString(again))
		return slices.Insert(blocks, i+1, again)
	})
}

func (tr *trial) doubleStructure() error {
	return tr.rewrite(func(blocks []string) []string {
		i := pick(tr, headed(blocks, "[[structure]]")...)
		again := blocks[i]
		if tr.chance(0.5) {
			again = strings.Replace(again, `= "`, `= "second `, 1)
		}
		tr.say("%s", strings.Split(again, "\n")[1])
		return slices.Insert(blocks, i+1, again)
	})
}

func (tr *trial) doubleSlice() error {
	which := pick(tr, "pre", "post")
	files, err := tr.slicesOf(which)
	if err != nil {
		return err
	}
	from := pick(tr, files...)
	data, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	voxels := tr.chance(0.5)
	if voxels {
		data[len(data)-tr.r.IntN(100)-1] ^= 4
	}
	tr.say("%s, another voxel in it: %t", from, voxels)
	return os.WriteFile(strings.TrimSuffix(from, ".dcm")+" copy.dcm", data, 0o600)
}

func (tr *trial) doubleScan() error {
	which := pick(tr, [2]string{"pre", "post"}, [2]string{"post", "pre"})
	tr.say("%s in %s too", which[0], which[1])
	into := filepath.Join(tr.name, which[1])
	if tr.chance(0.5) {
		into = filepath.Join(into, "more")
	}
	files, err := tr.slicesOf(which[0])
	if err != nil {
		return err
	}
	if err := os.MkdirAll(into, 0o700); err != nil {
		return err
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(into, "x"+filepath.Base(file)), data, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// aim types a command line with an output that is aimed at an input; named gives
// the input another name that ends so.
func (tr *trial) aim(named func(input, ending string) (string, error)) error {
	outputs := []struct {
		ending string
		lifts  bool // has --overwrite
		line   []string
	}{
		{"", true, []string{"measure", tr.name, "--json"}},
		{".html", true, []string{"measure", tr.name, "--report"}},
		{".pdf", true, []string{"measure", tr.name, "--report"}},
		{".dcm", true, []string{"measure", tr.name, "--report"}},
		{"", false, []string{"measure", tr.name, "--series"}},
		{"", true, []string{"align", tr.name, "--picture"}},
		{".html", true, []string{"report", "m.json"}},
		{".pdf", true, []string{"report", "--clinician", "clinician-a", "s.jsonl"}},
		{"", true, []string{"series", "export", "s.jsonl", "--csv"}},
		{"", true, []string{"pack", "s.jsonl"}},
		{"", false, []string{"seal", tr.name, "--series"}},
		{"", false, []string{"series", "import", "past.csv"}},
		{"", false, []string{"case", "plan.csv", "--into"}},
		{"", false, []string{"phantom", "--voxel", "1", "--field", "24"}},
	}
	o := pick(tr, outputs...)
	sealed := []string{filepath.Join(tr.name, "case.toml"), filepath.Join(tr.name, "pre", "IM0007.dcm"), filepath.Join(tr.name, "post", "IM0003.dcm"),
		filepath.Join(tr.other, "case.toml"), filepath.Join(tr.other, "pre", "IM0002.dcm"), "s.jsonl", filepath.Join(tr.name, "pre"), tr.name}
	input := pick(tr, append(sealed, filepath.Join(tr.name, "truth.json"), filepath.Join("upper", sinusFile), "past.csv")...)
	target, err := named(input, o.ending)
	if err != nil {
		return err
	}
	tr.line = append(slices.Clone(o.line), target)
	if o.lifts && slices.Contains(sealed, input) && tr.chance(0.3) { // not even that may replace them
		tr.line = append(tr.line, "--overwrite")
	}
	tr.say("%s (%s)", quoted(tr.line), input)
	return nil
}

func (tr *trial) aimByName() error {
	return tr.aim(func(input, _ string) (string, error) { return input, nil })
}

func (tr *trial) aimBySpelling() error {
	return tr.aim(func(input, _ string) (string, error) {
		here, err := os.Getwd()
		return pick(tr, "./"+input, "lower/../"+input, filepath.Join(here, input), "upper//..//"+input, ".//"+input), err
	})
}

func (tr *trial) aimByLink() error {
	return tr.aim(func(input, ending string) (string, error) {
		name := "link" + ending
		info, err := os.Stat(input)
		if err != nil {
			return "", err
		}
		switch {
		case !info.IsDir() && tr.chance(0.4):
			return name, os.Link(input, name)
		case tr.chance(0.3):
			return filepath.Join("folder", filepath.Base(input)), os.Symlink(filepath.Dir(input), "folder")
		}
		return name, os.Symlink(input, name)
	})
}
