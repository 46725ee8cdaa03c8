package scan

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var update = flag.Bool("update", false, "write testdata/hostile.md anew")

// TestTable writes what TestFaults, TestFolders, TestHostile, TestFragments and
// TestBombs hold to be true as one table for a person.
func TestTable(t *testing.T) {
	var b strings.Builder
	b.WriteString("Bad and hostile input, and what is said about it. DIR is the folder that was\ngiven, FILE the file. Written by `go test ./internal/dicom/scan -run TestTable -update`.\n")
	rows := 0
	section := func(title string) { fmt.Fprintf(&b, "\n## %s\n\n| input | message |\n| --- | --- |\n", title) }
	row := func(name, message string) {
		rows++
		fmt.Fprintf(&b, "| %s | %s |\n", name, strings.NewReplacer("|", `\|`, "\n", "<br>").Replace(message))
	}
	section("Slices that make no volume, or not rightly")
	for _, c := range faults() {
		row(c.name, c.want)
	}
	section("What lies at a path")
	for _, c := range folders() {
		row(c.name, c.want)
	}
	section("Links, folders and archives")
	for _, c := range traps() {
		switch {
		case c.want != "":
			row(c.name, c.want)
		case c.flag != "":
			row(c.name, "is read, with the remark "+c.flag)
		default:
			row(c.name, "is read; nothing is written")
		}
	}
	section("Compressed pixels")
	for _, c := range compressedPixels() {
		if c.want != "" {
			row(c.name, c.want)
		}
	}
	section("Small files that ask for much memory")
	for _, c := range bombs(t) {
		row(c.name, c.want)
	}
	require.Greater(t, rows, 100)
	const path = "testdata/hostile.md"
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(b.String()), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, string(want), b.String())
}
