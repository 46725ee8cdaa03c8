package cli

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
)

// linesSaid are the lines of a command's outcome that have one of some words.
func linesSaid(got outcome, with ...string) (says []string, status int) {
	for _, line := range strings.Split(got.stdout+got.stderr, "\n") {
		for _, w := range with {
			if strings.Contains(line, w) {
				says = append(says, strings.TrimSpace(line))
				break
			}
		}
	}
	return says, got.status
}

// planTableOf is a mistake in a table of planned fixtures.
func planTableOf(what, text string) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		write(t, "plan.csv", text)
		return linesSaid(run("case", "plan.csv"), "plumbline: ", "wrote")
	}}
}

const planHead = "tooth;entry x;entry y;entry z;apex x;apex y;apex z\n"

// figuresOf is a mistake in a table of figures.
func figuresOf(what, head, row string) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		write(t, "past.csv", "case;placed;clinician;site;"+head+"\nP-1;2025-01-01;clinician-a;36;"+row+"\n")
		return linesSaid(run("series", "import", "past.csv", "s.jsonl"), "plumbline: ", "Added")
	}}
}

var tableMistakes = []mistake{
	planTableOf("none: decimal commas that can be nothing else", planHead+"36;-3,25;26;15;-3,0;26;7\n"),
	planTableOf("none: a comma before three digits, in a table whose other commas are decimal", planHead+"36;-3,250;26,5;15;-3,0;26;7\n"),
	planTableOf("two numbers in a field", planHead+"36;1 2;26;15;-3;26;7\n"),
	planTableOf("a comma before three digits, and nothing that explains it", planHead+"36;1,234;26;15;-3;26;7\n"),
	planTableOf("a point before three digits where commas are decimal", planHead+"36;-3,5;1.234;15;-3;26;7\n"),
	planTableOf("a column twice, with two numbers", "tooth;entry x;entry x;entry y;entry z;apex x;apex y;apex z\n36;-3;-4;26;15;-3;26;7\n"),
	planTableOf("two tooth numbers", "tooth;position;entry;apex\n36;46;-3 26 15;-3 26 7\n"),
	planTableOf("two lengths", "tooth;entry;apex;length;len\n36;-3 26 15;-3 26 7;8;10\n"),
	figuresOf("two numbers in a field of figures", "entry_mm", "1 2"),
	figuresOf("a comma in a field of figures", "entry_mm", "1,234"),
	figuresOf("a column of figures twice", "entry_mm;entry_mm", "1;2"),
	figuresOf("a planned clearance that is missing beside the achieved one", "entry_mm;nerve_achieved_mm", "1;2.5"),
}

// without is a mistake in a stored measurement: a number is taken out of it.
func without(what string, take func(m map[string]any)) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		dir, err := os.Getwd()
		require.NoError(t, err)
		world(t) // another folder
		seriesOf(t)
		text, err := os.ReadFile("c.json")
		require.NoError(t, err)
		var m map[string]any
		require.NoError(t, json.Unmarshal(text, &m))
		take(m)
		changed, err := json.Marshal(m)
		require.NoError(t, err)
		t.Chdir(dir)
		write(t, "in/c.json", string(changed))
		says, status := linesSaid(run("report", "in/c.json", "c.html"), "plumbline: ", "wrote")
		more, _ := linesSaid(run("series", "import", "in", "s.jsonl"), "plumbline: ", "Added")
		return append(says, more...), status
	}}
}

func fixtureOf(m map[string]any) map[string]any {
	return m["fixtures"].([]any)[0].(map[string]any)
}

var missingNumbers = []mistake{
	without("a measurement without its entry deviation", func(m map[string]any) {
		delete(fixtureOf(m)["deviation"].(map[string]any), "entry_mm")
	}),
	without("a deviation that is null", func(m map[string]any) {
		fixtureOf(m)["deviation"].(map[string]any)["apex_mm"] = nil
	}),
	without("an interval without its lower end", func(m map[string]any) {
		delete(fixtureOf(m)["uncertainty"].(map[string]any)["angle_deg"].(map[string]any), "low95")
	}),
	without("a planned entry of two coordinates", func(m map[string]any) {
		fixtureOf(m)["planned"].(map[string]any)["entry"] = []any{1.0, 2.0}
	}),
	{"a record of a series without the planned clearance of a structure, its hash made anew", func(t *testing.T) ([]string, int) {
		write(t, "past.csv", past())
		require.Equal(t, Done, run("series", "import", "past.csv", "whole.jsonl").status)
		text, err := os.ReadFile("whole.jsonl")
		require.NoError(t, err)
		first, _, _ := strings.Cut(string(text), "\n")
		var r map[string]any
		require.NoError(t, json.Unmarshal([]byte(first), &r))
		delete(r, "hash")
		clearance := r["rows"].([]any)[0].(map[string]any)["clearance"].([]any)[0].(map[string]any)
		require.Contains(t, clearance, "planned_mm")
		delete(clearance, "planned_mm")
		write(t, "s.jsonl", sealedLine(t, r))
		return linesSaid(run("series", "check", "s.jsonl"), "line 1")
	}},
}

