package reviewpack

import "strings"

// readme explains a pack to somebody who has never seen one.
func readme(o Options) string {
	var b strings.Builder
	b.WriteString(`PEER-REVIEW PACK

This archive shows how far a clinician's dental fixtures lie from their plans, case
by case. It was made with plumbline ` + o.Version + `.

Where to begin
  series/report.pdf      the series on paper: what it shows, learning, control charts,
                         habit, margins, every case, seals, remarks, references
  series/report.html     the same for a screen; opens in any browser, without network
                         (with several clinicians there is a report for each)

What else is here
  cases/NNN-NAME.html    the report of one case, numbered in the order of surgery
  cases/NNN-NAME.json    its measurement, for programs
  series/cases.csv       every fixture of every case, also cases that were left out or
                         never measured, as a table; columns.csv says what they mean
  series/chain.txt       the chain of hashes of the series file, record by record
`)
	if o.RelativeDates {
		b.WriteString(`
Dates
  Dates are given as days since the first surgery ("day 0"). The series file, which
  holds dates, is left out, and so are the identifiers of the scans. Its chain was
  checked when this pack was made; chain.txt has the outcome and the hashes.
`)
	} else {
		b.WriteString(`  series/series.jsonl    the series file itself, a record a line, each with the hash of
                         the one before it

Dates
  Dates are as given.
`)
	}
	b.WriteString(`
Persons
  Patients, clinicians and reviewers appear under pseudonyms. Remarks and reasons are
  as their authors wrote them. There are no scans in this pack.

How to check it
  ` + o.CheckLine + `
      says whether every file is as it was packed`)
	if o.RelativeDates {
		b.WriteString(`, and whether the reports of the
      cases and the table are what the program makes from the measurements`)
	} else {
		b.WriteString(`, whether the chain of the series
      file is unbroken, and whether all other files are what the program makes from
      it, byte for byte`)
	}
	b.WriteString(`.
  Without the program: unpack, and run  sha256sum -c SHA256SUMS  in the folder.
  Either shows that the files belong together, not who made them. For that, ask the
  sender for the pack's digest, or for a receipt of the series file, by another way.

Cautions
  A series describes these cases, not a clinician's worth. A follow-up scan is taken
  for a clinical reason, so that troubled cases may be over-represented. Published
  figures are of other people's patients. Local codes and licensed judgement come
  first.
`)
	return b.String()
}
