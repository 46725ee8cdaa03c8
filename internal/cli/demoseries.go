package cli

import (
	"io"
	"path/filepath"
	"time"

	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/phantom"
	"plumbline/internal/printable"
	"plumbline/internal/series"
)

// demoCases is how many cases the demo's series has: those of a clinician's
// first fifty.
const demoCases = 50

// demoSeries is the name of the demo's series file.
const demoSeries = "series.jsonl"

// makeDemoSeries writes a table of invented figures and a series file that
// imports it, so that its records name the table as their source.
func makeDemoSeries(env Env, dir string) error {
	table := filepath.Join(dir, "simulated-figures.csv")
	path := filepath.Join(dir, demoSeries)
	rows := simulatedRows(demoCases, 1)
	var files output.Run
	files.Reads(path)
	if err := writeFile(&files, table, tableFile, func(w io.Writer) error { return series.WriteCSV(w, rows) }); err != nil {
		return err
	}
	l, err := openLedger(env, path)
	if err != nil {
		return err
	}
	records, err := series.ImportTable(table, l.Now.Format(time.RFC3339))
	if err != nil {
		return err
	}
	lacking, err := l.Lacking(records)
	if err != nil {
		return otherCase(err)
	}
	if len(lacking) > 0 {
		lacking = append(lacking, series.Record{Kind: series.Remark, Author: "plumbline",
			Text: "These figures are simulated: an invented clinician, no patient, no scan, and no uncertainty."})
		if _, err := add(l, lacking...); err != nil {
			return err
		}
	}
	printable.Fprintf(env.Stdout, "made %s, %d cases of simulated figures; look at it with: plumbline series show %s\n", path, demoCases, path)
	return nil
}

// simulatedRows is the table of an invented clinician's true figures.
func simulatedRows(n int, seed uint64) []series.TableRow {
	var out []series.TableRow
	for _, c := range phantom.DemoSeries(n, seed) {
		m := measurement.Case{Case: c.Case, Placed: c.Placed, Clinician: c.Clinician, Simulated: true, Fixtures: []measurement.Fixture{{
			Site: c.Site, Guidance: c.Guidance, Deviation: c.Deviation,
			Planned: measurement.Placement{Diameter: c.Diameter, Length: c.Length},
		}}}
		for _, r := range series.RowsOf(&m) {
			out = append(out, series.TableRow{Row: r, Status: series.StatusMeasured, Seal: series.SealNone})
		}
	}
	return out
}
