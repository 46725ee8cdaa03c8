package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"debug/macho"
	"debug/pe"
	"encoding/binary"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"image"
	"image/png"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/CycloneDX/cyclonedx-go"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/tc-hib/winres"
	"github.com/tc-hib/winres/version"

	"plumbline/internal/cli"
)

var testRelease = release{"v1.2.3", time.Date(2026, 11, 30, 14, 5, 6, 0, time.UTC)}

// small builds a program that does nothing for a target.
func small(t *testing.T, o target) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "main.go"), []byte("package main\n\nfunc main() {}\n"), 0o644))
	path := filepath.Join(dir, "plumbline")
	c := exec.Command("go", "build", "-trimpath", "-o", path, "main.go")
	c.Dir, c.Env = dir, append(os.Environ(), "CGO_ENABLED=0", "GOOS="+o.system, "GOARCH="+o.processor, "GO111MODULE=off")
	out, err := c.CombinedOutput()
	require.NoError(t, err, string(out))
	return path
}

// checkWindows is what a program for Windows has to have: the formats are those of the PE
// format's specification, read by debug/pe and by the library's own reader.
func checkWindows(t *testing.T, path string, machine uint16, r release) {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	f, err := pe.NewFile(bytes.NewReader(data))
	require.NoError(t, err)
	assert.Equal(t, machine, f.Machine)
	require.NotNil(t, f.Section(".rsrc"))
	head, ok := f.OptionalHeader.(*pe.OptionalHeader64)
	require.True(t, ok)
	assert.NotZero(t, head.CheckSum)
	assert.NotZero(t, head.DataDirectory[pe.IMAGE_DIRECTORY_ENTRY_RESOURCE].Size)
	rs, err := winres.LoadFromEXE(bytes.NewReader(data))
	require.NoError(t, err)
	icon, err := rs.GetIcon(winres.ID(1))
	require.NoError(t, err)
	var ico bytes.Buffer
	require.NoError(t, icon.SaveICO(&ico))
	// The file's header: 0, 1, and how many pictures there are.
	assert.Equal(t, []byte{0, 0, 1, 0, byte(len(iconSizes)), 0}, ico.Bytes()[:6])
	asked := rs.Get(winres.RT_MANIFEST, winres.ID(1), winres.LCIDDefault)
	require.NotEmpty(t, asked)
	text := string(asked)
	assert.NoError(t, xml.Unmarshal(asked, new(struct{})))
	for _, want := range []string{"<longPathAware", "UTF-8</activeCodePage>", "PerMonitorV2", `level="asInvoker"`} {
		assert.Contains(t, text, want)
	}
	versions := 0
	rs.WalkType(winres.RT_VERSION, func(_ winres.Identifier, _ uint16, data []byte) bool {
		info, err := version.FromBytes(data)
		require.NoError(t, err)
		assert.Equal(t, r.numbers(), info.FileVersion)
		assert.Equal(t, r.numbers(), info.ProductVersion)
		words, err := json.Marshal(info)
		require.NoError(t, err)
		assert.Contains(t, string(words), fmt.Sprintf("%q:%q", version.ProductName, "plumbline"))
		assert.Contains(t, string(words), fmt.Sprintf("%q:%q", version.ProductVersion, r.version))
		assert.Contains(t, string(words), fmt.Sprintf("%q:%q", version.FileVersion, r.number()))
		versions++
		return true
	})
	assert.Equal(t, 1, versions)
}

func TestAWindowsProgramHasItsResources(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	for processor, machine := range map[string]uint16{"amd64": pe.IMAGE_FILE_MACHINE_AMD64, "arm64": pe.IMAGE_FILE_MACHINE_ARM64} {
		path := small(t, target{"windows", processor})
		data, err := os.ReadFile(path)
		require.NoError(t, err)
		_, err = winres.LoadFromEXE(bytes.NewReader(data))
		assert.ErrorIs(t, err, winres.ErrNoResources, "it has none of itself")
		require.NoError(t, addResources(path, testRelease))
		checkWindows(t, path, machine, testRelease)
	}
}

// The list is read back by the format's own library, and names what go list says is linked.
func TestThePartsAreListed(t *testing.T) {
	own, err := os.Executable()
	require.NoError(t, err)
	data, err := listParts(own, testRelease)
	require.NoError(t, err)
	var bom cyclonedx.BOM
	require.NoError(t, cyclonedx.NewBOMDecoder(bytes.NewReader(data), cyclonedx.BOMFileFormatJSON).Decode(&bom))
	assert.Equal(t, "2026-11-30T14:05:06Z", bom.Metadata.Timestamp)
	listed := map[string]string{}
	for _, c := range *bom.Components {
		listed[c.Name] = c.Version
	}
	assert.Equal(t, runtime.Version(), listed["std"])
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Version}}", "github.com/spf13/cobra").Output()
	require.NoError(t, err)
	assert.Equal(t, strings.TrimSpace(string(out)), listed["github.com/spf13/cobra"])
	assert.NotEmpty(t, bom.SpecVersion)
	_, err = listParts("main.go", testRelease)
	assert.Error(t, err)
}

