package cli

import (
	"encoding/csv"
	"encoding/json"
	"html"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

// inventedCase is an invented measurement of a lower molar with a canal near it.
func inventedCase(name, placed, plan string, apex, toCanal float64) *measurement.Case {
	achieved, margin := toCanal, 2.0
	depth := 2.4 - toCanal
	entry, angle := 0.4, 2.5
	none := 0.0
	interval := &measurement.Interval{}
	f := measurement.Fixture{
		Site: "36", Guidance: "full-guide",
		Planned: measurement.Placement{Entry: [3]float64{1, 2, 3}, Apex: [3]float64{1, 2, -7}, Diameter: 4.1, Length: 10},
		Deviation: &measurement.Values{measurement.Entry: &entry, measurement.EntryLateral: &entry, measurement.EntryDepth: &none,
			measurement.Apex: &apex, measurement.ApexLateral: &none, measurement.ApexDepth: &depth, measurement.Angle: &angle},
		Uncertainty: &measurement.Uncertainty{Intervals: measurement.PerFigure[measurement.Interval]{
			measurement.Entry: interval, measurement.EntryLateral: interval, measurement.EntryDepth: interval,
			measurement.Apex: interval, measurement.ApexLateral: interval, measurement.ApexDepth: interval, measurement.Angle: interval},
			Floor: measurement.Values{measurement.Entry: &none, measurement.Apex: &none, measurement.Angle: &none}},
		Clearance: []measurement.Clearance{{Structure: "left mandibular canal", Kind: "nerve", Planned: 2.4, Achieved: &achieved, Margin: &margin}},
	}
	return &measurement.Case{Schema: measurement.Schema, Case: name, Placed: placed, Clinician: "clinician-a",
		Inputs: measurement.Inputs{PlanSHA256: plan, PreSHA256: "pre-" + name}, Fixtures: []measurement.Fixture{f}}
}

// measuredCases writes measurements to a folder, as measure --json does.
func measuredCases(t *testing.T, folder string, cases ...*measurement.Case) {
	t.Helper()
	for _, c := range cases {
		text, err := json.Marshal(c)
		require.NoError(t, err)
		write(t, filepath.Join(folder, c.Case+".json"), string(text))
	}
}

// typed runs a command line as a user types it and wants a status.
func typed(t *testing.T, day string, status int, line string, args ...string) string {
	t.Helper()
	got := runOn(t, day, append(strings.Fields(line), args...)...)
	require.Equal(t, status, got.status, "%s: %s%s", line, got.stdout, got.stderr)
	return strings.Join(strings.Fields(got.stdout), " ")
}

// tableOf is the exported table, by column.
func tableOf(t *testing.T, day string) []map[string]string {
	t.Helper()
	typed(t, day, Done, "series export --overwrite --csv t.csv s.jsonl")
	text, err := os.ReadFile("t.csv")
	require.NoError(t, err)
	rows, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
	require.NoError(t, err)
	var out []map[string]string
	for _, cells := range rows[1:] {
		row := map[string]string{}
		for i, name := range rows[0] {
			row[name] = cells[i]
		}
		out = append(out, row)
	}
	return out
}

// A bad case is withdrawn: it stays in the list, the export, the counts and the
// sentence on consecutiveness, with what it held, when, by whom and why. The
// withdrawal is taken back: it counts again, and both stay in sight.
func TestWithdrawnStaysInSight(t *testing.T) {
	t.Chdir(t.TempDir())
	measuredCases(t, "results", inventedCase("C-1", "2026-03-02", "p", 0.7, 2.2), inventedCase("C-2", "2026-03-09", "p", 4.1, -0.9))
	typed(t, "2026-04-01", Done, "series import results s.jsonl")
	said := typed(t, "2026-04-02", Done, "series show s.jsonl")
	assert.Contains(t, said, "Structures entered at 1 fixture, margins missed at 0 of 2. The worst: nerve entered by 0.9 mm in case C-2 at 36.")
	assert.Contains(t, said, "Structures entered, by kind: nerve 1: 0 by the plan, 1 by the transfer.")

	said = typed(t, "2026-04-03", Done, "series correct --record 2 --withdraw --by clinician-a s.jsonl --reason", "wrong scan")
	assert.Contains(t, said, "Record 2 no longer counts and stays in every table and report; record 3 of s.jsonl says why.")
	said = typed(t, "2026-04-04", Done, "series show s.jsonl")
	for _, want := range []string{
		"1 with a seal or figures withdrawn (C-2)", "Nothing shows that these are all cases",
		"C-2: record 2 of 2026-04-01, which held figures of site 36 (entry 0.40 mm, apex 4.10 mm, angle 2.50°, structure entered by transfer), was withdrawn on 2026-04-03 by clinician-a (record 3): wrong scan.",
		"No structure entered and no margin missed.", "left out: 1 fixture, at 1 of them a structure entered",
		"Withdrawn records, which stay in the file",
	} {
		assert.Contains(t, said, want)
	}
	rows := tableOf(t, "2026-04-04")
	require.Len(t, rows, 2)
	assert.Equal(t, "nothing-against-it", rows[0]["verdict"])
	for column, want := range map[string]string{"case": "C-2", "status": "withdrawn", "record": "2", "reason": "wrong scan", "withdrawn_record": "3",
		"withdrawn_time": "2026-04-03T12:00:00Z", "withdrawn_by": "clinician-a", "apex_mm": "4.1", "nerve_achieved_mm": "-0.9",
		"verdict": "structure-entered", "verdict_by": "transfer"} {
		assert.Equal(t, want, rows[1][column], column)
	}
	typed(t, "2026-04-04", Done, "report s.jsonl s.html")
	page, err := os.ReadFile("s.html")
	require.NoError(t, err)
	assert.Contains(t, string(page), "was withdrawn on 2026-04-03 by clinician-a")
	assert.Contains(t, string(page), "withdrawn (record 2)")

	var view struct {
		Summary struct {
			Withdrawn   []string `json:"withdrawn"`
			Withdrawals []struct {
				Held, Reason, Author string
			} `json:"withdrawals"`
		} `json:"summary"`
		Breaches struct{ Aside struct{ Entered int } } `json:"breaches"`
	}
	require.NoError(t, json.Unmarshal([]byte(runOn(t, "2026-04-04", "series", "show", "--json", "s.jsonl").stdout), &view))
	assert.Equal(t, []string{"C-2"}, view.Summary.Withdrawn)
	assert.Equal(t, "wrong scan", view.Summary.Withdrawals[0].Reason)
	assert.Equal(t, 1, view.Breaches.Aside.Entered)

	said = typed(t, "2026-04-05", Done, "series correct --record 3 --withdraw --by mentor-a --reason right s.jsonl")
	assert.Contains(t, said, "Record 3 is taken back, so that record 2 counts again")
	said = typed(t, "2026-04-06", Done, "series show s.jsonl")
	assert.Contains(t, said, "Structures entered at 1 fixture, margins missed at 0 of 2.")
	assert.NotContains(t, said, "with a seal or figures withdrawn")
	assert.Contains(t, said, "the withdrawal of 2026-04-05")
	assert.Equal(t, "measured", tableOf(t, "2026-04-06")[1]["status"])
}

// A case that is measured again with a plan that was moved after the fact keeps its
// first figures in sight, and what was changed is said.
func TestSecondMeasurementStaysInSight(t *testing.T) {
	t.Chdir(t.TempDir())
	moved := inventedCase("C-1", "2026-03-02", "another plan", 0.2, 2.2)
	moved.Fixtures[0].Planned.Apex[2] -= 3.1
	measuredCases(t, "first", inventedCase("C-1", "2026-03-02", "p", 3.3, 2.2))
	measuredCases(t, "second", moved)
	typed(t, "2026-04-01", Done, "series import first s.jsonl")
	typed(t, "2026-04-20", Done, "series import second s.jsonl")
	said := typed(t, "2026-04-21", Done, "series show s.jsonl")
	assert.Contains(t, said, "Measured again after record 1, which held figures of site 36 (entry 0.40 mm, apex 3.30 mm, angle 2.50°, outside the limits); changed since: plan changed after the first measurement (site 36 moved by 3.10 mm); the last measurement counts (record 2)")
	assert.Contains(t, said, "1 measured again another way (C-1)")
	rows := tableOf(t, "2026-04-21")
	require.Len(t, rows, 2)
	assert.Equal(t, []string{"measured", "replaced"}, []string{rows[0]["status"], rows[1]["status"]})
	assert.Equal(t, []string{"0.2", "3.3"}, []string{rows[0]["apex_mm"], rows[1]["apex_mm"]})
}

// unpacked are the files of an archive.
func unpacked(t *testing.T, path string) map[string]string {
	t.Helper()
	out := map[string]string{}
	repacked(t, path, func(of map[string]string) { maps.Copy(out, of) })
	return out
}

// wordsOf is a page without its markup.
func wordsOf(page string) string {
	return html.UnescapeString(strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(page, " ")), " "))
}

