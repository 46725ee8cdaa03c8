package scan

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
)

// slicesOf are the files of a small scan, by name.
func slicesOf(t testing.TB, o encode.Options) map[string][]byte {
	dir := t.TempDir()
	require.NoError(t, encode.Volume(dir, axial(12), o))
	out := map[string][]byte{}
	names, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, n := range names {
		b, err := os.ReadFile(filepath.Join(dir, n.Name()))
		require.NoError(t, err)
		out[n.Name()] = b
	}
	return out
}

// archive packs files, with prefix before each name.
func archive(t testing.TB, prefix string, files map[string][]byte) []byte {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		w, err := z.Create(prefix + name)
		require.NoError(t, err)
		_, err = w.Write(files[name])
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return b.Bytes()
}

// trap is a folder that means harm, or looks as if it did.
type trap struct {
	name string
	make func(t *testing.T, dir string)
	want string // error; "" when the scan can be read
	flag string // code: message
}

func traps() []trap {
	return []trap{
		{name: "link out of the folder", make: func(t *testing.T, dir string) {
			outside := filepath.Join(t.TempDir(), "secret")
			require.NoError(t, os.WriteFile(outside, slicesOf(t, encode.Options{})["IM0001.dcm"], 0o644))
			require.NoError(t, os.Symlink(outside, filepath.Join(dir, "link")))
			require.NoError(t, encode.Volume(dir, axial(12), encode.Options{}))
		}, flag: "not-looked-into: not looked into: DIR/link is a link that leads out of the folder or nowhere"},
		{name: "folder in a circle", make: func(t *testing.T, dir string) {
			require.NoError(t, encode.Volume(filepath.Join(dir, "a"), axial(12), encode.Options{}))
			require.NoError(t, os.Symlink("..", filepath.Join(dir, "a", "up")))
			require.NoError(t, os.Symlink("a", filepath.Join(dir, "again")))
		}, flag: "not-looked-into: not looked into: DIR/a/up is a link to a folder; DIR/again is a link to a folder"},
		{name: "folders too deep", make: func(t *testing.T, dir string) {
			require.NoError(t, encode.Volume(dir, axial(12), encode.Options{}))
			require.NoError(t, encode.Volume(filepath.Join(dir, strings.Repeat("d/", maxLevel+2)), axial(12), encode.Options{}))
		}, flag: "not-looked-into: not looked into: DIR/" + strings.Repeat("d/", maxLevel) + "d lies more than 32 folders deep"},
		{name: "archive with names that lead out", make: func(t *testing.T, dir string) {
			put(t, dir, "scan.zip", archive(t, "../../", slicesOf(t, encode.Options{})))
		}},
		{name: "archive beside the scan", make: func(t *testing.T, dir string) {
			require.NoError(t, encode.Volume(dir, axial(12), encode.Options{}))
			put(t, dir, "more.zip", archive(t, "", slicesOf(t, encode.Options{})))
		}, flag: "not-looked-into: not looked into: DIR/more.zip is an archive"},
		{name: "archive in an archive", make: func(t *testing.T, dir string) {
			put(t, dir, "scan.zip", archive(t, "", map[string][]byte{"inner.zip": archive(t, "", slicesOf(t, encode.Options{}))}))
		}, want: "DIR/scan.zip has 1 zip archive and no DICOM files beside them, such as DIR/scan.zip: inner.zip; give the one with the scan, or unpack it"},
		{name: "archive with a password", make: func(t *testing.T, dir string) {
			b := archive(t, "", slicesOf(t, encode.Options{}))
			at := bytes.Index(b, []byte("PK\x01\x02"))
			b[at+8] |= 1 // general purpose flag of the first directory entry
			put(t, dir, "scan.zip", b)
		}, want: "DIR/scan.zip is locked with a password; unpack it and give the folder"},
		{name: "archive that claims more than it holds", make: func(t *testing.T, dir string) {
			b := archive(t, "", map[string][]byte{"bomb": bytes.Repeat([]byte{1}, 1000)})
			at := bytes.Index(b, []byte("PK\x01\x02"))
			binary.LittleEndian.PutUint32(b[at+24:], 1<<31) // uncompressed size
			put(t, dir, "scan.zip", b)
		}, want: "DIR/scan.zip holds nothing that can be looked into: DIR/scan.zip: bomb claims more than its bytes can hold; give the folder that holds the scan itself"},
		{name: "archive whose files lie over each other", make: func(t *testing.T, dir string) {
			put(t, dir, "scan.zip", overlapping(archive(t, "", map[string][]byte{"a": slicesOf(t, encode.Options{})["IM0001.dcm"]}), 20))
		}, want: "DIR/scan.zip is a damaged zip archive (its files claim more bytes than it has, so they lie over each other); have it packed again"},
		{name: "archive of very many files", make: func(t *testing.T, dir string) {
			put(t, dir, "scan.zip", overlapping(archive(t, "", map[string][]byte{"a": nil}), maxFiles+1))
		}, want: "DIR/scan.zip holds more than 50000 files; unpack it and give the folder of the scan itself"},
		{name: "very many slices", make: func(t *testing.T, dir string) {
			b := slicesOf(t, encode.Options{Layout: encode.PlainMultiFrame, Syntax: "1.2.840.10008.1.2.5", Change: every(func(d *element.Dataset) {
				d.Set(tag.NumberOfFrames, fmt.Sprint(maxFrames))
				d.SetVR(tag.PixelData, "OB", element.Fragments{Parts: [][]byte{make([]byte, 8*maxFrames)}})
			})})["IM0001.dcm"]
			for i := range maxParts/maxFrames + 1 {
				put(t, dir, fmt.Sprint("IM", i), b)
			}
		}, want: "DIR holds more than 200000 slices; give the folder of the scan itself"},
		{name: "slices in very many directions", make: func(t *testing.T, dir string) {
			v := axial(maxStacks + 1)
			require.NoError(t, encode.Volume(dir, v, encode.Options{Layout: encode.EnhancedCT, Change: every(func(d *element.Dataset) {
				own := (*d)[tag.PerFrameFunctionalGroupsSequence].Items
				for i := range own {
					sin, cos := math.Sincos(float64(i%250) * math.Pi / 125)
					var turned, measured element.Dataset
					turned.Set(tag.ImageOrientationPatient, element.FormatDecimals(cos, sin, 0, -sin, cos, 0))
					own[i].Set(tag.PlaneOrientationSequence, []element.Dataset{turned})
					mm := 0.1 + 0.1*float64(i/250)
					measured.Set(tag.PixelSpacing, element.FormatDecimals(mm, mm))
					own[i].Set(tag.PixelMeasuresSequence, []element.Dataset{measured})
				}
			})}))
		}, want: "DIR/IM0001.dcm: its series lies in more than 1000 directions or places; export the scan again, as a CT series"},
		{name: "something that is no file", make: func(t *testing.T, dir string) {
			require.NoError(t, encode.Volume(dir, axial(12), encode.Options{}))
			t.Chdir(dir) // a socket's path must be short
			l, err := net.Listen("unix", "s")
			require.NoError(t, err)
			t.Cleanup(func() { l.Close() })
		}, flag: "not-looked-into: not looked into: DIR/s is no ordinary file"},
		{name: "archive cut short", make: func(t *testing.T, dir string) {
			b := archive(t, "", slicesOf(t, encode.Options{}))
			put(t, dir, "scan.zip", b[:len(b)/2])
		}, want: "DIR/scan.zip is a damaged zip archive (zip: not a valid zip file); copy it again, or unpack it and give the folder"},
		{name: "archive with a damaged entry", make: func(t *testing.T, dir string) {
			files := slicesOf(t, encode.Options{})
			b := archive(t, "", files)
			// The last entry's checksum in the directory does not fit its bytes.
			at := bytes.LastIndex(b, []byte("PK\x01\x02"))
			b[at+16] ^= 1
			put(t, dir, "scan.zip", b)
		}, want: "DIR/scan.zip: IM0012.dcm: the file cannot be unpacked, its bytes are damaged; copy it again"},
	}
}