// checkUniversal is what a universal program for macOS has to have.
func checkUniversal(t *testing.T, data []byte) {
	t.Helper()
	f, err := macho.NewFatFile(bytes.NewReader(data))
	require.NoError(t, err)
	require.Len(t, f.Arches, 2)
	var processors []macho.Cpu
	for _, a := range f.Arches {
		processors = append(processors, a.Cpu)
		assert.Equal(t, macho.TypeExec, a.Type)
		assert.Zero(t, a.Offset%(1<<fatAlign))
		assert.EqualValues(t, fatAlign, a.Align)
		if a.Cpu == macho.CpuArm64 {
			signed := false
			for _, l := range a.Loads {
				// LC_CODE_SIGNATURE of <mach-o/loader.h>: that processor runs nothing without.
				signed = signed || a.ByteOrder.Uint32(l.Raw()) == 0x1d
			}
			assert.True(t, signed, "the linker's own signature")
		}
	}
	assert.Equal(t, []macho.Cpu{macho.CpuAmd64, macho.CpuArm64}, processors)
}

func TestAUniversalProgramHoldsBoth(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	var thin [][]byte
	for _, processor := range []string{"amd64", "arm64"} {
		data, err := os.ReadFile(small(t, target{"darwin", processor}))
		require.NoError(t, err)
		thin = append(thin, data)
	}
	fat, err := fatMachO(thin)
	require.NoError(t, err)
	checkUniversal(t, fat)
	f, err := macho.NewFatFile(bytes.NewReader(fat))
	require.NoError(t, err)
	for i, a := range f.Arches {
		assert.Equal(t, thin[i], fat[a.Offset:a.Offset+a.Size], "unchanged")
	}
	_, err = fatMachO([][]byte{[]byte("no program")})
	assert.Error(t, err)
}

func TestTheIconIsAPlumbBob(t *testing.T) {
	for _, size := range []int{16, 32, 256} {
		img := drawn(size)
		at := func(x, y int) image.Point { return image.Pt(x*size/iconSide, y*size/iconSide) }
		colour := func(p image.Point) any { return img.RGBAAt(p.X, p.Y) }
		assert.Equal(t, brass, colour(at(24, 30)), size)
		assert.Equal(t, shade, colour(at(40, 30)), size)
		assert.Equal(t, paper, colour(at(8, 32)), size)
		assert.Less(t, img.RGBAAt(0, 0).A, uint8(16), "its corners are round")
	}
	assert.Contains(t, string(iconSVG()), `viewBox="0 0 64 64"`)
	assert.NoError(t, xml.Unmarshal(iconSVG(), new(struct{})))
	data, err := appleIcon()
	require.NoError(t, err)
	require.Equal(t, "icns", string(data[:4]))
	require.EqualValues(t, len(data), binary.BigEndian.Uint32(data[4:]))
	var widths []int
	for rest := data[8:]; len(rest) > 0; {
		n := binary.BigEndian.Uint32(rest[4:])
		c, err := png.DecodeConfig(bytes.NewReader(rest[8:n]))
		require.NoError(t, err)
		widths = append(widths, c.Width)
		rest = rest[n:]
	}
	assert.Equal(t, []int{32, 64, 128, 256, 512, 1024}, widths)
}

// unpacked reads an archive: the bytes of each file and whether it can be run.
func unpacked(t *testing.T, name string, data []byte) map[string]file {
	t.Helper()
	out := map[string]file{}
	if strings.HasSuffix(name, ".zip") {
		z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
		require.NoError(t, err)
		for _, f := range z.File {
			r, err := f.Open()
			require.NoError(t, err)
			text, err := io.ReadAll(r)
			require.NoError(t, err)
			out[f.Name] = file{f.Name, text, f.Mode()&0o111 != 0, f.Mode()&fs.ModeSymlink != 0}
		}
		return out
	}
	g, err := gzip.NewReader(bytes.NewReader(data))
	require.NoError(t, err)
	for r := tar.NewReader(g); ; {
		h, err := r.Next()
		if err == io.EOF {
			return out
		}
		require.NoError(t, err)
		text, err := io.ReadAll(r)
		require.NoError(t, err)
		out[h.Name] = file{h.Name, text, h.Mode&0o111 != 0, h.Typeflag == tar.TypeSymlink}
	}
}

