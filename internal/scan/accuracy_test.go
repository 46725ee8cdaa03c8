//go:build accuracy

package scan

import (
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// shared holds real and crafted DICOM files with what they must read as, where
// it was laid beside the project.
const shared = "../../../shared/dicom"

// values reads all frames of one file and gives the range of stored values, or
// why there are none.
func values(path string) (low, high int, err error) {
	src, err := openSource(path)
	if err != nil {
		return 0, 0, err
	}
	defer src.close()
	r := read(src.files[0])
	switch {
	case r.err != nil:
		return 0, 0, r.err
	case r.index != nil:
		return 0, 0, errors.New("is an index")
	case r.image == nil:
		return 0, 0, errors.New("holds no image")
	case r.image.aside != "":
		return 0, 0, errors.New(r.image.aside)
	case r.image.fault != nil:
		return 0, 0, r.image.fault
	}
	g := r.image
	if !nativeSyntax[g.syntax] && decoders[g.syntax] == nil {
		return 0, 0, unreadable(g.syntax)
	}
	plane := g.layout.rows * g.layout.cols
	stored := make([]uint16, plane*len(g.frames))
	low, high = 1<<17, -1<<17
	seen := 0
	err = guard(func() error {
		return g.read(func(i int) []uint16 { return stored[i*plane : (i+1)*plane] },
			func(int, []uint16, bool) { seen++ }, new([]byte))
	})
	if err != nil {
		return 0, 0, err
	}
	if seen != len(g.frames) {
		return 0, 0, fmt.Errorf("%d of %d frames", seen, len(g.frames))
	}
	for _, w := range stored {
		v := int(w) - int(g.layout.flip())
		low, high = min(low, v), max(high, v)
	}
	return low, high, nil
}

func TestSharedFiles(t *testing.T) {
	f, err := os.Open(filepath.Join(shared, "manifest.csv"))
	if errors.Is(err, os.ErrNotExist) {
		t.Skip("the shared test files are not beside the project")
	}
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	col := map[string]int{}
	for i, h := range rows[0] {
		col[h] = i
	}
	for _, row := range rows[1:] {
		name := row[col["file"]]
		low, high, err := values(filepath.Join(shared, name))
		wantLow, e1 := strconv.Atoi(row[col["min_stored"]])
		wantHigh, e2 := strconv.Atoi(row[col["max_stored"]])
		wants := e1 == nil && e2 == nil
		switch {
		case err != nil && !wants:
			fmt.Println("refused", name, err)
		case err != nil:
			fmt.Println("REFUSED", name, "expected", wantLow, wantHigh, err)
		case !wants:
			fmt.Println("READ", name, low, high, row[col["note"]])
		case low != wantLow || high != wantHigh:
			fmt.Println("WRONG", name, low, high, "expected", wantLow, wantHigh)
		}
	}
}