// overlapping lists an archive's one file n times.
func overlapping(b []byte, n int) []byte {
	end := len(b) - 22 // of the directory, which has one entry (APPNOTE 4.3.12, 4.3.16)
	from := bytes.Index(b, []byte("PK\x01\x02"))
	out := append(bytes.Clone(b[:from]), bytes.Repeat(b[from:end], n)...)
	tail := bytes.Clone(b[end:])
	binary.LittleEndian.PutUint16(tail[8:], uint16(n))
	binary.LittleEndian.PutUint16(tail[10:], uint16(n))
	binary.LittleEndian.PutUint32(tail[12:], uint32(n*(end-from)))
	return append(out, tail...)
}

// TestStreamedHeaders unpacks no more before the pixels of an archive's files
// than is allowed for all of them together.
func TestStreamedHeaders(t *testing.T) {
	defer func(n int64) { maxUnpacked = n }(maxUnpacked)
	files := map[string][]byte{}
	for i := range 4 {
		files[fmt.Sprint(i)] = append(head(t, uid.ExplicitVRLittleEndian), append(explicit(9, 0x1001, "OB", 1<<20), make([]byte, 1<<20)...)...)
	}
	dir := t.TempDir()
	put(t, dir, "scan.zip", archive(t, "", files))
	maxUnpacked = 3 << 20
	_, err := Open(dir, Options{})
	assert.EqualError(t, err, filepath.Join(dir, "scan.zip")+" holds more than 3 MB before the pixels of its files; unpack it and give the folder of the scan itself")
	maxUnpacked = 5 << 20
	_, err = Open(dir, Options{})
	assert.ErrorContains(t, err, "has no images")
}

