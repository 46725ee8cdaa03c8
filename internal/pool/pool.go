// Package pool puts the tables of many clinicians together: counts, means and variances a
// stratum, which are all that the pooled figures need, so that practices can share them
// without a row leaving.
//
// Conventions: a stratum is a figure at one clinician, guidance and region; only measured
// rows that are not in doubt count. A figure is pooled over clinicians by random effects of
// their means: fixtures of one case count singly, so that where cases have several the
// clinicians' standard errors are too small. Start with Aggregates.
//
// Method: means and sums of squares are updated and joined as in Chan TF, Golub GH, LeVeque
// RJ, Am Stat 1983;37:242, so that joined aggregates are those of the joined rows.
package pool

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/parquetfile"
	"plumbline/internal/printable"
	"plumbline/internal/series"
	"plumbline/internal/stats/metaanalysis"
)

// Stratum is what figures are counted by.
type Stratum struct {
	Figure           measurement.Figure
	Clinician        string
	Guidance, Region string
}

// Sum is what is kept of the figures of a stratum.
type Sum struct {
	N    int
	Mean float64
	M2   float64 // sum of the squared differences from Mean
}

func (s *Sum) add(x float64) {
	s.N++
	d := x - s.Mean
	s.Mean += d / float64(s.N)
	s.M2 += d * (x - s.Mean)
}

// Join puts two strata's figures together.
func (s Sum) Join(o Sum) Sum {
	if s.N == 0 || o.N == 0 {
		if s.N == 0 {
			return o
		}
		return s
	}
	n, a, b := float64(s.N+o.N), float64(s.N), float64(o.N)
	d := o.Mean - s.Mean
	return Sum{N: s.N + o.N, Mean: s.Mean + d*b/n, M2: s.M2 + o.M2 + d*d*a*b/n}
}

// Variance is the sample variance; ok is false for fewer than two figures.
func (s Sum) Variance() (v float64, ok bool) {
	if s.N < 2 {
		return 0, false
	}
	return s.M2 / float64(s.N-1), true
}

// Aggregates are the sums of all strata.
type Aggregates struct {
	Strata   map[Stratum]Sum
	Rows     int // measured and not in doubt
	Doubtful int // rows that are in doubt, left out
	Withheld int // strata that others withheld, as their tables say

	texts  map[string]string // one of each text that the strata have
	file   int               // being taken in, from 1
	lastIn map[string]int    // of each clinician, the last file
	shared map[string]bool   // clinicians of several files
}

// New has no figures.
func New() *Aggregates {
	return &Aggregates{Strata: map[Stratum]Sum{}, texts: map[string]string{}, lastIn: map[string]int{}, shared: map[string]bool{}}
}

// columns are those of a table that are read, before the figures.
var columns = []string{"status", "doubt", "clinician", "guidance", "region"}

// SmallCell is the fewest figures of a stratum that leaves the practice. Common practice of
// disclosure control, no source: fewer may show a patient.
const SmallCell = 5

// header begins a file of aggregates.
var header = []string{"plumbline_aggregates_1", "figure", "clinician", "guidance", "region", "n", "mean", "variance"}

// withheldMark is the first cell of the row that counts what was withheld.
const withheldMark = "withheld"

