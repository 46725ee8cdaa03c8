package cli

import (
	"fmt"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
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
	{"atomicfile", "regularfile", "seeded"},
	{"geom", "printable", "measurement", "tooth", "parallel", "stats/orderstat"},
	{"geom/geomtest"},
	{"volume", "trimesh", "parquetfile"},
	{"evidence", "motion"},
	// methods that know nothing of teeth, and codecs
	{"stats/leastsquares", "stats/interval", "stats/tolerance", "stats/controlchart", "stats/sequential", "stats/mixedmodel", "stats/metaanalysis",
		"dicom/element", "dicom/codec/codestream"},
	{"dicom/code", "dicom/filing"},
	{"dicom/carrier"},
	{"dicom/structurereport", "dicom/encapsulated", "dicom/rtstruct", "dicom/segmentation", "dicom/surfacesegmentation", "dicom/fiducials", "dicom/spatialreg"},
	{"dicom/implantplan"},
	{"dicom/bodies"},
	{"dicom/codec/codectest"},
	{"dicom/codec/jpeg", "dicom/codec/jpeg2000", "dicom/codec/jpegls", "dicom/codec/rle"},
	{"stats/learningcurve", "stats/hotelling", "stats/levelnow", "plan/meshaxis", "plan/plantable"},
	// from the files to the figures of one case
	{"plan/casefile", "dicom/encode"},
	{"dicom/scan"},
	{"plan/scanpair", "plan/pseudonym"},
	{"registration"},
	{"registration/intensity", "registration/surface"},
	{"scanbody"},
	{"fixture/solid"},
	{"fixture/psf"},
	{"fixture"},
	{"evidence/conebeam", "evidence/surfacescan"},
	{"deviation"},
	{"anatomy/dentalarch", "anatomy/clearance", "deviation/uncertainty"},
	{"anatomy/whereabouts", "anatomy/severity", "plan/draft", "anatomy/plate", "anatomy/canal"},
	{"anatomy/tissue", "anatomy/tissue/tissuetest"},
	{"anatomy/bone", "anatomy/cavity"},
	{"measure"},
	// from cases to the clinician's series and to reports
	{"series"},
	{"series/analysis", "output", "pool"},
	{"report/wording", "report/taggedpdf"},
	{"report/drawing"},
	{"report", "report/exchange"},
	{"report/reviewpack"},
	// the page in the browser
	{"page/loopback", "page/reslice", "page/practice", "sealing"},
	{"page"},
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

// importsOf gives what the files of each package below a folder import, tests
// left out; packages are named by their path from that folder.
func importsOf(t *testing.T, internal string) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	require.NoError(t, filepath.WalkDir(internal, func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.IsDir() && entry.Name() == "testdata" {
			return filepath.SkipDir
		}
		if _, err := os.Stat(filepath.Join(path, "go.mod")); entry.IsDir() && err == nil {
			return filepath.SkipDir // a module of its own, which stands in for another's
		}
		if entry.IsDir() || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		folder, err := filepath.Rel(internal, filepath.Dir(path))
		if err != nil {
			return err
		}
		folder = filepath.ToSlash(folder)
		for _, spec := range parsed.Imports {
			imported, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			out[folder] = append(out[folder], imported)
		}
		return nil
	}))
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

	control := map[string][]string{"dicom/scan": {"measure", "volume"}, "fixture": {"anatomy/dentalarch"}, "anatomy/stray": nil}
	assert.Equal(t, []string{
		"internal/anatomy/stray has no place in the order: give it one",
		"internal/dicom/scan imports internal/measure, which is not upstream of it",
		"internal/fixture imports internal/anatomy/dentalarch, which is not upstream of it",
	}, breaches(order, control))
}

// The DICOM library's parser panics on some damaged files and takes memory for
// whatever length an element claims (see dicom/element), so only its dictionary
// is used: no package imports the library itself.
func TestOnlyTheDictionaryOfTheDICOMLibraryIsUsed(t *testing.T) {
	const library = "github.com/suyashkumar/dicom"
	users := map[string]bool{}
	for name, list := range importsOf(t, "..") {
		for _, path := range list {
			if strings.HasPrefix(path, library) {
				users[name] = true
				assert.Contains(t, []string{library + "/pkg/tag", library + "/pkg/uid"}, path, name)
			}
		}
	}
	assert.Equal(t, []string{"dicom/bodies", "dicom/carrier", "dicom/code", "dicom/element", "dicom/encapsulated", "dicom/encode",
		"dicom/fiducials", "dicom/filing", "dicom/implantplan", "dicom/rtstruct", "dicom/scan", "dicom/segmentation", "dicom/spatialreg",
		"dicom/structurereport", "dicom/surfacesegmentation", "report", "report/exchange"}, slices.Sorted(maps.Keys(users)))
}
