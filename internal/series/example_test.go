package series_test

import (
	"bytes"
	"fmt"
	"log"
	"os"
	"path/filepath"

	"plumbline/internal/series"
)

// Records are only ever appended, and each carries the hash of the one before.
func ExampleAppend() {
	folder, err := os.MkdirTemp("", "series")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(folder)
	file := filepath.Join(folder, "cases.jsonl")
	for _, r := range []series.Record{
		{Time: "2026-02-01T10:00:00Z", Kind: series.LeftOut, Case: "demo-01", Reason: "no follow-up scan"},
		{Time: "2026-02-02T10:00:00Z", Kind: series.Remark, Author: "mentor", Text: "discussed"},
	} {
		if _, err := series.Append(file, r); err != nil {
			log.Fatal(err)
		}
	}
	v, err := series.Check(file, "")
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(v.Records, "records, sound:", v.Sound)

	// Whoever edits a record is found out.
	text, err := os.ReadFile(file)
	if err != nil {
		log.Fatal(err)
	}
	text[bytes.Index(text, []byte("no follow-up"))]++
	if err := os.WriteFile(file, text, 0o644); err != nil {
		log.Fatal(err)
	}
	v, err = series.Check(file, "")
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(v.Faults[0].Message)
	// Output:
	// 2 records, sound: true
	// line 1 was edited, where record 1 stood: the line does not match its own hash
}