// Add takes in a table, CSV or Parquet as series export writes it, or aggregates, as Write
// does; the rows are read as a stream.
//
// Errors: what is wrong with the file, and where.
func (a *Aggregates) Add(r io.ReaderAt, size int64) error {
	a.file++
	mark := make([]byte, len(parquetfile.Mark))
	if _, err := r.ReadAt(mark, 0); err == nil && string(mark) == parquetfile.Mark {
		return a.addParquet(r, size)
	}
	in := csv.NewReader(bufio.NewReaderSize(io.NewSectionReader(r, 0, size), 1<<20))
	in.ReuseRecord = true
	names, err := in.Read()
	if err != nil {
		return fmt.Errorf("it is no table: %w", err)
	}
	names = slices.Clone(names)
	names[0] = strings.TrimPrefix(names[0], "\ufeff")
	if slices.Equal(names, header) {
		return a.addAggregates(in)
	}
	wanted := wantedColumns()
	at := make([]int, len(wanted))
	for i, name := range wanted {
		at[i] = slices.Index(names, name)
	}
	if at[slices.Index(wanted, "clinician")] < 0 || slices.Max(at[len(columns):]) < 0 {
		return errors.New("it has no column clinician, or none of a figure; give tables as series export writes them")
	}
	cells := make([]parquetfile.Cell, len(wanted))
	for {
		row, err := in.Read()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		line, _ := in.FieldPos(0)
		for i, k := range at {
			if cells[i] = (parquetfile.Cell{}); k < 0 || row[k] == "" {
				continue
			}
			if i < len(columns) {
				cells[i] = parquetfile.Cell{There: true, IsText: true, Text: []byte(printable.FromCell(row[k]))}
				continue
			}
			x, err := strconv.ParseFloat(row[k], 64)
			if err != nil {
				return fmt.Errorf("line %d, column %s: %q is no number", line, wanted[i], row[k])
			}
			cells[i] = parquetfile.Cell{There: true, Number: x}
		}
		if err := a.row(cells); err != nil {
			return fmt.Errorf("line %d: %w", line, err)
		}
	}
}

func wantedColumns() []string {
	out := slices.Clone(columns)
	for f := range measurement.FigureCount {
		out = append(out, f.String())
	}
	return out
}

func (a *Aggregates) addParquet(r io.ReaderAt, size int64) error {
	f, err := parquetfile.Open(r, size)
	if err != nil {
		return err
	}
	if f.Schema != series.TableSchema {
		return fmt.Errorf("its schema is %q, expected %q, as series export writes it", f.Schema, series.TableSchema)
	}
	return f.Rows(wantedColumns(), a.row)
}

// row takes in one row.
func (a *Aggregates) row(cells []parquetfile.Cell) error {
	if status := cells[0]; status.There && string(status.Text) != string(series.StatusMeasured) {
		return nil
	}
	if doubt := cells[1]; doubt.There && (doubt.Number != 0 || doubt.IsText && strings.EqualFold(string(doubt.Text), "true")) {
		a.Doubtful++
		return nil
	}
	clinician := a.text(cells[2].Text)
	if clinician == "" {
		return errors.New("a measured row has no clinician")
	}
	a.Rows++
	a.note(clinician)
	s := Stratum{Clinician: clinician, Guidance: a.text(cells[3].Text), Region: a.text(cells[4].Text)}
	for f := range measurement.FigureCount {
		c := cells[len(columns)+int(f)]
		if !c.There {
			continue
		}
		if c.IsText || math.IsNaN(c.Number) || math.IsInf(c.Number, 0) {
			return fmt.Errorf("column %s is no number", f)
		}
		s.Figure = f
		sum := a.Strata[s]
		sum.add(c.Number)
		a.Strata[s] = sum
	}
	return nil
}

// note keeps which clinicians are in several files.
func (a *Aggregates) note(clinician string) {
	if last := a.lastIn[clinician]; last != a.file {
		if last != 0 {
			a.shared[clinician] = true
		}
		a.lastIn[clinician] = a.file
	}
}

// Shared are the clinicians that several files have, and that are counted as one each.
func (a *Aggregates) Shared() []string { return slices.Sorted(maps.Keys(a.shared)) }

// text is a text as one string for all rows that have it.
func (a *Aggregates) text(b []byte) string {
	if s, ok := a.texts[string(b)]; ok {
		return s
	}
	s := string(b)
	a.texts[s] = s
	return s
}

