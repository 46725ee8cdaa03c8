package series

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
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
	line = line[:len(line)-1]
	sum := sha256.Sum256(line)
	r.Hash = hex.EncodeToString(sum[:])
	line = append(line, hashKey...)
	line = append(line, r.Hash...)
	return append(line, hashEnd...), nil
}

// decode reads a line without its line end; the errors are errLayout, errHash
// or what is wrong with a line that matches its hash.
func decode(line []byte) (Record, error) {
	tail := len(hashKey) + hashLen + len(hashEnd)
	if len(line) <= tail || line[0] != '{' {
		return Record{}, errLayout
	}
	body, end := line[:len(line)-tail], line[len(line)-tail:]
	if !bytes.HasPrefix(end, []byte(hashKey)) || !bytes.HasSuffix(end, []byte(hashEnd)) {
		return Record{}, errLayout
	}
	sum := sha256.Sum256(body)
	claimed := string(end[len(hashKey) : len(hashKey)+hashLen])
	if hex.EncodeToString(sum[:]) != claimed {
		return Record{}, errHash
	}
	var r Record
	if err := json.Unmarshal(line, &r); err != nil {
		return Record{}, fmt.Errorf("the line is not a record: %w", err)
	}
	r.Hash = claimed
	if r.Schema != Schema {
		return r, fmt.Errorf("schema %q: expected %q; a newer version of the program may have written it", r.Schema, Schema)
	}
	return r, r.validate()
}