// The first page of a pack says what was withdrawn, left out, late or changed; what the
// README says to do with common tools shows that the files are as they were packed.
func TestFirstPageOfAPack(t *testing.T) {
	t.Chdir(t.TempDir())
	again := inventedCase("C-3", "2026-03-16", "moved after", 0.3, 2.3)
	again.Fixtures[0].Planned.Apex[0] += 2
	measuredCases(t, "results", inventedCase("C-1", "2026-03-02", "p", 0.7, 2.2), inventedCase("C-2", "2026-03-09", "p", 4.1, -0.9), inventedCase("C-3", "2026-03-16", "p", 2.9, 1.2))
	measuredCases(t, "again", again)
	typed(t, "2026-04-01", Done, "series import results s.jsonl")
	typed(t, "2026-04-02", Done, "series import again s.jsonl")
	typed(t, "2026-04-03", Done, "series correct --record 2 --withdraw --by clinician-a --reason unlucky s.jsonl")
	typed(t, "2026-04-04", Done, "series leave-out --case C-4 --reason moved-away s.jsonl")
	said := typed(t, "2026-04-05", Done, "pack s.jsonl review.zip")
	assert.Contains(t, said, "Packed without pictures; name the folder of the cases with --scans to have them. wrote review.zip: 15 files, and")
	said = typed(t, "2026-05-05", Done, "pack --check review.zip")
	assert.Contains(t, said, "15 of 15 files that the manifest lists are as they were packed")
	assert.Contains(t, said, "14 files, made anew from the series file, are the same byte for byte")

	files := unpacked(t, "review.zip")
	page := wordsOf(files["first-page.html"])
	for _, want := range []string{
		"What this shows", "What it cannot show", "somebody who holds the file can write it anew",
		"Structures entered: at 0 of 2 fixtures", "left out: 2 fixtures, at 1 of them a structure entered, at 1 a margin missed",
		"without pictures from the scans, as the scans were not at hand",
		"Withdrawn records: 1 C-2: record 2 of 2026-04-01, which held figures of site 36 (entry 0.40 mm, apex 4.10 mm, angle 2.50°, structure entered by transfer), was withdrawn on 2026-04-03 by clinician-a (record 5): unlucky.",
		"Left out: 1 C-4: left out (record 6): moved-away.",
		"Sealed late or never: 2 Measured, never sealed: C-1 and C-3.",
		"Changed after sealing or measuring: 1 C-3: measured again after record 3", "plan changed after the first measurement (site 36 moved by 2.00 mm)",
		"Figures in doubt: none.",
	} {
		assert.Contains(t, page, want)
	}
	assert.Contains(t, files["series/cases.csv"], "unlucky")

	// As the README has it for Linux and macOS; on Windows the same hashes are read.
	for name, text := range files {
		write(t, filepath.Join("pack", name), text)
	}
	for _, tool := range []string{"sha256sum -c SHA256SUMS", "shasum -a 256 -c SHA256SUMS"} {
		require.Contains(t, files["README.txt"], tool)
		words := strings.Fields(tool)
		if _, err := exec.LookPath(words[0]); err != nil {
			continue
		}
		check := exec.Command(words[0], words[1:]...)
		check.Dir = "pack"
		out, err := check.CombinedOutput()
		require.NoError(t, err, string(out))
		assert.Equal(t, len(files)-1, strings.Count(string(out), ": OK"), "every file but the list itself")
	}
	assert.Contains(t, files["README.txt"], "Get-FileHash -LiteralPath $file -Algorithm SHA256")

	typed(t, "2026-04-05", Done, "pack --relative-dates s.jsonl blinded.zip")
	blinded := unpacked(t, "blinded.zip")
	assert.Contains(t, wordsOf(blinded["first-page.html"]), "was withdrawn on day 32 by clinician-a")
	typed(t, "2026-05-05", Done, "pack --check blinded.zip")
}

