package series

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"plumbline/internal/measurement"
)

const (
	hashKey = `,"hash":"`
	hashEnd = `"}`
	hashLen = 2 * sha256.Size
)

// noRecord is what the first record carries as the hash before it.
var noRecord = strings.Repeat("0", hashLen)

var (
	errLayout = errors.New("the line does not end as a record of a series does")
	errHash   = errors.New("the line does not match its own hash")
)

// encode gives the record's line without a line end and sets its hash.
func (r *Record) encode() ([]byte, error) {
	line, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	line, r.Hash = sealed(line)
	return line, nil
}

// sealed is a JSON object with the hash of what stands in front of it as its last
// member.
func sealed(object []byte) (line []byte, hash string) {
	line = object[:len(object)-1]
	sum := sha256.Sum256(line)
	hash = hex.EncodeToString(sum[:])
	line = append(line, hashKey...)
	line = append(line, hash...)
	return append(line, hashEnd...), hash
}

// unsealed is the hash of a line that sealed made; the errors are errLayout and
// errHash.
func unsealed(line []byte) (hash string, err error) {
	tail := len(hashKey) + hashLen + len(hashEnd)
	if len(line) <= tail || line[0] != '{' {
		return "", errLayout
	}
	body, end := line[:len(line)-tail], line[len(line)-tail:]
	if !bytes.HasPrefix(end, []byte(hashKey)) || !bytes.HasSuffix(end, []byte(hashEnd)) {
		return "", errLayout
	}
	sum := sha256.Sum256(body)
	claimed := string(end[len(hashKey) : len(hashKey)+hashLen])
	if hex.EncodeToString(sum[:]) != claimed {
		return "", errHash
	}
	return claimed, nil
}

// decode reads a line without its line end; the errors are errLayout, errHash
// or what is wrong with a line that matches its hash.
func decode(line []byte) (Record, error) {
	claimed, err := unsealed(line)
	if err != nil {
		return Record{}, err
	}
	var r Record
	if err := json.Unmarshal(line, &r); err != nil {
		return Record{}, fmt.Errorf("the line is not a record: %w", err)
	}
	r.Hash = claimed
	if r.Schema != Schema {
		return r, fmt.Errorf("schema %q: expected %q; a newer version of the program may have written it", r.Schema, Schema)
	}
	if err := checkNumbers(&r, line); err != nil {
		return r, err
	}
	return r, r.validate()
}

// piece is a part of a line: a whole record, or what is none.
type piece struct {
	start, end int // bytes of the line
	whole      bool
}

// maxStarts bounds how often the beginning of a record is looked for in one line,
// so that reading stays linear in its length.
const maxStarts = 64

// pieces parts a line that is not just one record, as an editor leaves it when it
// changes line ends, into its whole records and what stands around them.
func pieces(line []byte) []piece {
	var out []piece
	stray := 0 // where the bytes begin that belong to no record
	for at, starts := 0, 0; starts < maxStarts; starts++ {
		i := bytes.Index(line[at:], recordStart)
		if i < 0 {
			break
		}
		start := at + i
		n := recordLength(line[start:])
		if n == 0 {
			at = start + len(recordStart)
			continue
		}
		if start > stray {
			out = append(out, piece{stray, start, false})
		}
		out = append(out, piece{start, start + n, true})
		at, stray = start+n, start+n
	}
	if stray < len(line) {
		out = append(out, piece{stray, len(line), false})
	}
	return out
}

// recordStart begins every record.
var recordStart = []byte(`{"schema":"` + Schema + `"`)

// recordLength is the length of the record that text begins with, 0 where it
// begins with none.
func recordLength(text []byte) int {
	running, hashed := sha256.New(), 0
	for {
		i := bytes.Index(text[hashed:], []byte(hashKey))
		if i < 0 {
			return 0
		}
		running.Write(text[hashed : hashed+i])
		hashed += i
		rest := text[hashed+len(hashKey):]
		if len(rest) >= hashLen+len(hashEnd) && string(rest[:hashLen]) == hex.EncodeToString(running.Sum(nil)) &&
			bytes.HasPrefix(rest[hashLen:], []byte(hashEnd)) {
			return hashed + len(hashKey) + hashLen + len(hashEnd)
		}
		running.Write(text[hashed : hashed+len(hashKey)])
		hashed += len(hashKey)
	}
}

// checkNumbers refuses a record that lacks a number which its parts always have.
// The figures of an import may be missing, one by one.
func checkNumbers(read *Record, line []byte) error {
	// Rows of an import are many, and most have only what may be missing.
	if read.Plan == nil && read.Measurement == nil && !slices.ContainsFunc(read.Rows, func(r Row) bool { return r.Clearance != nil }) {
		return nil
	}
	var r struct {
		Plan        json.RawMessage `json:"plan"`
		Measurement json.RawMessage `json:"measurement"`
		Rows        []struct {
			Clearance json.RawMessage `json:"clearance"`
		} `json:"rows"`
	}
	if err := json.Unmarshal(line, &r); err != nil {
		return err
	}
	if err := measurement.Whole[*Plan](r.Plan); err != nil {
		return fmt.Errorf("plan: %w", err)
	}
	if err := measurement.Whole[*measurement.Case](r.Measurement); err != nil {
		return fmt.Errorf("measurement: %w", err)
	}
	for _, row := range r.Rows {
		if err := measurement.Whole[[]measurement.Clearance](row.Clearance); err != nil {
			return fmt.Errorf("clearance: %w", err)
		}
	}
	return nil
}
