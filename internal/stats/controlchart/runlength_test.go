package controlchart

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// testdata/runlengths.csv, by runlengths.R: the package spc of R.
func TestRunLengthsAgainstR(t *testing.T) {
	f, err := os.Open("testdata/runlengths.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 85)
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i := 1; i < len(row); i++ {
			v[i], err = strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
		}
		of := CUSUMRunLength
		if row[0] == "ewma" {
			of = EWMARunLength
		}
		got, err := of(v[1], v[2], v[3])
		require.NoError(t, err)
		near(t, row[0], got, v[4], 1e-6*v[4])
	}
}
