package exchange

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/dicom/filing"
	"plumbline/internal/dicom/spatialreg"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

var update = flag.Bool("update", false, "write the objects in testdata; run check.sh there behind it")

// stored is a measured phantom with a doubt about the case, and a second fixture that was not
// found.
func stored(t *testing.T) *measurement.Case {
	t.Helper()
	c, err := measurement.Read(filepath.Join("testdata", "measurement.json"))
	require.NoError(t, err)
	return c
}

// The objects are those that testdata/check.sh held against dicom3tools, dcmtk,
// pixelmed-apps and pydicom, byte by byte; verdicts.txt is what these said.
func TestObjectsAreThoseThatWereValidated(t *testing.T) {
	c := stored(t)
	verdicts, err := os.ReadFile(filepath.Join("testdata", "verdicts.txt"))
	require.NoError(t, err)
	for name, write := range map[string]func(*measurement.Case, filing.Filing) ([]byte, error){
		"sr.dcm": StructuredReport, "registration.dcm": Registration,
		"surface.dcm": func(c *measurement.Case, f filing.Filing) ([]byte, error) {
			return Surface(c, c.Fixtures[0].Site, f)
		},
	} {
		got, err := write(c, filing.Filing{})
		require.NoError(t, err)
		file := filepath.Join("testdata", name)
		if *update {
			require.NoError(t, os.WriteFile(file, got, 0o644))
			continue
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.True(t, bytes.Equal(want, got), "%s has changed: run the test with -update, then testdata/check.sh", name)
		sum := sha256.Sum256(got)
		assert.Contains(t, string(verdicts), name+" "+hex.EncodeToString(sum[:]), "not the file that was validated")

		f, err := os.Open(file)
		require.NoError(t, err)
		assert.True(t, Is(f))
		require.NoError(t, f.Close())
	}
	for line := range strings.Lines(string(verdicts)) {
		assert.NotRegexp(t, `(?i)error|fail|exception`, line)
	}
}

// Every figure of the measurement is in what pydicom read back, to its last printed digit,
// with its unit and its interval.
func TestFiguresReadBackByPydicom(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("testdata", "readback.txt"))
	require.NoError(t, err)
	lines := strings.Split(string(text), "\n")
	// after gives the lines that follow the one of a figure's name, which follows its number.
	figure := func(name string) (number string, below []string) {
		for i, l := range lines {
			if strings.HasSuffix(l, "figure/99PLUMBLINE "+name+"/99PLUMBLINE") {
				return lines[i-1], lines[i+1 : i+3]
			}
		}
		t.Fatalf("%s was not read back", name)
		return "", nil
	}
	value := func(line string) float64 {
		words := strings.Fields(line)
		x, err := strconv.ParseFloat(words[len(words)-2], 64)
		require.NoError(t, err, line)
		return x
	}
	c := stored(t)
	f := c.Fixtures[0]
	count := 0
	for fig, want := range f.Deviation.All() {
		number, below := figure(fig.String())
		assert.InDelta(t, want, value(number), 1e-8)
		assert.True(t, strings.HasSuffix(number, " "+string(fig.Unit())), number)
		in := f.Uncertainty.Intervals[fig]
		assert.Contains(t, below[0], "371886008/SCT")
		assert.Contains(t, below[1], "371885007/SCT")
		assert.InDelta(t, in.High, want+value(below[0]), 1e-7)
		assert.InDelta(t, in.Low, want-value(below[1]), 1e-7)
		count++
	}
	assert.Greater(t, count, 6)
	for i, s := range f.Clearance {
		assert.Contains(t, string(text), "clear_achieved/99PLUMBLINE", i)
		assert.Contains(t, string(text), "121106/DCM "+s.Structure)
	}
	for _, want := range []string{
		"doubt/99PLUMBLINE follow-up-before-surgery/99PLUMBLINE", "notice/99PLUMBLINE coronal-end-not-seen/99PLUMBLINE",
		"doubt/99PLUMBLINE metal-not-found/99PLUMBLINE", "363698007/SCT 863899008/SCT", "121005/DCM 121007/DCM",
	} {
		assert.Contains(t, string(text), want)
	}
	p := f.Achieved.Entry
	assert.Contains(t, string(text), fmt.Sprintf("achieved_entry/99PLUMBLINE %.6g %.6g %.6g in %s", float32(p[0]), float32(p[1]), float32(p[2]), c.Inputs.PreFrame))
}

// The surface carried by the registration lies at the achieved fixture.
func TestSurfaceLiesAtTheFixture(t *testing.T) {
	c := stored(t)
	o, err := spatialreg.Read(filepath.Join("testdata", "registration.dcm"))
	require.NoError(t, err)
	require.Len(t, o.Items, 2, "the planning scan's frame and one placed fixture")
	assert.Equal(t, c.Inputs.PreFrame, o.Registered)
	m, err := o.Between(o.Registered, o.Items[1].Frame)
	require.NoError(t, err)
	a := c.Fixtures[0].Achieved
	want := pose(*a)
	l := want.Length()
	assert.InDelta(t, 0, r3.Norm(r3.Sub(m.Apply(geom.Vec{}), want.Entry)), 1e-9)
	assert.InDelta(t, 0, r3.Norm(r3.Sub(m.Apply(geom.Vec{Z: -l}), want.Apex)), 1e-9)
	assert.Equal(t, o.Items[1].Frame, fixtureFrame(c, &c.Fixtures[0]))

	s := solid(clearance.Nominal(a.Diameter), l)
	assert.Zero(t, s.OpenEdges(), "closed")
	r := a.Diameter / 2
	whole := math.Pi * r * r * l
	assert.Less(t, s.Volume(), whole)
	assert.Greater(t, s.Volume(), 0.93*whole, "the rounding takes little")
}

func TestNoObjectWithoutWhatItNeeds(t *testing.T) {
	c := stored(t)
	_, err := Surface(c, "", filing.Filing{})
	require.ErrorContains(t, err, "name one of the sites")
	_, err = Surface(c, "11", filing.Filing{})
	require.ErrorContains(t, err, `no fixture at "11"`)
	_, err = Surface(c, "47", filing.Filing{})
	require.ErrorContains(t, err, "no placed fixture was found")
	for _, f := range c.Fixtures {
		_, err = StructuredReport(c, filing.Filing{PatientName: `a\b`})
		require.ErrorContains(t, err, "patient's name", f.Site)
	}
	c.Inputs.PreFrame = ""
	_, err = Registration(c, filing.Filing{})
	require.ErrorIs(t, err, errFrame)
	_, err = Surface(c, c.Fixtures[0].Site, filing.Filing{})
	require.ErrorIs(t, err, errFrame)
	b, err := StructuredReport(c, filing.Filing{})
	require.NoError(t, err)
	assert.NotContains(t, string(b), "SCOORD3D", "no points in a frame that nobody knows")
	c.Placed = "March"
	for _, write := range []func(*measurement.Case, filing.Filing) ([]byte, error){StructuredReport, Registration} {
		_, err = write(c, filing.Filing{})
		require.ErrorContains(t, err, "date of surgery")
	}
}