// slicesOf is a mistake in a scan of 48 slices, 1 mm apart.
func slicesOf(what string, change func(k int, d *element.Dataset)) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		v := ramp(1000)
		one := v.Stored
		v.Size[2] *= 4
		for k := len(v.Slope); k < v.Size[2]; k++ {
			v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -1024)
		}
		for range 3 {
			v.Stored = append(v.Stored, one...)
		}
		require.NoError(t, encode.Volume("scan", v, encode.Options{Change: change}))
		return linesSaid(run("scan", "scan"), "no volume can be read", "doubt", "notice", "used")
	}}
}

// position puts a slice at a height, mm.
func position(d *element.Dataset, z float64) {
	d.Set(tag.ImagePositionPatient, element.FormatDecimals(-10, 20, z))
}

var sliceMistakes = []mistake{
	slicesOf("none: evenly spaced slices", nil),
	slicesOf("a second acquisition half a slice apart, with its own slice numbers", func(k int, d *element.Dataset) {
		position(d, 5+0.5*float64(k))
		d.Set(tag.InstanceNumber, fmt.Sprint(k/2+1))
	}),
	slicesOf("a second acquisition half a slice apart, with its own acquisition number", func(k int, d *element.Dataset) {
		position(d, 5+0.5*float64(k))
		d.Set(tag.AcquisitionNumber, fmt.Sprint(1+k%2))
	}),
	slicesOf("a second acquisition that lies a third of a slice off", func(k int, d *element.Dataset) {
		position(d, 5+float64(k/2)+0.333*float64(k%2))
	}),
	slicesOf("one slice nearly a whole distance off its place", func(k int, d *element.Dataset) {
		if k == 20 {
			position(d, 25.9)
		}
	}),
	slicesOf("one distance of nearly two", func(k int, d *element.Dataset) {
		if k > 20 {
			position(d, 5.93+float64(k))
		}
	}),
	slicesOf("none: a stack that leans as a gantry tilts", func(k int, d *element.Dataset) {
		d.Set(tag.ImagePositionPatient, element.FormatDecimals(5, 5+0.25*float64(k), 5+float64(k)))
	}),
	slicesOf("a stack that leans farther than a gantry tilts", func(k int, d *element.Dataset) {
		d.Set(tag.ImagePositionPatient, element.FormatDecimals(5, 5+float64(k), 5+float64(k)))
	}),
	slicesOf("slices that slide to and fro", func(k int, d *element.Dataset) {
		d.Set(tag.ImagePositionPatient, element.FormatDecimals(5, 5+0.5*float64(k%2), 5+float64(k)))
	}),
	slicesOf("one slice missing", func(k int, d *element.Dataset) {
		if k > 20 {
			position(d, 6+float64(k))
		}
	}),
}

// forgedIn is a mistake, or malice, in a text: the answer has it in one line.
func forgedIn(what string, args []string, make func(t *testing.T, text string)) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		make(t, "a\n"+forged+"\x1b[2J")
		got := run(args...)
		return linesSaid(got, forged)
	}}
}

// replaced is a phantom that is made in the folder of another one, in which a file was
// written.
func replaced(what, file, text string, more ...string) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		line := append([]string{"phantom", "--voxel", "1.2", "--field", "20"}, more...)
		require.Equal(t, Done, run("phantom", "--voxel", "1.2", "--field", "20", "made").status)
		if file != "" {
			write(t, file, text)
		}
		got := run(append(line, "made")...)
		if got.status != Done && file != "" {
			kept, err := os.ReadFile(file)
			require.NoError(t, err)
			require.Equal(t, text, string(kept))
		}
		return linesSaid(got, "plumbline: ", "made made")
	}}
}

var replacedMistakes = []mistake{
	replaced("none: a phantom in place of one that nobody changed", "", ""),
	replaced("a phantom in place of another one", "", "", "--seed", "2"),
	replaced("a phantom in place of one whose case file was edited", "made/case.toml", plan),
	replaced("the same, with --overwrite", "made/case.toml", plan, "--overwrite"),
	replaced("a phantom in place of one with a file of the user's among its slices", "made/pre/notes.txt", "mine"),
	replaced("the same, with --overwrite", "made/pre/notes.txt", "mine", "--overwrite"),
}