func (a *Aggregates) addAggregates(in *csv.Reader) error {
	for {
		row, err := in.Read()
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		line, _ := in.FieldPos(0)
		n, err := strconv.Atoi(row[5])
		if err != nil || n < 1 {
			return fmt.Errorf("line %d: n is %q, expected a count", line, row[5])
		}
		if row[0] == withheldMark {
			a.Withheld += n
			continue
		}
		f, err := measurement.ParseFigure(row[1])
		if err != nil {
			return fmt.Errorf("line %d: %w", line, err)
		}
		mean, err1 := strconv.ParseFloat(row[6], 64)
		variance, err2 := strconv.ParseFloat(row[7], 64)
		if err1 != nil || err2 != nil || !(variance >= 0) || math.IsInf(variance, 0) || math.IsNaN(mean) || math.IsInf(mean, 0) {
			return fmt.Errorf("line %d: mean and variance are %q and %q, expected numbers", line, row[6], row[7])
		}
		s := Stratum{f, a.text([]byte(printable.FromCell(row[2]))), a.text([]byte(printable.FromCell(row[3]))), a.text([]byte(printable.FromCell(row[4])))}
		a.note(s.Clinician)
		a.Strata[s] = a.Strata[s].Join(Sum{N: n, Mean: mean, M2: variance * float64(n-1)})
	}
}

// sorted are the strata in order, so that the same tables give the same bytes.
func (a *Aggregates) sorted() []Stratum {
	return slices.SortedFunc(maps.Keys(a.Strata), func(x, y Stratum) int {
		return cmp.Or(cmp.Compare(x.Figure, y.Figure), cmp.Compare(x.Clinician, y.Clinician), cmp.Compare(x.Guidance, y.Guidance), cmp.Compare(x.Region, y.Region))
	})
}

// Write writes count, mean and variance of each stratum; those of fewer than SmallCell
// figures are withheld, and their number is the last row.
func (a *Aggregates) Write(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write(header); err != nil {
		return err
	}
	number := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	withheld := a.Withheld
	for _, s := range a.sorted() {
		sum := a.Strata[s]
		v, ok := sum.Variance()
		if sum.N < SmallCell || !ok {
			withheld++
			continue
		}
		if err := out.Write([]string{"", s.Figure.String(), printable.Cell(s.Clinician), printable.Cell(s.Guidance), printable.Cell(s.Region), strconv.Itoa(sum.N), number(sum.Mean), number(v)}); err != nil {
			return err
		}
	}
	if withheld > 0 {
		if err := out.Write([]string{withheldMark, "", "", "", "", strconv.Itoa(withheld), "", ""}); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// IsAggregates reports whether a text begins as Write begins one.
func IsAggregates(in io.Reader) bool {
	names, err := csv.NewReader(io.LimitReader(in, 4096)).Read()
	return err == nil && slices.Equal(names, header)
}

// Result is a figure pooled over clinicians.
type Result struct {
	Figure   measurement.Figure
	Fixtures int
	Pooled   metaanalysis.Pooled
	Alone    int   // clinicians whose mean has no variance yet, left out
	Err      error // why there is no Pooled
}

// Results are the figures that there are, in order.
func (a *Aggregates) Results() iter.Seq[Result] {
	return func(yield func(Result) bool) {
		byClinician := map[measurement.Figure]map[string]Sum{}
		for _, s := range a.sorted() {
			if byClinician[s.Figure] == nil {
				byClinician[s.Figure] = map[string]Sum{}
			}
			byClinician[s.Figure][s.Clinician] = byClinician[s.Figure][s.Clinician].Join(a.Strata[s])
		}
		for f := range measurement.FigureCount {
			sums, ok := byClinician[f]
			if !ok {
				continue
			}
			r := Result{Figure: f}
			var groups []metaanalysis.Group
			for _, c := range slices.Sorted(maps.Keys(sums)) {
				sum := sums[c]
				r.Fixtures += sum.N
				if v, ok := sum.Variance(); ok && v > 0 {
					groups = append(groups, metaanalysis.Group{Mean: sum.Mean, Variance: v / float64(sum.N)})
				} else {
					r.Alone++
				}
			}
			r.Pooled, r.Err = metaanalysis.Pool(groups)
			if !yield(r) {
				return
			}
		}
	}
}
