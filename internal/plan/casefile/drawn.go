package casefile

import (
	"bytes"
	"slices"

	toml "github.com/pelletier/go-toml/v2"
)

// WithStructures is the text of a case file with structures entered: one whose name the
// file has takes the place of that one, the others stand at its end. Points are in the
// case's frame, and files named relative to the case folder. Nothing else of the text
// changes, and remarks stay.
//
// Errors: *Error where the text is no case file, has a structure of that name that stands in
// no table of its own, or would have one that cannot be meant.
func WithStructures(file string, text []byte, drawn []Structure) ([]byte, error) {
	c, err := parse(file, text)
	if err != nil {
		return nil, err
	}
	all := slices.Collect(bytes.Lines(text))
	ending := []byte("\n")
	if len(all) > 0 && bytes.HasSuffix(all[0], []byte("\r\n")) {
		ending = []byte("\r\n")
	}
	replaced := map[int][]byte{} // by the index of a table's first line
	dropped := map[int]bool{}
	var added []byte
	for _, s := range drawn {
		table, err := s.table(ending)
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(c.Structures, func(was Structure) bool { return was.Name == s.Name })
		if i < 0 {
			added = append(append(added, ending...), table...)
			continue
		}
		from := c.lines[indexed("structure", i)] - 1
		if from < 0 || !isHeading(all[from]) {
			return nil, c.errorAt(indexed("structure", i), structureField(i), "it stands in no table of its own, headed [[structure]], and is left as it is; write it so")
		}
		to := from + 1
		for k := to; k < len(all) && !isHeading(all[k]); k++ {
			if line := bytes.TrimSpace(all[k]); len(line) > 0 && line[0] != '#' {
				to = k + 1
			}
		}
		replaced[from] = table
		for k := from; k < to; k++ {
			dropped[k] = len(bytes.TrimSpace(all[k])) == 0 || bytes.TrimSpace(all[k])[0] != '#'
		}
	}
	var out []byte
	for k, line := range all {
		out = append(out, replaced[k]...)
		if !dropped[k] {
			out = append(out, line...)
		}
	}
	if len(added) > 0 && len(out) > 0 && !bytes.HasSuffix(out, []byte("\n")) {
		out = append(out, ending...)
	}
	out = append(out, added...)
	_, err = parse(file, out)
	return out, err
}

// table is a structure as a table of a case file.
func (s *Structure) table(ending []byte) ([]byte, error) {
	text, err := toml.Marshal(struct {
		Structure []structureText `toml:"structure"`
	}{[]structureText{s.text()}})
	if err != nil {
		return nil, err
	}
	return bytes.ReplaceAll(text, []byte("\n"), ending), nil
}
