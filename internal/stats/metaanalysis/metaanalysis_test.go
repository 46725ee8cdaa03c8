package metaanalysis

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// R's metafor 3.8, by testdata/metafor.R.
func TestAgainstMetafor(t *testing.T) {
	f, err := os.Open(filepath.Join("testdata", "metafor.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	groups, want := map[string][]Group{}, map[string]Pooled{}
	for _, row := range rows[1:] {
		var x [6]float64
		for i := range x {
			x[i], err = strconv.ParseFloat(row[1+i], 64)
			require.NoError(t, err)
		}
		groups[row[0]] = append(groups[row[0]], Group{x[0], x[1]})
		want[row[0]] = Pooled{len(groups[row[0]]), x[3], x[4], x[2], x[5]}
	}
	require.Len(t, want, 4)
	for name, w := range want {
		got, err := Pool(groups[name])
		require.NoError(t, err)
		assert.Equal(t, w.Groups, got.Groups)
		assert.InDelta(t, w.Tau2, got.Tau2, 1e-6, name)
		assert.InDelta(t, w.Mean, got.Mean, 1e-6, name)
		assert.InDelta(t, w.SE, got.SE, 1e-6, name)
		assert.InDelta(t, w.Q, got.Q, 1e-6, name)
	}
}

func TestGroupsThatCannotBePooled(t *testing.T) {
	_, err := Pool([]Group{{1, 1}})
	require.ErrorIs(t, err, ErrTooFew)
	_, err = Pool([]Group{{1, 1}, {1, 0}})
	require.ErrorIs(t, err, ErrVariance)
}
