package printable

import (
	"bytes"
	"encoding/json"
	"io"
)

// WriteJSON writes a value as indented JSON that a terminal can show.
func WriteJSON(out io.Writer, v any) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return err
	}
	_, err := out.Write(JSON(b.Bytes()))
	return err
}
