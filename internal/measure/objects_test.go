package measure

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/bodies"
	"plumbline/internal/dicom/code"
	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encapsulated"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/trimesh"
)

type values = map[tag.Tag]any

func dataset(v values) element.Dataset {
	d := element.Dataset{}
	for k, x := range v {
		d.Set(k, x)
	}
	return d
}

func items(list ...element.Dataset) []element.Dataset { return list }

func object(t *testing.T, class string, d element.Dataset) []byte {
	t.Helper()
	d.Set(tag.SOPClassUID, class)
	if !d.Has(tag.SOPInstanceUID) {
		d.Set(tag.SOPInstanceUID, "1.2.3")
	}
	data, err := element.Encode(uid.ExplicitVRLittleEndian, d)
	require.NoError(t, err)
	return data
}

func decimals(points ...geom.Vec) string {
	var out []string
	for _, p := range points {
		out = append(out, element.FormatDecimals(p.X, p.Y, p.Z))
	}
	return strings.Join(out, `\`)
}

// obj is a surface as text with all its digits.
func obj(m *trimesh.Mesh) []byte {
	var b strings.Builder
	for _, v := range m.Vertices {
		fmt.Fprintf(&b, "v %v %v %v\n", v.X, v.Y, v.Z)
	}
	for _, t := range m.Triangles {
		fmt.Fprintf(&b, "f %d %d %d\n", t[0]+1, t[1]+1, t[2]+1)
	}
	return []byte(b.String())
}

func stlObject(t *testing.T, frame string, stl []byte) []byte {
	d := element.Dataset{}
	encapsulated.Surface{Title: "surface", Frame: frame, STL: stl}.Into(&d)
	return object(t, encapsulated.Storage, d)
}

// surfaceSequence is a surface as a Surface Segmentation and a template have it.
func surfaceSequence(m *trimesh.Mesh) []element.Dataset {
	var points, index []uint32
	for _, v := range m.Vertices {
		for _, x := range []float64{v.X, v.Y, v.Z} {
			points = append(points, math.Float32bits(float32(x)))
		}
	}
	for _, t := range m.Triangles {
		index = append(index, uint32(t[0]+1), uint32(t[1]+1), uint32(t[2]+1))
	}
	var p, primitives element.Dataset
	p.SetVR(tag.PointCoordinatesData, "OF", points)
	primitives.SetVR(tag.LongTrianglePointIndexList, "OL", index)
	return items(dataset(values{tag.SurfaceNumber: []uint32{1}, tag.SurfacePointsSequence: items(p), tag.SurfaceMeshPrimitivesSequence: items(primitives)}))
}

// contours are circles about a fixture's neighbour, on planes across z.
func contours(t *testing.T, frame string, centre geom.Vec) []byte {
	var list []element.Dataset
	for k := range 12 {
		var points []geom.Vec
		for i := range 48 {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / 48)
			points = append(points, r3.Add(centre, geom.Vec{X: 2 * cos, Y: 2 * sin, Z: 0.5 * float64(k-6)}))
		}
		list = append(list, dataset(values{tag.ContourGeometricType: "CLOSED_PLANAR", tag.ContourData: decimals(points...)}))
	}
	return rtStruct(t, frame, list...)
}

func rtStruct(t *testing.T, frame string, list ...element.Dataset) []byte {
	return object(t, "1.2.840.10008.5.1.4.1.1.481.3", dataset(values{
		tag.StructureSetROISequence: items(dataset(values{tag.ROINumber: "1", tag.ROIName: "body", tag.ReferencedFrameOfReferenceUID: frame})),
		tag.ROIContourSequence:      items(dataset(values{tag.ReferencedROINumber: "1", tag.ContourSequence: list})),
	}))
}

// voxels are a block of 8 × 8 × 8 voxels of 0.5 mm with a corner at a point.
func voxels(t *testing.T, frame string, corner geom.Vec) []byte {
	var frames []element.Dataset
	for k := range 8 {
		frames = append(frames, dataset(values{
			tag.SegmentIdentificationSequence: items(dataset(values{tag.ReferencedSegmentNumber: []uint16{1}})),
			tag.PlanePositionSequence:         items(dataset(values{tag.ImagePositionPatient: decimals(r3.Add(corner, geom.Vec{Z: 0.5 * float64(k)}))})),
		}))
	}
	d := dataset(values{
		tag.Rows: []uint16{8}, tag.Columns: []uint16{8}, tag.NumberOfFrames: "8", tag.BitsAllocated: []uint16{1}, tag.SegmentationType: "BINARY", tag.FrameOfReferenceUID: frame,
		tag.SegmentSequence: items(dataset(values{tag.SegmentNumber: []uint16{1}, tag.SegmentLabel: "block"})),
		tag.SharedFunctionalGroupsSequence: items(dataset(values{
			tag.PlaneOrientationSequence: items(dataset(values{tag.ImageOrientationPatient: `1\0\0\0\1\0`})),
			tag.PixelMeasuresSequence:    items(dataset(values{tag.PixelSpacing: `0.5\0.5`, tag.SpacingBetweenSlices: "0.5"})),
		})),
		tag.PerFrameFunctionalGroupsSequence: frames,
	})
	d.SetVR(tag.PixelData, "OB", []byte(strings.Repeat("\xff", 64)))
	return object(t, "1.2.840.10008.5.1.4.1.1.66.4", d)
}

// frameOf is the Frame of Reference UID of a case's planning scan.
func frameOf(t *testing.T, dir string) string {
	t.Helper()
	s, err := scan.Open(filepath.Join(dir, "pre"), scan.Options{})
	require.NoError(t, err)
	return s.FrameOfReferenceUID
}

func requireSameFigures(t *testing.T, want, got *Study, name string) {
	t.Helper()
	for i, w := range want.Result.Fixtures {
		g := got.Result.Fixtures[i]
		for f, x := range w.Deviation.All() {
			require.NotNil(t, g.Deviation[f], name)
			assert.InDelta(t, x, *g.Deviation[f], 1e-6, "%s: %s", name, f)
		}
		require.Len(t, g.Clearance, len(w.Clearance), name)
		for j, c := range w.Clearance {
			assert.InDelta(t, c.Planned, g.Clearance[j].Planned, 1e-6, name)
			assert.InDelta(t, *c.Achieved, *g.Clearance[j].Achieved, 1e-6, name)
		}
	}
}

// A structure gives the same measurement whichever object carries it: as a path or a surface
// of the case file does, to 1e-6 mm.
func TestStructuresByEveryCarrier(t *testing.T) {
	_, f := smallCase(t)
	dir := f.write(t)
	frame := frameOf(t, dir)
	put := func(name string, data []byte) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o600))
	}
	beside := r3.Add(f.planned.Entry, geom.Vec{X: 7.125, Y: 1.5, Z: -2})
	beside = geom.Vec{X: math.Round(8*beside.X) / 8, Y: math.Round(8*beside.Y) / 8, Z: math.Round(8*beside.Z) / 8}
	pre, err := scan.Open(filepath.Join(dir, "pre"), scan.Options{})
	require.NoError(t, err)
	// planned is the planned fixture's distance to a structure of these lines.
	planned := func(structure string) float64 {
		f.more = "[[structure]]\nname = \"body\"\nkind = \"other\"\ndrawn_uncertainty = 0.1\n" + structure
		f.writePlan(t, dir)
		c, err := casefile.Read(dir)
		require.NoError(t, err)
		p, err := CheckPlan(c, pre, "")
		require.NoError(t, err)
		return p.Sites[0].Distances[0].Planned
	}

	far := r3.Add(beside, geom.Vec{X: 3, Y: 8, Z: 1})
	put("line.dcm", rtStruct(t, frame, dataset(values{tag.ContourGeometricType: "OPEN_NONPLANAR", tag.ContourData: decimals(beside, far)})))
	assert.InDelta(t, planned(fmt.Sprintf("path = [%s, %s]\nradius = 1.4\n", point(beside), point(far))), planned("file = \"line.dcm\"\nradius = 1.4\n"), 1e-6)

	for name, data := range map[string][]byte{"contours.dcm": contours(t, frame, beside), "voxels.dcm": voxels(t, frame, beside)} {
		put(name, data)
		b, err := bodies.Structure(filepath.Join(dir, name), "body")
		require.NoError(t, err)
		put("reference.obj", obj(b.Mesh))
		want := planned("surface = \"reference.obj\"\n")
		assert.InDelta(t, want, planned("file = \""+name+"\"\n"), 1e-6, name)
		if name != "voxels.dcm" {
			continue
		}
		// Its corners are whole numbers of 32-bit floats, so that every carrier has them.
		put("stl.dcm", stlObject(t, frame, trimesh.EncodeSTL("", b.Mesh)))
		assert.InDelta(t, want, planned("file = \"stl.dcm\"\n"), 1e-6, "Encapsulated STL")
		put("surface.dcm", object(t, "1.2.840.10008.5.1.4.1.1.66.5", dataset(values{
			tag.FrameOfReferenceUID: frame, tag.SurfaceSequence: surfaceSequence(b.Mesh),
			tag.SegmentSequence: items(dataset(values{tag.SegmentNumber: []uint16{1}, tag.SegmentLabel: "body",
				tag.ReferencedSurfaceSequence: items(dataset(values{tag.ReferencedSurfaceNumber: []uint32{1}}))})),
		})))
		assert.InDelta(t, want, planned("file = \"surface.dcm\"\n"), 1e-6, "Surface Segmentation")
	}

	// The whole measurement, by the case file and by an object.
	study := func(structure string) *Study {
		planned(structure)
		s, err := Case(dir, Options{Version: "test", Seed: 1})
		require.NoError(t, err)
		return s
	}
	requireSameFigures(t, study(fmt.Sprintf("path = [%s, %s]\nradius = 1.4\n", point(beside), point(far))), study("file = \"line.dcm\"\nradius = 1.4\n"), "line")

	// What cannot be brought to the planning scan is refused.
	for _, c := range []struct {
		name, more, say string
		data            []byte
	}{
		{"other.dcm", "", "another frame of reference than the planning scan", contours(t, "1.2.3.4", beside)},
		{"line.dcm", "", "write its radius", nil},
		{"contours.dcm", "radius = 1.4\n", "to which no radius belongs", nil},
		{"pre/../case.toml", "", "no DICOM file", nil},
	} {
		if c.data != nil {
			put(c.name, c.data)
		}
		f.more = fmt.Sprintf("[[structure]]\nname = \"body\"\nkind = \"other\"\nfile = %q\n%s", c.name, c.more)
		f.writePlan(t, dir)
		_, err := Open(dir, Options{})
		require.ErrorContains(t, err, c.say)
	}
}

// A planned fixture gives the same measurement whichever objects carry it.
func TestPlansByEveryCarrier(t *testing.T) {
	_, f := smallCase(t)
	dir := f.write(t)
	frame := frameOf(t, dir)
	text, err := os.ReadFile(filepath.Join(dir, "case.toml"))
	require.NoError(t, err)
	put := func(name string, data []byte) {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o700))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o600))
	}
	// planned reads the case with lines in place of entry, apex and length. All figures follow
	// from its pose.
	planned := func(lines string) *casefile.Case {
		var out strings.Builder
		for line := range strings.Lines(string(text)) {
			switch key, _, _ := strings.Cut(line, " = "); key {
			case "entry":
				out.WriteString(lines)
			case "apex", "length":
			default:
				out.WriteString(line)
			}
		}
		put("case.toml", []byte(out.String()))
		c, err := casefile.Read(dir)
		require.NoError(t, err)
		require.NoError(t, c.CheckFrames(frame))
		return c
	}
	requireSame := func(want, got *casefile.Case, name string) {
		a, b := want.Fixtures[0], got.Fixtures[0]
		assert.InDelta(t, 0, r3.Norm(r3.Sub(a.Planned.Entry, b.Planned.Entry)), 1e-6, name)
		assert.InDelta(t, 0, r3.Norm(r3.Sub(a.Planned.Apex, b.Planned.Apex)), 1e-6, name)
		assert.Equal(t, []float64{a.Diameter, a.PlacedDiameter}, []float64{b.Diameter, b.PlacedDiameter}, name)
		assert.InDelta(t, a.PlacedLength, b.PlacedLength, 1e-6, name)
		assert.NotEqual(t, want.PlanSHA256, got.PlanSHA256, name)
	}

	put("points.dcm", object(t, "1.2.840.10008.5.1.4.1.1.66.2", dataset(values{tag.FiducialSetSequence: items(dataset(values{
		tag.FrameOfReferenceUID: frame,
		tag.FiducialSequence: items(
			dataset(values{tag.FiducialIdentifier: f.site + " entry", tag.ShapeType: "POINT", tag.ContourData: decimals(f.planned.Entry)}),
			dataset(values{tag.FiducialIdentifier: f.site + " apex", tag.ShapeType: "POINT", tag.ContourData: decimals(f.planned.Apex)})),
	}))})))
	want := planned(fmt.Sprintf("entry = %s\napex = %s\n", point(f.planned.Entry), point(f.planned.Apex)))
	got := planned("plan = \"points.dcm\"\n")
	requireSame(want, got, "Spatial Fiducials")
	require.Len(t, got.Files, 1)
	assert.Equal(t, "points.dcm", filepath.Base(got.Files[0].Path))
	in, err := Open(dir, Options{})
	require.NoError(t, err)
	files := in.Identity().Files
	require.Len(t, files, 1)
	assert.Equal(t, f.site, files[0].Site)

	mesh, err := trimesh.Decode("prism", []byte(prism(f.planned, f.diameter)))
	require.NoError(t, err)
	stl := trimesh.EncodeSTL("", mesh)
	put("plan.stl", stl)
	want = planned("mesh = \"plan.stl\"\n")
	put("stl.dcm", stlObject(t, frame, stl))
	requireSame(want, planned("plan = \"stl.dcm\"\n"), "Encapsulated STL")

	// PS3.17 AAA.4: the template's surface in its own frame, and a registration.
	toScan := geom.Rigid{R: geom.Rotation(geom.Vec{X: 0.3, Y: -0.2, Z: 0.5}).R, T: geom.Vec{X: 5.5, Y: -20.25, Z: 11}}
	own := &trimesh.Mesh{Triangles: mesh.Triangles}
	for _, v := range mesh.Vertices {
		own.Vertices = append(own.Vertices, toScan.Inverse().Apply(v))
	}
	put("implant/template.dcm", object(t, "1.2.840.10008.5.1.4.43.1", dataset(values{tag.SOPInstanceUID: "1.2.77", tag.FrameOfReferenceUID: "1.2.3.4.1", tag.SurfaceSequence: surfaceSequence(own)})))
	put("implant/registration.dcm", registrationFile(t, "1.2.3.4.1", frame, toScan))
	put("implant/plan.dcm", object(t, "1.2.840.10008.5.1.4.1.1.88.70", dataset(values{tag.ValueType: "CONTAINER", tag.ContentSequence: items(dataset(values{
		tag.ValueType: "CONTAINER", tag.ConceptNameCodeSequence: code.Code{Value: "112346", Scheme: code.DCM, Meaning: "Selected Implant Component"}.Items(),
		tag.ContentSequence: items(
			dataset(values{tag.ValueType: "TEXT", tag.ConceptNameCodeSequence: code.Code{Value: "112347", Scheme: code.DCM}.Items(), tag.TextValue: "1"}),
			// A hip's type, as in the standard's own example: it is not looked at.
			dataset(values{tag.ValueType: "CODE", tag.ConceptNameCodeSequence: code.Code{Value: "112370", Scheme: code.DCM}.Items(), tag.ConceptCodeSequence: code.Code{Value: "112305", Scheme: code.DCM}.Items()}),
			dataset(values{tag.ValueType: "UIDREF", tag.ConceptNameCodeSequence: code.Code{Value: "112227", Scheme: code.DCM}.Items(), tag.UID: "1.2.3.4.1"}),
			dataset(values{tag.ValueType: "COMPOSITE", tag.ConceptNameCodeSequence: code.Code{Value: "112348", Scheme: code.DCM}.Items(),
				tag.ReferencedSOPSequence: items(dataset(values{tag.ReferencedSOPClassUID: "1.2.840.10008.5.1.4.43.1", tag.ReferencedSOPInstanceUID: "1.2.77"}))})),
	}))})))
	for i, v := range own.Vertices { // as the template's 32-bit floats have it
		round := geom.Vec{X: float64(float32(v.X)), Y: float64(float32(v.Y)), Z: float64(float32(v.Z))}
		own.Vertices[i] = toScan.Apply(round)
	}
	put("reference.obj", obj(own))
	requireSame(planned("mesh = \"reference.obj\"\n"), planned("plan = \"implant\"\n"), "Implantation Plan")
	requireSame(planned("mesh = \"reference.obj\"\n"), planned("plan = \"implant\"\ncomponent = \"1\"\n"), "Implantation Plan, component named")

	put("other.dcm", stlObject(t, "1.2.3.4", stl))
	put("case.toml", []byte(strings.Replace(string(text), "entry = "+point(f.planned.Entry)+"\napex = "+point(f.planned.Apex), "plan = \"other.dcm\"", 1)))
	_, err = Open(dir, Options{})
	require.ErrorContains(t, err, "lies in another frame of reference than the planning scan")
	require.ErrorContains(t, err, "fixture 1, plan")
}