// programs is a folder as build makes it, of programs that are none.
func programs(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	put := func(path, text string) {
		path = filepath.Join(dir, path)
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o755))
	}
	for _, o := range targets {
		put(o.program(), "program for "+o.system+" "+o.processor)
		put(filepath.Join(filepath.Dir(o.program()), partsName), "{}")
	}
	put(filepath.Join(universal, "plumbline"), "universal program")
	return dir
}

// checkArchive is what every archive has to have.
func checkArchive(t *testing.T, name string, data []byte) map[string]file {
	t.Helper()
	files := unpacked(t, name, data)
	top := ""
	if strings.HasSuffix(name, ".gz") {
		for f := range files {
			top, _, _ = strings.Cut(f, "/")
			top += "/"
		}
	}
	listed := strings.Count(string(files[top+sumsName].data), "\n")
	links := 0
	for _, f := range files {
		if f.link {
			assert.Contains(t, files, string(f.data), "it leads to a file of the archive")
			links++
		}
	}
	assert.Equal(t, len(files)-1-links, listed, "all but the list itself, and links")
	for line := range strings.Lines(string(files[top+sumsName].data)) {
		sum, f, _ := strings.Cut(strings.TrimSpace(line), "  ")
		assert.Equal(t, sum, fmt.Sprintf("%x", sha256.Sum256(files[top+f].data)), f)
	}
	for f, have := range files {
		base := filepath.Base(f)
		assert.Equal(t, base == "plumbline" && !strings.Contains(f, "share/") || base == "plumbline.exe" || base == "install.sh", have.program, f)
	}
	assert.Contains(t, string(files[top+"NOTICES.txt"].data), "The Go Authors")
	start := string(files[top+"START-HERE.txt"].data)
	assert.LessOrEqual(t, strings.Count(start, "\n"), 2*66, "two pages of 66 lines")
	for line := range strings.Lines(start) {
		assert.LessOrEqual(t, len(strings.TrimRight(line, "\r\n")), 84, line)
	}
	assert.NotContains(t, start, "<no value>")
	return files
}

func TestArchivesAreWhatAPersonNeeds(t *testing.T) {
	folder := programs(t)
	all, err := archives(testRelease, folder)
	require.NoError(t, err)
	has := map[string][]string{
		"plumbline-v1.2.3-windows.zip": {"plumbline.exe", "for Arm/plumbline.exe"},
		"plumbline-v1.2.3-macos.zip":   {"plumbline", "Plumbline.app/Contents/MacOS/plumbline", "Plumbline.app/Contents/Info.plist", "Plumbline.app/Contents/Resources/plumbline.icns"},
		"plumbline-v1.2.3-linux-amd64.tar.gz": {"plumbline-v1.2.3/plumbline", "plumbline-v1.2.3/install.sh", "plumbline-v1.2.3/share/man/man1/plumbline.1",
			"plumbline-v1.2.3/share/applications/plumbline.desktop", "plumbline-v1.2.3/share/bash-completion/completions/plumbline", "plumbline-v1.2.3/share/icons/hicolor/256x256/apps/plumbline.png"},
		"plumbline-v1.2.3-linux-arm64.tar.gz": {"plumbline-v1.2.3/plumbline"},
	}
	require.Len(t, all, len(has))
	for _, a := range all {
		data, err := a.packed(testRelease.time)
		require.NoError(t, err)
		again, err := a.packed(testRelease.time)
		require.NoError(t, err)
		assert.Equal(t, data, again, "the same bytes")
		files := checkArchive(t, a.name, data)
		for _, want := range has[a.name] {
			assert.Contains(t, files, want, a.name)
		}
		switch {
		case strings.Contains(a.name, "windows"):
			assert.Contains(t, string(files["START-HERE.txt"].data), "Run anyway\".\r\n")
		case strings.Contains(a.name, "macos"):
			assert.True(t, files["plumbline"].link, "one program, or the archive were twice as large")
			plist := files["Plumbline.app/Contents/Info.plist"].data
			assert.NoError(t, xml.Unmarshal(plist, new(struct{})))
			assert.Contains(t, string(plist), "<string>2026.11.30.1405</string>")
		}
	}
	_, err = archives(testRelease, t.TempDir())
	assert.Error(t, err, "there are no programs")
}

