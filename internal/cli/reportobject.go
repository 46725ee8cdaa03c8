package cli

import (
	"fmt"
	"path/filepath"
	"strings"

	"plumbline/internal/dicom/filing"
	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/report/exchange"
)

// What a report is written as.
const (
	asPages        = "pages"
	asSR           = "sr"
	asRegistration = "registration"
	asSurface      = "surface"
)

var kindsOfObject = []string{asPages, asSR, asRegistration, asSurface}

// objectFile is a DICOM object of ours that no report's pages are in.
var objectFile = output.Kind{Name: "DICOM object", Own: exchange.Is}

// kind is what a file of the report is to hold.
func (o *reportOptions) kind(file string) output.Kind {
	if o.as != asPages {
		return objectFile
	}
	return reportFile(file)
}

// checkObject refuses what does not go with an object for other programs.
func (o *reportOptions) checkObject() error {
	switch o.as {
	case asPages, asSR, asRegistration, asSurface:
	default:
		return usage("--as %q is not known; write %s", o.as, strings.Join(kindsOfObject[:len(kindsOfObject)-1], ", ")+" or "+kindsOfObject[len(kindsOfObject)-1])
	}
	if o.site != "" && o.as != asSurface {
		return usage("--site goes with --as surface: everything else has all sites")
	}
	if o.as == asPages {
		return nil
	}
	for _, file := range o.reports {
		if !strings.EqualFold(filepath.Ext(file), ".dcm") {
			return usage("--as %s writes a DICOM object, and %s is none by its name; end it in .dcm", o.as, file)
		}
	}
	return nil
}

// writeObject writes a stored measurement as an object for other programs.
func (o *reportOptions) writeObject(env Env) error {
	c, err := measurement.Read(o.input)
	if err != nil {
		return badInput(fmt.Errorf("%w; an object is written of a measurement, a file that measure --json wrote", err))
	}
	write := map[string]func(*measurement.Case, filing.Filing) ([]byte, error){
		asSR:           exchange.StructuredReport,
		asRegistration: exchange.Registration,
		asSurface: func(c *measurement.Case, f filing.Filing) ([]byte, error) {
			return exchange.Surface(c, o.site, f)
		},
	}[o.as]
	data, err := write(c, o.archive)
	if err != nil {
		return badInput(fmt.Errorf("%s: %w", o.input, err))
	}
	for _, file := range o.reports {
		if err := writeFile(&o.files, file, objectFile, bytesOf(data)); err != nil {
			return err
		}
		tellWritten(env.Stdout, file)
	}
	if c.InDoubt() {
		return errInDoubt
	}
	return nil
}
