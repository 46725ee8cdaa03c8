package report

import (
	_ "embed"
	"fmt"
	"strings"
	"unicode"

	"plumbline/internal/measurement"
)

// Pages that the program prints and the README links to.
var (
	//go:embed words.md
	wordsPage string
	//go:embed accuracy.md
	accuracyPage string
)

// Words is the glossary for those who read reports: what stands in words.md, and the
// figures as they are defined in every report.
func Words() *Document {
	d := topic(wordsPage)
	d.add(heading{Level: 2, Text: "The figures"}, definitionTable())
	return d
}

// Accuracy tells how well alignment, pose and intervals were found to hold.
func Accuracy() *Document { return topic(accuracyPage) }

// Codes lists the code of every flag with what it is about, its levels and its meaning.
func Codes() *Document {
	d := &Document{Title: "Flags"}
	var l list
	for _, c := range measurement.Codes {
		l.Items = append(l.Items, fmt.Sprintf("%s (%s, %s): %s", c.Code, c.About, c.Levels, c.Meaning))
	}
	d.add(masthead{Title: d.Title}, paragraph{Text: "A doubt says that figures are not to be relied on, and makes the exit status 3; a notice tells how a figure came about. Codes keep their meaning."}, l)
	return d
}

// topic makes a document of the few things of Markdown that these pages have: a title,
// headings, paragraphs, lists whose items take one line, tables, bold, code and links.
// A page that has others is a fault of this package.
func topic(page string) *Document {
	d := &Document{}
	for part := range strings.SplitSeq(strings.TrimSpace(page), "\n\n") {
		lines := strings.Split(strings.TrimSpace(part), "\n")
		text, isHeading := strings.CutPrefix(lines[0], "## ")
		switch {
		case strings.HasPrefix(lines[0], "# "):
			d.Title = unmarked(lines[0][2:])
			d.add(masthead{Title: d.Title})
		case isHeading:
			d.add(heading{Level: 2, Text: unmarked(text)})
		case strings.HasPrefix(lines[0], "|"):
			d.add(topicTable(lines))
		case strings.HasPrefix(lines[0], "- "):
			var l list
			for _, line := range lines {
				l.Items = append(l.Items, unmarked(strings.TrimPrefix(line, "- ")))
			}
			d.add(l)
		default:
			d.add(paragraph{Text: unmarked(strings.Join(lines, " "))})
		}
	}
	return d
}

// topicTable makes a table of its lines: head, rule, rows. Columns of numbers stand at
// the right.
func topicTable(lines []string) table {
	cells := func(line string) []string {
		parts := strings.Split(strings.Trim(line, "| "), "|")
		for i := range parts {
			parts[i] = unmarked(strings.TrimSpace(parts[i]))
		}
		return parts
	}
	t := table{Dense: true}
	for _, head := range cells(lines[0]) {
		t.Columns = append(t.Columns, column{Head: head, Share: 1})
	}
	for _, line := range lines[2:] {
		r := row{Cells: cells(line)}
		if len(r.Cells) != len(t.Columns) {
			panic(fmt.Sprintf("a row of %d cells under %d heads: %s", len(r.Cells), len(t.Columns), line))
		}
		t.Rows = append(t.Rows, r)
	}
	for i := range t.Columns {
		t.Columns[i].Right = true
		for _, r := range t.Rows {
			t.Columns[i].Right = t.Columns[i].Right && strings.ContainsFunc(r.Cells[i], unicode.IsDigit)
		}
	}
	t.Columns[0].Right = false
	return t
}

// unmarked takes the marks of bold, code and links off a text.
func unmarked(s string) string {
	s = strings.NewReplacer("**", "", "`", "").Replace(s)
	for {
		before, rest, found := strings.Cut(s, "](")
		open := strings.LastIndex(before, "[")
		_, after, closed := strings.Cut(rest, ")")
		if !found || open < 0 || !closed {
			return s
		}
		s = before[:open] + before[open+1:] + after
	}
}
