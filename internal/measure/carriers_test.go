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

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
)

// registrationFile is a Spatial Registration object that carries one frame of
// reference into another.
func registrationFile(t *testing.T, from, into string, m geom.Rigid) []byte {
	t.Helper()
	set := func(values map[tag.Tag]any) element.Dataset {
		d := element.Dataset{}
		for k, v := range values {
			d.Set(k, v)
		}
		return d
	}
	a := m.Matrix()
	matrix := set(map[tag.Tag]any{tag.FrameOfReferenceTransformationMatrix: element.FormatDecimals(a[:]...), tag.FrameOfReferenceTransformationMatrixType: "RIGID"})
	data, err := element.Encode(uid.ExplicitVRLittleEndian, set(map[tag.Tag]any{
		tag.SOPClassUID: "1.2.840.10008.5.1.4.1.1.66.1", tag.SOPInstanceUID: "1.2.3", tag.FrameOfReferenceUID: into,
		tag.RegistrationSequence: []element.Dataset{set(map[tag.Tag]any{
			tag.FrameOfReferenceUID: from,
			tag.MatrixRegistrationSequence: []element.Dataset{set(map[tag.Tag]any{
				tag.MatrixSequence: []element.Dataset{matrix},
			})},
		})},
	}))
	require.NoError(t, err)
	return data
}

// A registration object aligns the scans that it names and no others, whichever
// way round it was written.
func TestAlignmentFromARegistrationObject(t *testing.T) {
	p, f := smallCase(t)
	f.alignment = "method = \"matrix\"\nfile = \"registration.dcm\""
	dir := f.write(t)
	reference := func(name string) string {
		s, err := scan.Open(filepath.Join(dir, name), scan.Options{})
		require.NoError(t, err)
		require.NotEmpty(t, s.FrameOfReferenceUID)
		return s.FrameOfReferenceUID
	}
	pre, post := reference("pre"), reference("post")
	require.NotEqual(t, pre, post)
	align := func(data []byte) (geom.Rigid, *Inputs, error) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, "registration.dcm"), data, 0o600))
		in, err := Open(dir, Options{})
		require.NoError(t, err)
		al, err := Align(in, Options{})
		if err != nil {
			return geom.Rigid{}, in, err
		}
		return al.PostToPre, in, nil
	}
	truth := p.Truth.PostToPre
	for name, data := range map[string][]byte{
		"follow-up into planning": registrationFile(t, post, pre, truth),
		"planning into follow-up": registrationFile(t, pre, post, truth.Inverse()),
	} {
		got, in, err := align(data)
		require.NoError(t, err, name)
		for _, q := range []geom.Vec{f.planned.Entry, f.planned.Apex} {
			assert.InDelta(t, 0, r3.Norm(r3.Sub(got.Apply(q), truth.Apply(q))), 1e-6, name)
		}
		files := in.Identity().Files
		require.Len(t, files, 1)
		assert.Equal(t, "registration.dcm", files[0].Name)
		assert.Len(t, files[0].SHA256, 64)
	}
	_, _, err := align(registrationFile(t, "1.2.3.4", pre, truth))
	require.ErrorContains(t, err, "the follow-up scan's frame of reference "+post+" is not in it")
	require.ErrorContains(t, err, "registration.dcm")

	require.NoError(t, os.Remove(filepath.Join(dir, "registration.dcm")))
	_, err = Open(dir, Options{})
	require.ErrorContains(t, err, `"registration.dcm" is not in the case folder`)
}

// A plan that is a mesh has the planned fixture of the mesh, and the mesh's hash
// and fit are among the inputs.
func TestPlanFromAMesh(t *testing.T) {
	_, f := smallCase(t)
	dir := f.write(t)
	text, err := os.ReadFile(filepath.Join(dir, "case.toml"))
	require.NoError(t, err)
	plan := string(text)
	for _, key := range []string{"entry", "apex", "diameter", "length"} {
		from := strings.Index(plan, "\n"+key+" = ") + 1
		plan = plan[:from] + plan[from+strings.IndexByte(plan[from:], '\n')+1:]
	}
	plan = strings.Replace(plan, "[[fixture]]\n", "[[fixture]]\nmesh = \"plan.stl\"\n", 1)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "case.toml"), []byte(plan), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "plan.stl"), []byte(prism(f.planned, f.diameter)), 0o600))
	in, err := Open(dir, Options{})
	require.NoError(t, err)
	got := in.Plan.Fixtures[0]
	assert.InDelta(t, 0, r3.Norm(r3.Sub(got.Planned.Entry, f.planned.Entry)), 0.01)
	assert.InDelta(t, 0, r3.Norm(r3.Sub(got.Planned.Apex, f.planned.Apex)), 0.01)
	assert.InDelta(t, f.diameter, got.Diameter, 0.02)
	files := in.Identity().Files
	require.Len(t, files, 1)
	assert.Equal(t, "plan.stl", files[0].Name)
	assert.Equal(t, f.site, files[0].Site)
	assert.Equal(t, got.Mesh.SHA256, files[0].SHA256)
	require.NotNil(t, files[0].ResidualMM)
	assert.Less(t, *files[0].ResidualMM, 0.02)
}

// prism is a closed cylinder of 64 facets as STL text.
func prism(p geom.Pose, diameter float64) string {
	const n = 64
	e1, e2 := geom.Perpendicular(p.Axis())
	var b strings.Builder
	b.WriteString("solid\n")
	rim := func(end geom.Vec, i int) geom.Vec {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / n)
		return r3.Add(end, r3.Scale(diameter/2, r3.Add(r3.Scale(cos, e1), r3.Scale(sin, e2))))
	}
	for i := range n {
		a, c := rim(p.Entry, i), rim(p.Entry, i+1)
		d, e := rim(p.Apex, i), rim(p.Apex, i+1)
		for _, t := range [][3]geom.Vec{{p.Entry, c, a}, {p.Apex, d, e}, {a, c, e}, {a, e, d}} {
			b.WriteString("facet normal 0 0 0 outer loop")
			for _, v := range t {
				fmt.Fprintf(&b, " vertex %.8f %.8f %.8f", v.X, v.Y, v.Z)
			}
			b.WriteString(" endloop endfacet\n")
		}
	}
	b.WriteString("endsolid\n")
	return b.String()
}