// Unpacked on Linux, the program goes into a home folder and away again.
func TestLinuxIsInstalledIntoAHome(t *testing.T) {
	all, err := archives(testRelease, programs(t))
	require.NoError(t, err)
	dir, home := t.TempDir(), filepath.Join(t.TempDir(), "a home")
	for _, a := range all {
		if strings.Contains(a.name, "linux-amd64") {
			data, err := a.packed(testRelease.time)
			require.NoError(t, err)
			unpack := exec.Command("tar", "xz", "-C", dir)
			unpack.Stdin = bytes.NewReader(data)
			out, err := unpack.CombinedOutput()
			require.NoError(t, err, string(out))
		}
	}
	install := func(args ...string) {
		c := exec.Command("sh", append([]string{filepath.Join(dir, "plumbline-v1.2.3", "install.sh")}, args...)...)
		c.Env = []string{"HOME=" + home, "PATH=" + os.Getenv("PATH")}
		out, err := c.CombinedOutput()
		require.NoError(t, err, string(out))
	}
	install()
	install() // an earlier one is replaced
	installed := filepath.Join(home, ".local", "bin", "plumbline")
	text, err := os.ReadFile(installed)
	require.NoError(t, err)
	assert.Equal(t, "program for linux amd64", string(text))
	entry, err := os.ReadFile(filepath.Join(home, ".local", "share", "applications", "plumbline.desktop"))
	require.NoError(t, err)
	assert.Contains(t, string(entry), "\nExec=\""+installed+"\" open\n")
	assert.FileExists(t, filepath.Join(home, ".local", "share", "man", "man1", "plumbline.1"))
	install("--remove")
	left := 0
	require.NoError(t, filepath.WalkDir(home, func(_ string, d os.DirEntry, err error) error {
		if !d.IsDir() {
			left++
		}
		return err
	}))
	assert.Zero(t, left)
}

// What make dist made, where it did: whole programs of this commit.
func TestWhatWasMade(t *testing.T) {
	folder := os.Getenv("DIST")
	if folder == "" {
		t.Skip("make dist runs this on what it made")
	}
	made, err := committed()
	require.NoError(t, err)
	r := release{os.Getenv("VERSION"), made}
	base := filepath.Join(folder, "plumbline-"+r.version)
	// Bytes: a practice's line takes them in a minute at 3 Mbit/s.
	const most = 25_000_000
	got := map[string]map[string]file{}
	for _, end := range []string{"-windows.zip", "-macos.zip", "-linux-amd64.tar.gz", "-linux-arm64.tar.gz"} {
		data, err := os.ReadFile(base + end)
		require.NoError(t, err)
		assert.LessOrEqual(t, len(data), most, end)
		got[end] = checkArchive(t, base+end, data)
	}
	for name, machine := range map[string]uint16{"plumbline.exe": pe.IMAGE_FILE_MACHINE_AMD64, "for Arm/plumbline.exe": pe.IMAGE_FILE_MACHINE_ARM64} {
		path := filepath.Join(t.TempDir(), "plumbline.exe")
		require.NoError(t, os.WriteFile(path, got["-windows.zip"][name].data, 0o755))
		checkWindows(t, path, machine, r)
	}
	checkDrawings(t, r, got["-linux-amd64.tar.gz"]["plumbline-"+r.version+"/plumbline"].data)
	checkUniversal(t, got["-macos.zip"]["Plumbline.app/Contents/MacOS/plumbline"].data)
	for end, files := range got {
		for name, f := range files {
			if strings.HasSuffix(name, partsName) {
				assert.Contains(t, string(f.data), `"bomFormat": "CycloneDX"`, end)
				assert.Contains(t, string(f.data), "pkg:golang/github.com/spf13/cobra@", end)
			}
		}
	}
}

// checkDrawings holds a program for this machine to what the tested code draws: it was built
// without the plot library's own fonts.
func checkDrawings(t *testing.T, r release, program []byte) {
	t.Helper()
	if runtime.GOOS != "linux" || runtime.GOARCH != "amd64" {
		return
	}
	dir := t.TempDir()
	path := filepath.Join(dir, "plumbline")
	require.NoError(t, os.WriteFile(path, program, 0o755))
	here := func(args ...string) {
		var said bytes.Buffer
		require.Zero(t, cli.Run(t.Context(), args, cli.Env{Stdout: &said, Stderr: &said, Now: time.Now, Version: r.version}), said.String())
	}
	series := filepath.Join(dir, "s.jsonl")
	here("series", "import", filepath.Join("..", "..", "internal", "cli", "testdata", "series-table.csv"), series)
	for _, end := range []string{".html", ".pdf"} {
		theirs, ours := filepath.Join(dir, "theirs"+end), filepath.Join(dir, "ours"+end)
		out, err := exec.Command(path, "report", "--clinician", "clinician-a", series, theirs).CombinedOutput()
		require.NoError(t, err, string(out))
		here("report", "--clinician", "clinician-a", series, ours)
		want, err := os.ReadFile(ours)
		require.NoError(t, err)
		have, err := os.ReadFile(theirs)
		require.NoError(t, err)
		assert.Contains(t, string(want), map[string]string{".html": "<svg", ".pdf": "/Font"}[end])
		assert.True(t, bytes.Equal(want, have), "the %s report", end)
	}
}
