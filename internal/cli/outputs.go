package cli

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
	"plumbline/internal/report/drawing"
	"plumbline/internal/report/reviewpack"
	"plumbline/internal/series"
)

// The kinds of files that commands write. A series file is none: it is only added
// to; neither is a case file, which is only written where there is none.
var (
	measurementFile  = output.Kind{Name: "measurement", Own: func(f *os.File) bool { return measurement.Is(f) }}
	tableFile        = output.Kind{Name: "table", Own: func(f *os.File) bool { return series.IsTable(f) }}
	parquetTableFile = output.Kind{Name: "table", Own: series.IsParquetTable}
	pictureFile      = output.Kind{Name: "picture", Own: drawing.IsPNG}
	packFile         = output.Kind{Name: "archive", Own: reviewpack.Is}

	// reportFiles are the kinds of report by the ends of their names.
	reportFiles = map[string]output.Kind{
		".html": {Name: "report", Own: reports.IsHTML},
		".pdf":  {Name: "PDF report", Own: reports.IsPDF},
		".dcm":  {Name: "DICOM report", Own: reports.IsDICOM},
	}
)

// reportFile is the kind of report that a file name asks for.
func reportFile(file string) output.Kind { return reportFiles[strings.ToLower(filepath.Ext(file))] }

// addOverwrite declares the option that lets outputs replace other files.
func addOverwrite(f *pflag.FlagSet, to *output.Run) {
	f.BoolVar(&to.Overwrite, "overwrite", false, "replace other files of the same names; never an input, a series file, a case file or a scan")
}

// writeFile writes an output; an error says whose fault it is.
func writeFile(to *output.Run, path string, k output.Kind, fill func(io.Writer) error) error {
	return notWritten(to.Write(path, k, fill))
}

// mayWrite refuses an output before the work for it is done.
func mayWrite(to *output.Run, path string, k output.Kind) error {
	if path == "" {
		return nil
	}
	return notWritten(to.Check(path, k))
}

func notWritten(err error) error {
	var refused *output.RefusedError
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &refused):
		return unwritten(err)
	case refused.Overwritable:
		return usage("%w, or replace it with --overwrite", err)
	}
	return usage("%w", err)
}

// tellWritten says what was written, and how to look at it where that is not plain.
func tellWritten(out io.Writer, files ...string) {
	for _, file := range files {
		hint := ""
		if strings.EqualFold(filepath.Ext(file), ".html") {
			hint = "; open it in a browser"
		}
		printable.Fprintf(out, "wrote %s%s\n", file, hint)
	}
}

// bytesOf fills a file with bytes at hand.
func bytesOf(data []byte) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	}
}
