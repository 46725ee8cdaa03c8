package scan

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/printable"
)

// Description is what lies at a path, for a person or a script. It carries file
// names as they are, but nothing from the files that names a patient.
type Description struct {
	Path    string             `json:"path"`
	Files   int                `json:"files"`
	Series  []SeriesFound      `json:"series"`
	Used    string             `json:"used_series,omitempty"` // Series Instance UID
	Problem string             `json:"problem,omitempty"`     // why there is no volume
	Volume  *VolumeFound       `json:"volume,omitempty"`
	Flags   []measurement.Flag `json:"flags"`

	used   *Scan
	choice *ListError // Problem, where it lists series
}

// SeriesFound is one series at the path.
type SeriesFound struct {
	UID       string     `json:"series"`
	Modality  string     `json:"modality,omitempty"`
	Date      string     `json:"study_date,omitempty"` // ISO
	Files     int        `json:"files"`
	Slices    int        `json:"slices"` // of its largest stack
	Columns   int        `json:"columns,omitempty"`
	Rows      int        `json:"rows,omitempty"`
	PixelMM   [2]float64 `json:"pixel_mm"` // between columns, between rows; 0 when not stated
	FirstFile string     `json:"first_file"`
	Problem   string     `json:"problem,omitempty"` // why it is no volume
}

// VolumeFound is the volume that would be used.
type VolumeFound struct {
	Columns     int        `json:"columns"`
	Rows        int        `json:"rows"`
	Slices      int        `json:"slices"`
	VoxelMM     [3]float64 `json:"voxel_mm"`            // along rows, columns and slices
	ExtentMM    [3]float64 `json:"extent_mm"`           // from outer face to outer face
	FirstMM     [3]float64 `json:"first_voxel_mm"`      // patient coordinates, LPS
	Directions  [3]string  `json:"directions"`          // in which columns, rows and slices count up, in words
	GreyLow     *float64   `json:"grey_low,omitempty"`  // left out where all voxels are padding
	GreyHigh    *float64   `json:"grey_high,omitempty"` //
	GreyCeiling *float64   `json:"grey_ceiling,omitempty"`
	Syntax      string     `json:"transfer_syntax"`
	Modality    string     `json:"modality,omitempty"`
	Date        string     `json:"study_date,omitempty"` // ISO
	SHA256      string     `json:"sha256,omitempty"`     // filled in by Digest
}

// Digest adds the digest of the volume, where there is one.
func (d *Description) Digest() {
	if d.used != nil {
		d.Volume.SHA256 = d.used.SHA256()
	}
}

// Describe says what is at path and which volume would be read from it. A
// path without a readable volume is described as well, with the reason.
//
// Errors: when the path itself cannot be read.
func Describe(path string, o Options) (*Description, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	found, err := surveyPath(path)
	if err != nil {
		return nil, err
	}
	defer found.source.close()
	d := &Description{Path: path, Files: len(found.source.files), Series: []SeriesFound{}, Flags: []measurement.Flag{}}
	for _, g := range found.groups {
		d.Series = append(d.Series, g.summary(o))
	}
	st, err := found.chooseStack(o)
	if err == nil {
		var s *Scan
		if s, err = st.openStack(path, o); err == nil {
			d.Used = s.SeriesUID
			d.Volume, d.used = s.summary(), s
			d.Flags = append(d.Flags, s.Flags...)
		}
	}
	if err != nil {
		d.Problem = err.Error()
		errors.As(err, &d.choice)
	}
	return d, nil
}

// summary is a series in figures.
func (s *series) summary(o Options) SeriesFound {
	out := SeriesFound{UID: s.uid, Files: len(s.images), FirstFile: s.images[0].file.name, Modality: s.images[0].modality, Date: s.images[0].date}
	m := s.largestStack()
	switch {
	case s.fault != nil:
		out.Problem = fmt.Sprintf("%s: %v", s.fault.file.name, s.fault.fault)
	case m == nil:
		out.Problem = s.images[0].file.name + " " + s.images[0].aside
	}
	if m == nil {
		return out
	}
	first := m.slices[0]
	out.Slices, out.Columns, out.Rows = len(m.slices), first.layout.cols, first.layout.rows
	out.PixelMM = [2]float64{first.colSpacing, first.rowSpacing}
	out.FirstFile, out.Modality, out.Date = first.file.name, first.modality, first.date
	if out.Problem == "" {
		trial := &stack{slices: append([]slice(nil), m.slices...)}
		if _, err := trial.arrangeSlices(o); err != nil {
			out.Problem = err.Error()
		}
	}
	return out
}

