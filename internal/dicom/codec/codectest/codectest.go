// Package codectest reads the codecs' test vectors: streams that other programs coded,
// with what they hold.
package codectest

import (
	"bytes"
	"compress/zlib"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/csv"
	"encoding/hex"
	"io"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
)

// Vector is one coded frame.
type Vector struct {
	Name          string
	Columns, Rows int
	Bits          int // allocated; 0 where the table does not say
	Precision     int
	Signed, Lossy bool
	Digest        string // of the samples, as Digest forms it
	Stream        []byte
	Words         []uint16 // the samples themselves, where a table holds them
}

// Read gives the vectors of a table: a line with its source, a line of column names,
// a line a vector. There must be more than least.
func Read(t testing.TB, path string, least int) []Vector {
	t.Helper()
	file, err := os.Open(path)
	require.NoError(t, err)
	defer file.Close()
	table := csv.NewReader(file)
	table.FieldsPerRecord = -1
	lines, err := table.ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(lines), 2+least)
	names := lines[1]
	var all []Vector
	for _, line := range lines[2:] {
		require.Len(t, line, len(names))
		var v Vector
		for i, name := range names {
			v.set(t, name, line[i])
		}
		all = append(all, v)
	}
	return all
}

// set takes in one cell.
func (v *Vector) set(t testing.TB, column, cell string) {
	t.Helper()
	var err error
	switch column {
	case "name":
		v.Name = cell
	case "columns":
		v.Columns, err = strconv.Atoi(cell)
	case "rows":
		v.Rows, err = strconv.Atoi(cell)
	case "bits_allocated":
		v.Bits, err = strconv.Atoi(cell)
	case "precision":
		v.Precision, err = strconv.Atoi(cell)
	case "signed":
		v.Signed, err = strconv.ParseBool(cell)
	case "lossy":
		v.Lossy, err = strconv.ParseBool(cell)
	case "sha256_of_little_endian_16_bit_samples", "sha256_of_little_endian_16_bit_words":
		v.Digest = cell
	case "stream_base64":
		v.Stream, err = base64.StdEncoding.DecodeString(cell)
	case "words_zlib_base64_if_irreversible":
		v.Words = words(t, cell)
	default:
		t.Fatalf("no column is called %q", column)
	}
	require.NoError(t, err)
}

// words unpacks little-endian samples; an empty cell has none.
func words(t testing.TB, cell string) []uint16 {
	t.Helper()
	if cell == "" {
		return nil
	}
	packed, err := base64.StdEncoding.DecodeString(cell)
	require.NoError(t, err)
	z, err := zlib.NewReader(bytes.NewReader(packed))
	require.NoError(t, err)
	raw, err := io.ReadAll(z)
	require.NoError(t, err)
	out := make([]uint16, len(raw)/2)
	for i := range out {
		out[i] = binary.LittleEndian.Uint16(raw[2*i:])
	}
	return out
}

// Digest is the SHA-256 of samples as little-endian words of 16 bits.
func Digest(samples []uint16) string {
	raw := make([]byte, 2*len(samples))
	for i, v := range samples {
		binary.LittleEndian.PutUint16(raw[2*i:], v)
	}
	sum := sha256.Sum256(raw)
	return hex.EncodeToString(sum[:])
}
