package series

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/parquetfile"
)

// The statement that makes the table for PostgreSQL has every column with its type; make
// engines takes a table in by it. Names are quoted: "case" is a word of SQL.
func TestTableForPostgreSQL(t *testing.T) {
	types := map[parquetfile.Kind]string{parquetfile.Text: "text", parquetfile.Number: "double precision", parquetfile.Whole: "bigint", parquetfile.Truth: "boolean"}
	var lines []string
	for _, c := range ParquetColumns() {
		lines = append(lines, fmt.Sprintf("  %q %s", c.Name, types[c.Kind]))
	}
	want := "-- The table of series export, a row a fixture; then: COPY fixtures FROM 'table.csv' WITH (FORMAT csv, HEADER true)\n" +
		"CREATE TABLE fixtures (\n" + strings.Join(lines, ",\n") + "\n);\n"
	have, err := os.ReadFile(filepath.Join("..", "..", "testdata", "engines", "fixtures.sql"))
	require.NoError(t, err)
	assert.Equal(t, want, string(have), "the file has to be this")
}