// packOf is a mistake, or malice, in a pack that a receiver checks.
func packOf(what string, change func(of map[string]string)) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		write(t, "past.csv", past())
		require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
		require.Equal(t, Done, run("pack", "s.jsonl", "whole.zip").status)
		write(t, "review.zip", repacked(t, "whole.zip", change))
		return linesSaid(run("pack", "--check", "review.zip"), "fault", "not compared", "same byte for byte", "plumbline: ")
	}}
}

const packedPage = "series/report-1-clinician-a.html"

var packMistakes = []mistake{
	packOf("none: as it was packed", func(map[string]string) {}),
	packOf("a page changed", func(of map[string]string) { of[packedPage] = strings.Replace(of[packedPage], "mm", "cm", 1) }),
	packOf("a page changed, with manifest and sums to fit", func(of map[string]string) { forgePage(of, packedPage, "test") }),
	packOf("the same, and another version of the program named", func(of map[string]string) { forgePage(of, packedPage, "1.0.0") }),
}

var textMistakes = []mistake{
	forgedIn("a line of the program's own in the version of a pack", []string{"pack", "--check", "forged.zip"}, func(t *testing.T, text string) {
		write(t, "past.csv", past())
		require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
		require.Equal(t, Done, run("pack", "s.jsonl", "whole.zip").status)
		repack(t, "whole.zip", "forged.zip", func(name string, data []byte) (string, []byte) {
			if name != "manifest.json" {
				return name, data
			}
			var m map[string]any
			require.NoError(t, json.Unmarshal(data, &m))
			m["program"] = text
			changed, err := json.Marshal(m)
			require.NoError(t, err)
			return name, changed
		})
	}),
	forgedIn("the same in the name of a pack's member", []string{"pack", "--check", "forged.zip"}, func(t *testing.T, text string) {
		write(t, "past.csv", past())
		require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
		require.Equal(t, Done, run("pack", "s.jsonl", "whole.zip").status)
		repack(t, "whole.zip", "forged.zip", func(name string, data []byte) (string, []byte) {
			if name == "README.txt" {
				name = text
			}
			return name, data
		})
	}),
	forgedIn("the same as the name of a series file", []string{"series", "show", "a\n" + forged + "\x1b[2J"}, func(t *testing.T, text string) {}),
	{"a formula behind a line end in a reason, exported", func(t *testing.T) ([]string, int) {
		require.Equal(t, Done, run("series", "leave-out", "--case", "C-1", "--reason", "\n=1+1; =2", "s.jsonl").status)
		got := run("series", "export", "--csv", "s.csv", "s.jsonl")
		table, err := os.ReadFile("s.csv")
		require.NoError(t, err)
		says, _ := linesSaid(outcome{stdout: string(table)}, "C-1")
		return says, got.status
	}},
}

// keyOf is a mistake in a key of the case file: text that is added at its end, or replaces
// what stands there.
func keyOf(what, added string, replace ...string) mistake {
	return mistake{what, func(t *testing.T) ([]string, int) {
		rampCase(t, "case", replace...)
		text, err := os.ReadFile("case/case.toml")
		require.NoError(t, err)
		write(t, "case/case.toml", string(text)+added)
		got := run("measure", "case")
		return []string{strings.TrimPrefix(strings.TrimSpace(got.stderr), "plumbline: ")}, got.status
	}}
}

func structureOf(lines string) string {
	return "\n[[structure]]\nname = \"another canal\"\nkind = \"nerve\"\n" + lines + "\n"
}

// objectMistakes are about objects of other programs, what the planning scan is asked for,
// and cases of nobody.
var objectMistakes = []mistake{
	keyOf("a structure in a DICOM file that is not there", structureOf(`file = "structures.dcm"`)),
	keyOf("a slice of the scan in place of a structure's DICOM file", structureOf(`file = "pre/IM0001.dcm"`)),
	keyOf("a structure with a DICOM file and a path", structureOf("file = \"structures.dcm\"\npath = [[0, 0, 0], [1, 1, 1]]\nradius = 1")),
	keyOf("a canal to be found through one point", structureOf("find = \"canal\"\nthrough = [[0, 30, 40]]")),
	keyOf("a canal to be found through no point", structureOf("find = \"canal\"")),
	keyOf("points to go through, and nothing to find", structureOf("through = [[0, 30, 40], [1, 31, 41]]")),
	keyOf("a sinus to be found as a nerve", structureOf("find = \"sinus\"")),
	keyOf("a canal that is both drawn and to be found", structureOf("find = \"canal\"\nthrough = [[0, 30, 40], [1, 31, 41]]\npath = [[0, 0, 0], [1, 1, 1]]\nradius = 1")),
	keyOf("a plan in a DICOM file that is not there", "", "diameter", "plan = \"plan.dcm\"\ndiameter"),
	keyOf("a component of no plan", "", "diameter", "component = \"1\"\ndiameter"),
	keyOf("a case that is simulated in words", "", "numbering", "simulated = \"yes\"\nnumbering"),
}