// TestHostile shows what becomes of traps. Nothing outside the folder is read,
// nothing is written.
func TestHostile(t *testing.T) {
	for _, c := range traps() {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			c.make(t, dir)
			got, err := Open(dir, Options{})
			if c.want != "" {
				require.Error(t, err)
				text := strings.ReplaceAll(err.Error(), dir, "DIR")
				assert.Equal(t, c.want, text)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, axial(12).Stored, got.Stored)
			if c.flag == "" {
				assert.Empty(t, got.Flags)
				return
			}
			require.Len(t, got.Flags, 1)
			assert.Equal(t, c.flag, got.Flags[0].Code+": "+strings.ReplaceAll(got.Flags[0].Message, dir, "DIR"))
		})
	}
}

func put(t testing.TB, dir, name string, b []byte) {
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, name), b, 0o644))
}

// TestChanged reads a scan of which a file changes between its header and its
// pixels.
func TestChanged(t *testing.T) {
	for _, syntax := range []string{uid.ExplicitVRLittleEndian, uid.DeflatedExplicitVRLittleEndian} {
		dir := t.TempDir()
		require.NoError(t, encode.Volume(dir, axial(12), encode.Options{Syntax: syntax}))
		found, err := surveyPath(dir)
		require.NoError(t, err)
		st, err := found.chooseStack(Options{})
		require.NoError(t, err)
		path := filepath.Join(dir, "IM0007.dcm")
		require.NoError(t, os.Chtimes(path, time.Time{}, time.Now().Add(time.Hour)))
		_, err = st.openStack(dir, Options{})
		assert.EqualError(t, err, path+": the file changed while it was read; wait until copying has ended and try again")
		require.NoError(t, found.source.close())
	}
}

// compressed is pixel data of RLE frames, whole or damaged.
type compressed struct {
	name   string
	f      element.Fragments
	change func(d *element.Dataset)
	cut    int
	want   string
}

