package cli

import (
	"fmt"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// order has the internal packages from upstream to downstream. A package may
// import those of the lines above its own, and no others.
var order = [][]string{
	// what everything is said in
	{"geom", "result", "tooth", "durable", "parallel"},
	{"volume", "words", "stl"},
	// methods that know nothing of teeth, and codecs
	{"leastsquares", "proportion", "tolerance", "controlchart", "habit", "jpeg", "jpeg2000", "jpegls", "rle"},
	{"learning", "revolution", "printout"},
	// from the files to the figures of one case
	{"casefile", "dicomfile", "spatialregistration"},
	{"scan"},
	{"followup"},
	{"alignment"},
	{"registration"},
	{"fixture"},
	{"deviation"},
	{"arch", "clearance", "uncertainty"},
	{"measure"},
	// from cases to the clinician's series and to reports
	{"series"},
	{"trend"},
	{"figure"},
	{"report"},
	{"pack"},
	// no stage above knows of synthetic cases
	{"phantom"},
	{"cli"},
}

// breaches lists the imports that run against the order.
func breaches(order [][]string, imports map[string][]string) []string {
	rank := map[string]int{}
	for i, line := range order {
		for _, name := range line {
			rank[name] = i
		}
	}
	var out []string
	for name, list := range imports {
		at, known := rank[name]
		if !known {
			out = append(out, fmt.Sprintf("internal/%s has no place in the order: give it one", name))
			continue
		}
		for _, other := range list {
			if below, known := rank[other]; !known || below >= at {
				out = append(out, fmt.Sprintf("internal/%s imports internal/%s, which is not upstream of it", name, other))
			}
		}
	}
	slices.Sort(out)
	return out
}

// importsOf gives what the files of each internal package import, tests left
// out.
func importsOf(t *testing.T, internal string) map[string][]string {
	t.Helper()
	folders, err := os.ReadDir(internal)
	require.NoError(t, err)
	out := map[string][]string{}
	for _, folder := range folders {
		files, err := filepath.Glob(filepath.Join(internal, folder.Name(), "*.go"))
		require.NoError(t, err)
		for _, file := range files {
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
			require.NoError(t, err)
			list := out[folder.Name()]
			for _, spec := range parsed.Imports {
				path, err := strconv.Unquote(spec.Path.Value)
				require.NoError(t, err)
				list = append(list, path)
			}
			out[folder.Name()] = list
		}
	}
	return out
}

func TestDataFlowsOneWay(t *testing.T) {
	imports := map[string][]string{}
	edges := 0
	for name, list := range importsOf(t, "..") {
		imports[name] = nil
		for _, path := range list {
			if own, ok := strings.CutPrefix(path, "plumbline/internal/"); ok {
				imports[name] = append(imports[name], own)
				edges++
			}
		}
	}
	require.Greater(t, edges, 40, "the imports were found")
	assert.Empty(t, breaches(order, imports))

	control := map[string][]string{"scan": {"measure", "volume"}, "fixture": {"arch"}, "stray": nil}
	assert.Equal(t, []string{
		"internal/fixture imports internal/arch, which is not upstream of it",
		"internal/scan imports internal/measure, which is not upstream of it",
		"internal/stray has no place in the order: give it one",
	}, breaches(order, control))
}

// The DICOM library panics on damaged files, so only the guarded reader and the
// writers of scans and reports touch it.
func TestOnlyTheGuardedReaderAndTheWritersUseTheDICOMLibrary(t *testing.T) {
	var users []string
	for name, list := range importsOf(t, "..") {
		if slices.ContainsFunc(list, func(path string) bool { return strings.HasPrefix(path, "github.com/suyashkumar/dicom") }) {
			users = append(users, name)
		}
	}
	slices.Sort(users)
	assert.Equal(t, []string{"dicomfile", "report", "scan"}, users)
}
