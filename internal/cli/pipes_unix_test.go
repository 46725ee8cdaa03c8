//go:build unix

package cli

import (
	"net"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A named pipe that nobody writes to would be waited for, and a device has no end:
// both are refused at once, wherever a file is named.
func TestOnlyOrdinaryFilesAreRead(t *testing.T) {
	t.Chdir(seriesWorld(t))
	rampCase(t, "scanned")
	require.NoError(t, syscall.Mkfifo("pipe", 0o600))
	for _, name := range []string{"pipe.json", "pipe.csv", "pipe.zip", "pipe.stl", "pipe.dcm"} {
		require.NoError(t, syscall.Mkfifo(name, 0o600))
	}
	writePlan(t, "piped-scan", `pre = "pre"`, `pre = "pipe"`)
	rampCase(t, "piped-scan", `pre = "pre"`, `pre = "pipe"`)
	require.NoError(t, syscall.Mkfifo("piped-scan/pipe", 0o600))
	rampCase(t, "piped-slice")
	require.NoError(t, syscall.Mkfifo("piped-slice/pre/IM9999.dcm", 0o600))
	rampCase(t, "piped-mesh", "entry = [-3, 26, 15]\napex = [-3, 26, 7]\n", "mesh = \"mesh.stl\"\n")
	require.NoError(t, syscall.Mkfifo("piped-mesh/mesh.stl", 0o600))
	rampCase(t, "piped-surface", "[alignment]", "[[structure]]\nname = \"sinus\"\nkind = \"sinus\"\nsurface = \"s.stl\"\n\n[alignment]")
	require.NoError(t, syscall.Mkfifo("piped-surface/s.stl", 0o600))
	socket, err := net.Listen("unix", "socket")
	require.NoError(t, err)
	defer socket.Close()
	require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)

	for _, line := range [][]string{
		{"measure", "pipe"}, {"align", "pipe"}, {"seal", "--series", "s.jsonl", "pipe"}, {"seal", "--series", "s.jsonl", "/dev/zero"},
		{"measure", "piped-scan"}, {"measure", "piped-mesh"}, {"measure", "piped-surface"}, {"seal", "--series", "s.jsonl", "piped-mesh"},
		{"scan", "pipe"}, {"scan", "/dev/zero"},
		{"case", "pipe.csv"}, {"case", "/dev/zero"},
		{"report", "pipe.json", "a.html"}, {"report", "/dev/zero", "a.html"}, {"report", "socket", "a.html"},
		{"series", "check", "pipe"}, {"series", "check", "/dev/zero"}, {"series", "check", "socket"}, {"series", "show", "pipe"},
		{"series", "export", "--csv", "a.csv", "pipe"}, {"series", "import", "pipe.csv", "s.jsonl"}, {"series", "import", "past.csv", "pipe"},
		{"series", "import", "/dev/zero", "s.jsonl"}, {"series", "remark", "--by", "a", "--text", "b", "pipe"},
		{"seal", "--series", "pipe", "C-1"}, {"seal", "--series", "/dev/null", "C-1"}, {"measure", "--series", "pipe", "scanned"},
		{"pack", "pipe", "a.zip"}, {"pack", "--check", "pipe.zip"}, {"pack", "--check", "/dev/zero"},
		// and as what is to be written
		{"measure", "--json", "pipe.json", "scanned"}, {"measure", "--json", "/dev/null", "scanned"}, {"measure", "--report", "pipe.dcm", "scanned"},
		{"align", "--picture", "pipe", "scanned"}, {"series", "export", "--csv", "pipe.csv", "s.jsonl"}, {"series", "export", "--csv", "/dev/stdout", "s.jsonl"},
		{"pack", "s.jsonl", "pipe.zip", "--overwrite"},
	} {
		got := run(line...)
		assert.Equal(t, BadInput, got.status, "%s: %s", quoted(line), got.stderr)
		assert.Regexp(t, `ordinary file|neither a folder nor a file|not a series file`, got.stderr, quoted(line))
	}
	got := run("scan", "piped-slice/pre")
	assert.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "is no ordinary file")
}