func compressedPixels() []compressed {
	frame := func(n byte) []byte { // 6 × 5 voxels of value n: two segments of runs
		b := make([]byte, 64)
		b[0], b[4], b[8] = 2, 64, 68
		return append(b, 256-29, 0, 128, 0, 256-29, n, 128, 0)
	}
	var whole [][]byte
	for k := range 12 {
		whole = append(whole, frame(byte(k)))
	}
	halves := func() (out [][]byte) {
		for _, f := range whole {
			out = append(out, f[:36], f[36:])
		}
		return out
	}
	offsets := func(each, n int) (out []uint32) {
		for i := range n {
			out = append(out, uint32(each*i))
		}
		return out
	}
	const again = "; export the scan again"
	return []compressed{
		{name: "one a frame", f: element.Fragments{Parts: whole}},
		{name: "with an offset table", f: element.Fragments{Offsets: offsets(80, 12), Parts: whole}},
		{name: "two a frame by the offset table", f: element.Fragments{Offsets: offsets(88, 12), Parts: halves()}},
		{name: "two a frame by the extended offset table", f: element.Fragments{Parts: halves()}, change: func(d *element.Dataset) {
			var at []uint64
			for i := range 12 {
				at = append(at, uint64(88*i))
			}
			d.SetVR(tag.ExtendedOffsetTable, "OV", at)
		}},
		{name: "empty last fragment", f: element.Fragments{Parts: append(append([][]byte{}, whole...), nil)}},
		{name: "two a frame without a table", f: element.Fragments{Parts: halves()},
			want: "it has 24 fragments for 12 frames and no table that says which belong together" + again},
		{name: "a frame is missing", f: element.Fragments{Parts: whole[:11]},
			want: "the file is cut short: it has 11 frames of 12" + again},
		{name: "no fragment", f: element.Fragments{},
			want: "the file is cut short: it has 0 frames of 12" + again},
		{name: "offset table for other frames", f: element.Fragments{Offsets: offsets(88, 11), Parts: halves()},
			want: "its offset table is for 11 frames, expected 12" + again},
		{name: "offset table points between fragments", f: element.Fragments{Offsets: offsets(87, 12), Parts: halves()},
			want: "its offset table points to byte 87 for frame 2, where no fragment begins" + again},
		{name: "offset table of odd length", f: element.Fragments{Parts: whole}, change: func(d *element.Dataset) {
			b := []byte{0xFE, 0xFF, 0x00, 0xE0, 6, 0, 0, 0, 1, 2, 3, 4, 5, 6}
			d.SetVR(tag.PixelData, "OB", b)
		}, want: "the pixels are said to be compressed (RLE Lossless) but are not in fragments; export the scan again, as a CT series"},
		{name: "extended offset table for other frames", f: element.Fragments{Parts: halves()}, change: func(d *element.Dataset) {
			d.SetVR(tag.ExtendedOffsetTable, "OV", []uint64{0})
		}, want: "ExtendedOffsetTable (7fe0,0001) has 8 bytes, expected 8 for each of 12 frames; export the scan again, as a CT series"},
		{name: "no end mark", f: element.Fragments{Parts: whole}, cut: 8,
			want: "the file is cut short: its fragments have no end mark" + again},
		{name: "cut in a frame", f: element.Fragments{Parts: whole}, cut: 20,
			want: "the file is cut short: a fragment claims 72 bytes, 60 are left" + again},
		{name: "a damaged frame", f: element.Fragments{Parts: append(append([][]byte{}, whole[:11]...), make([]byte, 72))},
			want: "frame 12: RLE frame: header at byte 0: 0 segments, 1 to 15 expected; the file is damaged, export it again"},
	}
}

// TestFragments shows what becomes of damaged compressed pixels.
func TestFragments(t *testing.T) {
	for _, c := range compressedPixels() {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			require.NoError(t, encode.Volume(dir, axial(12), encode.Options{Layout: encode.EnhancedCT, Syntax: "1.2.840.10008.1.2.5",
				Change: func(_ int, d *element.Dataset) {
					d.SetVR(tag.PixelData, "OB", c.f)
					if c.change != nil {
						c.change(d)
					}
				}}))
			if c.cut > 0 {
				truncate(t, dir, "IM0001.dcm", c.cut)
			}
			got, err := Open(dir, Options{})
			if c.want != "" {
				require.Error(t, err)
				assert.Equal(t, c.want, strings.TrimPrefix(err.Error(), filepath.Join(dir, "IM0001.dcm")+": "))
				return
			}
			require.NoError(t, err)
			for i, w := range got.Stored {
				require.Equal(t, uint16(i/30), w)
			}
		})
	}
}

// head is a file's preamble and file meta information.
func head(t testing.TB, syntax string) []byte {
	b, err := element.Encode(syntax, element.Dataset{})
	require.NoError(t, err)
	return b[:132+12+binary.LittleEndian.Uint32(b[132+8:])] // up to the end of group 2
}

// explicit is an element's head in explicit little endian with a long length.
func explicit(group, element uint16, vr string, length uint32) []byte {
	b := binary.LittleEndian.AppendUint16(nil, group)
	b = binary.LittleEndian.AppendUint16(b, element)
	b = append(b, vr...)
	b = append(b, 0, 0)
	return binary.LittleEndian.AppendUint32(b, length)
}