// summary is a volume in figures.
func (s *Scan) summary() *VolumeFound {
	v := &VolumeFound{
		Columns: s.Size[0], Rows: s.Size[1], Slices: s.Size[2], VoxelMM: s.Spacing(),
		FirstMM: [3]float64{roundLength(s.Origin.X), roundLength(s.Origin.Y), roundLength(s.Origin.Z)},
		Syntax:  s.Syntax, Modality: s.Modality, Date: s.StudyDate,
	}
	for a := range 3 {
		v.VoxelMM[a] = roundLength(v.VoxelMM[a])
		v.ExtentMM[a] = roundLength(float64(s.Size[a]) * v.VoxelMM[a])
		v.Directions[a] = Direction(s.Step[a])
	}
	some := func(x float64) *float64 {
		if math.IsNaN(x) {
			return nil
		}
		return &x
	}
	v.GreyLow, v.GreyHigh, v.GreyCeiling = some(s.Low), some(s.High), some(s.Ceiling)
	return v
}

// roundLength rounds a length to 1e-6 mm, as in volumeDigest, so that none ends in
// 999999.
func roundLength(mm float64) float64 { return math.Round(mm*1e6)/1e6 + 0 } // + 0 makes -0 equal 0

// Direction names a direction in the patient: "towards the patient's left", or
// for an oblique one with its angle to the nearest, "12° off the patient's
// left".
func Direction(v geom.Vec) string {
	best, which := 0.0, ""
	for _, d := range []struct {
		along float64
		name  string
	}{{v.X, "left"}, {-v.X, "right"}, {v.Y, "back"}, {-v.Y, "front"}, {v.Z, "head"}, {-v.Z, "feet"}} {
		if d.along > best {
			best, which = d.along, d.name
		}
	}
	off := geom.Degrees(math.Atan2(math.Sqrt(max(0, r3.Dot(v, v)-best*best)), best))
	if off < 0.05 {
		return "towards the patient's " + which
	}
	return fmt.Sprintf("%.1f° off the patient's %s", off, which)
}

// WriteText writes the description in plain words.
func (d *Description) WriteText(w io.Writer) error {
	var b strings.Builder
	printable.Fprintf(&b, "%s: %s, %d series\n", d.Path, plural(d.Files, "file"), len(d.Series))
	for i, s := range d.Series {
		if i == maxListed {
			printable.Fprintf(&b, "  and %d more\n", len(d.Series)-i)
			break
		}
		uid := s.UID
		if uid == "" {
			uid = "(no series UID)"
		}
		printable.Fprintf(&b, "  series %s\n    ", uid)
		for _, known := range []string{s.Modality, s.Date} {
			if known != "" {
				printable.Fprintf(&b, "%s, ", known)
			}
		}
		b.WriteString(plural(s.Files, "file"))
		if s.Slices > 0 {
			printable.Fprintf(&b, ", %s of %d × %d voxels", plural(s.Slices, "slice"), s.Columns, s.Rows)
			if s.PixelMM[0] > 0 {
				printable.Fprintf(&b, " of %.4g × %.4g mm", s.PixelMM[0], s.PixelMM[1])
			}
		}
		printable.Fprintf(&b, ", first %s\n", s.FirstFile)
		if s.UID == d.Used && d.Volume != nil {
			printable.Fprintf(&b, "    this is the volume that would be used\n")
		}
		if s.Problem != "" {
			printable.Fprintf(&b, "    no volume: %s\n", s.Problem)
		}
	}
	if v := d.Volume; v != nil {
		printable.Fprintf(&b, "volume\n")
		printable.Fprintf(&b, "  voxels        %d columns × %d rows × %d slices of %.4g × %.4g × %.4g mm\n", v.Columns, v.Rows, v.Slices, v.VoxelMM[0], v.VoxelMM[1], v.VoxelMM[2])
		printable.Fprintf(&b, "  extent        %.1f × %.1f × %.1f mm\n", v.ExtentMM[0], v.ExtentMM[1], v.ExtentMM[2])
		printable.Fprintf(&b, "  first voxel   %.3f, %.3f, %.3f mm (patient coordinates, LPS)\n", v.FirstMM[0], v.FirstMM[1], v.FirstMM[2])
		for a, what := range [3]string{"columns", "rows", "slices"} {
			printable.Fprintf(&b, "  %-8s run  %s\n", what, v.Directions[a])
		}
		if v.GreyLow != nil && v.GreyHigh != nil {
			printable.Fprintf(&b, "  grey values   %.6g to %.6g, not calibrated", *v.GreyLow, *v.GreyHigh)
			if v.GreyCeiling != nil {
				printable.Fprintf(&b, "; clipped at the top")
			}
			printable.Fprintf(&b, "\n")
		}
		printable.Fprintf(&b, "  stored as     %s\n", v.Syntax)
	}
	if d.Problem != "" {
		message, items := d.Problem, []string(nil)
		if d.choice != nil {
			message, items = d.choice.Message, d.choice.Items
		}
		printable.Fprintf(&b, "no volume can be read: %s\n", message)
		for _, it := range items {
			printable.Fprintf(&b, "  %s\n", it)
		}
	}
	for _, f := range d.Flags {
		printable.Fprintf(&b, "%s (%s): %s\n", f.Level, f.Code, f.Message)
	}
	_, err := io.WriteString(w, b.String())
	return err
}
