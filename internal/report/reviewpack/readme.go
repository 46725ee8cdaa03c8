package reviewpack

import "strings"

// readme explains a pack to somebody who has never seen one.
func readme(o Options) string {
	var b strings.Builder
	b.WriteString(`PEER-REVIEW PACK

This archive shows how far a clinician's dental fixtures lie from their plans, case
by case. It was made with plumbline ` + o.Version + `.

Where to begin
  first-page.pdf         what this shows and cannot show, and every case that was
                         withdrawn, left out, sealed late or changed (also .html)
  series/report.pdf      the series on paper: what it shows, learning, control charts,
                         habit, margins, every case, seals, remarks, references
  series/report.html     the same for a screen; opens in any browser, without network
                         (with several clinicians there is a report for each)

What else is here
  cases/NNN-NAME.html    the report of one case, numbered in the order of surgery
  cases/NNN-NAME.pdf     the same on paper
  cases/NNN-NAME-pictures.pdf
                         cuts through its scans and the check of the alignment, where the
                         scans were at hand when it was packed
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
  as their authors wrote them. There are no scans in this pack, but pictures from
  some of them may be.

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

  Without the program, with what the computer has: unpack the archive into a folder,
  and go on in that folder.
    Windows   Right-click an empty place in the folder, choose to open a terminal
              (PowerShell) there, and paste this as one line:
      Get-Content SHA256SUMS | ForEach-Object { $sum, $file = $_ -split '  ', 2; if ((Get-FileHash -LiteralPath $file -Algorithm SHA256).Hash -eq $sum) { "$file OK" } else { "$file CHANGED" } }
    macOS     Open Terminal, type  cd  and a space, drag the folder onto the window,
              press return, and type:
      shasum -a 256 -c SHA256SUMS
    Linux     Open a terminal in the folder and type:
      sha256sum -c SHA256SUMS
  Every line has to end in OK. SHA256SUMS lists every file but itself. The digest of the
  pack is the hash of manifest.json, which stands in SHA256SUMS.
  Any of these shows that the files belong together, not who made them. For that, ask the
  sender for the pack's digest, or for a receipt of the series file, by another way.

Cautions
  A series describes these cases, not a clinician's worth. A follow-up scan is taken
  for a clinical reason, so that troubled cases may be over-represented. Published
  figures are of other people's patients. Local codes and licensed judgement come
  first.
`)
	return b.String()
}