// bomb is a small file that asks for much memory.
type bomb struct {
	name string
	b    []byte
	want string
}

func bombs(t testing.TB) []bomb {
	file := func(change func(d *element.Dataset)) []byte {
		return slicesOf(t, encode.Options{Layout: encode.PlainMultiFrame, Change: every(change)})["IM0001.dcm"]
	}
	packed := func(b []byte) []byte {
		var out bytes.Buffer
		w, err := flate.NewWriter(&out, flate.BestCompression)
		require.NoError(t, err)
		_, err = w.Write(b)
		require.NoError(t, err)
		require.NoError(t, w.Close())
		return out.Bytes()
	}
	large := append(explicit(8, 1, "OB", 300<<20), make([]byte, 1<<20)...)
	return []bomb{
		{"pixels of 4 GB", append(file(func(d *element.Dataset) { delete(*d, tag.PixelData) }), explicit(0x7FE0, 0x10, "OW", 0xFFFFFFF0)...),
			"FILE: the file is cut short: 0 of 4294967280 bytes of pixels are there; export the scan again, as a CT series"},
		{"an element of 4 GB", append(head(t, uid.ExplicitVRLittleEndian), explicit(0x10, 0x10, "OB", 0xFFFFFFF0)...),
			"FILE: the file is cut short: element (0010,0010) claims 4294967280 bytes, 0 are left; export the scan again"},
		{"the largest frames", file(func(d *element.Dataset) {
			d.Set(tag.Rows, []uint16{maxSide})
			d.Set(tag.Columns, []uint16{maxSide})
		}), "FILE: the file is cut short: SIZE bytes are too few for 12 frames of 16384 × 16384 voxels; export the scan again, as a CT series"},
		{"the largest number of frames", file(func(d *element.Dataset) { d.Set(tag.NumberOfFrames, "16384") }),
			"FILE: the file is cut short: SIZE bytes are too few for 16384 frames of 6 × 5 voxels; export the scan again, as a CT series"},
		{"nesting", append(head(t, uid.ExplicitVRLittleEndian), bytes.Repeat(append(explicit(8, 0x1140, "SQ", 0xFFFFFFFF), 0xFE, 0xFF, 0x00, 0xE0, 0xFF, 0xFF, 0xFF, 0xFF), 1000)...),
			"FILE: sequences nested more than 64 deep; export the scan again"},
		{"items", append(append(head(t, uid.ExplicitVRLittleEndian), explicit(0x5200, 0x9230, "SQ", 0xFFFFFFFF)...), bytes.Repeat([]byte{0xFE, 0xFF, 0x00, 0xE0, 0, 0, 0, 0}, 2*maxItems)...),
			"FILE: more than 98304 sequence items; export the scan again"},
		{"a value of 1 MB", append(head(t, uid.ExplicitVRLittleEndian), append(explicit(0x20, 0x37, "UT", 1<<20), bytes.Repeat([]byte("1"), 1<<20)...)...),
			"FILE has no images: 1 report or other file in DICOM form, such as FILE"},
		{"deflated header of 300 MB", append(head(t, uid.DeflatedExplicitVRLittleEndian), packed(large)...),
			"FILE: the file is cut short: element (0008,0001) claims 314572800 bytes, 268435444 are left; export the scan again"},
		{"zeros, deflated", append(head(t, uid.DeflatedExplicitVRLittleEndian), packed(make([]byte, 8<<20))...),
			"FILE has no images: 1 report or other file in DICOM form, such as FILE"},
	}
}

// TestBombs opens small files that ask for much memory: no more is taken than a
// few times their size and what a decoder needs to start.
func TestBombs(t *testing.T) {
	for _, c := range bombs(t) {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "bomb")
			require.NoError(t, os.WriteFile(path, c.b, 0o644))
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := Open(path, Options{MemoryBudget: 1 << 20})
			runtime.ReadMemStats(&after)
			require.Error(t, err)
			text := strings.ReplaceAll(err.Error(), path, "FILE")
			assert.Equal(t, c.want, strings.ReplaceAll(text, fmt.Sprintf(" %d bytes are too", len(c.b)), " SIZE bytes are too"))
			limit := uint64(20*len(c.b) + 2<<20)
			assert.Less(t, after.TotalAlloc-before.TotalAlloc, limit)
		})
	}
}

