package casefile

import (
	"bytes"
	"fmt"
	"strconv"
)

// FollowUp is what shows the placed fixtures, entered into a case file after surgery.
// Paths are relative to the file; an empty one is not entered.
type FollowUp struct {
	Scan     string // cone-beam scan
	Surface  string // surface scan with scan bodies seated
	ScanBody string // the shape of the scan body that is seated on every fixture
	// NoScan says that the cone-beam scan which the file names beforehand was not taken.
	NoScan bool
}

// afterSurgery are the keys that say what was recorded after surgery, of the case and of a
// fixture: they come into the file when the plan is sealed.
var (
	afterSurgery        = []string{"post", "post_surface", "pre_surface", "surface_unit"}
	afterSurgeryFixture = []string{"scan_body", "scan_body_diameter", "scan_body_height", "seating"}
)

// bare is a text without its lines that say what was recorded after surgery. A line with
// more on it than its key and value is kept.
func bare(text []byte, at lines) []byte {
	drop := map[int]string{} // line to key
	for _, key := range afterSurgery {
		drop[at[key]] = key
	}
	for i := 0; at[indexed("fixture", i)] > 0; i++ {
		for _, key := range afterSurgeryFixture {
			drop[at[join(indexed("fixture", i), key)]] = key
		}
	}
	delete(drop, 0) // not in the file
	var out []byte
	number := 0
	for l := range bytes.Lines(text) {
		number++
		key, is := drop[number]
		if rest, begins := bytes.CutPrefix(bytes.TrimLeft(l, " \t"), []byte(key)); is && begins &&
			bytes.HasPrefix(bytes.TrimLeft(rest, " \t"), []byte("=")) {
			continue
		}
		out = append(out, l...)
	}
	return out
}

// WithFollowUp is the text of a case file with what shows the fixtures entered. Nothing
// else of the text changes.
//
// Errors: *Error where the text is no case file, or has another follow-up scan.
func WithFollowUp(file string, text []byte, f FollowUp) ([]byte, error) {
	c, err := parse(file, text)
	if err != nil {
		return nil, err
	}
	replaced, behind := map[int]string{}, map[int][]string{} // by line
	enter := func(key, value, other string) error {
		if value == "" {
			return nil
		}
		if other != "" {
			return c.errorAt(key, key, "a follow-up scan is entered already, %q; if it is another one, change that line", relative(file, other))
		}
		line := fmt.Sprintf("%-9s = %s", key, strconv.Quote(value))
		if at := c.lines[key]; at > 0 {
			replaced[at] = line
		} else {
			behind[c.lines["pre"]] = append(behind[c.lines["pre"]], line)
		}
		return nil
	}
	if err := enter("post", f.Scan, c.Post); err != nil {
		return nil, err
	}
	if at := c.lines["post"]; f.NoScan && at > 0 {
		replaced[at] = `post      = ""`
	}
	if err := enter("post_surface", f.Surface, c.PostSurface); err != nil {
		return nil, err
	}
	if f.ScanBody != "" {
		for i := range c.Fixtures {
			if c.Fixtures[i].ScanBody == nil {
				at := c.lines[join(indexed("fixture", i), "site")]
				behind[at] = append(behind[at], "scan_body = "+strconv.Quote(f.ScanBody))
			}
		}
	}
	var out []byte
	number := 0
	for l := range bytes.Lines(text) {
		number++
		end := l[len(bytes.TrimRight(l, "\r\n")):]
		if len(end) == 0 {
			end = []byte("\n")
		}
		if line, is := replaced[number]; is {
			out = append(append(out, line...), end...)
		} else {
			out = append(out, l...)
		}
		if len(behind[number]) > 0 && !bytes.HasSuffix(out, end) {
			out = append(out, end...)
		}
		for _, line := range behind[number] {
			out = append(append(out, line...), end...)
		}
	}
	if _, err := parse(file, out); err != nil {
		return nil, err
	}
	return out, nil
}