// Reports on paper have pictures beside them where the scans are at hand, and why not
// elsewhere; their figures are held against the record all the same.
func TestPackWithPictures(t *testing.T) {
	world(t)
	seriesOf(t)
	measuredCases(t, "results", inventedCase("C-77", "2026-03-02", "p", 0.7, 2.2))
	typed(t, "2026-04-01", Done, "series import results series.jsonl")
	said := typed(t, "2026-04-05", Done, "pack --scans demo series.jsonl review.zip")
	assert.Contains(t, said, "C-77 is packed without pictures: its scans are not at hand.")
	files := unpacked(t, "review.zip")
	var m struct{ Pictured []string }
	require.NoError(t, json.Unmarshal([]byte(files["manifest.json"]), &m))
	require.Len(t, m.Pictured, 1)
	assert.Contains(t, m.Pictured[0], "C-101-pictures.pdf")
	assert.Contains(t, files[m.Pictured[0]], "/Subtype /Image")
	assert.Contains(t, wordsOf(files["first-page.html"]), "Case reports on paper: 2, 1 of them with cuts through the scans and the check of the alignment in a file beside it")
	said = typed(t, "2026-04-05", Done, "pack --check review.zip")
	assert.Contains(t, said, "16 of 16 files")
	assert.Contains(t, said, "held against their hashes alone, as pictures from the scans cannot be made anew without those: \"cases/")

	write(t, "forged.zip", repacked(t, "review.zip", func(of map[string]string) {
		forge(of, "cases/001-C-101.pdf", of["cases/001-C-101.pdf"]+"\n")
	}))
	said = typed(t, "2026-04-05", InDoubt, "pack --check forged.zip")
	assert.Contains(t, said, `"cases/001-C-101.pdf" is not what the program makes from the series file: it was changed`)

	// Another plan than was measured.
	text, err := os.ReadFile("demo/C-101/case.toml")
	require.NoError(t, err)
	write(t, "demo/C-101/case.toml", string(text)+"\n# later\n")
	said = typed(t, "2026-04-05", Done, "pack --scans demo series.jsonl other.zip")
	assert.Contains(t, said, "C-101 is packed without pictures: "+filepath.Join("demo", "C-101")+" holds another plan or other scans than were measured.")
	assert.Equal(t, BadInput, runOn(t, "2026-04-05", "pack", "--scans", "none", "series.jsonl", "n.zip").status)
	assert.Equal(t, BadInput, runOn(t, "2026-04-05", "pack", "--scans", "results", "series.jsonl", "n.zip").status)
}