// TestNoNames writes a person's name and number into a scan and damages it in
// many ways: neither is ever in a message.
func TestNoNames(t *testing.T) {
	named := func(d *element.Dataset) {
		d.Set(tag.PatientName, "SECRET^NAME")
		d.Set(tag.PatientID, "SECRET1")
		d.Set(tag.PatientBirthDate, "19010203")
		d.Set(tag.InstitutionName, "SECRET")
		d.Set(tag.AccessionNumber, "SECRET")
	}
	clean := func(t *testing.T, dir string) {
		d, err := Describe(dir, Options{})
		require.NoError(t, err)
		var b bytes.Buffer
		require.NoError(t, d.WriteText(&b))
		got, err := Open(dir, Options{})
		asJSON, jsonErr := json.Marshal(d)
		require.NoError(t, jsonErr)
		text := fmt.Sprintf("%+v\n%s\n%s\n%+v %v", *d, b.String(), asJSON, got, err)
		assert.NotContains(t, text, "SECRET")
		assert.NotContains(t, text, "19010203")
	}
	changes := map[string]func(k int, d *element.Dataset){
		"whole":        func(int, *element.Dataset) {},
		"two patients": at(4, func(d *element.Dataset) { d.Set(tag.PatientID, "SECRET2") }),
		"bad UID":      set(tag.SeriesInstanceUID, "SECRET^NAME"),
		"bad modality": set(tag.Modality, "SECRET, the name of a person"),
		"bad date":     set(tag.StudyDate, "SECRET"),
		"bad syntax":   set(tag.FrameOfReferenceUID, "SECRET"),
		"colour":       set(tag.PhotometricInterpretation, "SECRET"),
		"unplaced":     remove(tag.ImagePositionPatient),
		"no pixels":    remove(tag.PixelData),
		"doubled":      set(tag.ImagePositionPatient, `1\2\3`),
		"bad spacing":  set(tag.PixelSpacing, "SECRET^NAME"),
		"bad frames":   set(tag.NumberOfFrames, "SECRET"),
		"no rescale":   set(tag.RescaleSlope, "SECRET"),
		"odd meaning":  set(tag.ImageType, `SECRET\LOCALIZER`),
	}
	for name, change := range changes {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			require.NoError(t, encode.Volume(dir, axial(12), encode.Options{Change: func(k int, d *element.Dataset) {
				named(d)
				change(k, d)
			}}))
			clean(t, dir)
		})
	}
	whole := slicesOf(t, encode.Options{Change: every(named)})["IM0001.dcm"]
	dir := t.TempDir()
	for n := 0; n < len(whole); n += 7 {
		put(t, dir, "cut", whole[:n])
		clean(t, dir)
	}
}

// TestStops shows that a file's unreadable neighbours do not stop a scan.
func TestStops(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, encode.Volume(dir, axial(12), encode.Options{}))
	put(t, dir, "empty.dcm", nil)
	put(t, dir, "notes.txt", []byte("text"))
	put(t, dir, ".hidden", nil)
	got, err := Open(dir, Options{})
	require.NoError(t, err)
	require.Len(t, got.Flags, 1)
	assert.Equal(t, "unreadable-file", got.Flags[0].Code)
	assert.Equal(t, "files that cannot be read and were left out: "+filepath.Join(dir, "empty.dcm")+": the file is empty", got.Flags[0].Message)
}

// TestDamagedEntry leaves out a file of an archive whose packed bytes are damaged
// before it says which series it belongs to, and says so.
func TestDamagedEntry(t *testing.T) {
	dir := t.TempDir()
	b := archive(t, "", slicesOf(t, encode.Options{}))
	b[bytes.LastIndex(b, []byte("PK\x03\x04"))+30+len("IM0012.dcm")] = 0xFF // a kind of block that does not exist
	put(t, dir, "scan.zip", b)
	got, err := Open(dir, Options{})
	require.NoError(t, err)
	assert.Equal(t, 11, got.Size[2])
	require.Len(t, got.Flags, 1)
	assert.Equal(t, "files that cannot be read and were left out: "+filepath.Join(dir, "scan.zip")+": IM0012.dcm: the file cannot be unpacked, its bytes are damaged; copy it again", got.Flags[0].Message)
}
