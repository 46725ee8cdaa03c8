package report

import (
	"bytes"
	"io"
	"os"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/filing"
)

// maker is what the reports in every format name as the program that made them.
const maker = filing.Maker

// IsHTML reports whether a file is a report that HTML wrote.
func IsHTML(f *os.File) bool {
	start := make([]byte, 1024)
	n, err := io.ReadFull(f, start)
	return (err == nil || err == io.ErrUnexpectedEOF) && bytes.Contains(start[:n], []byte(`<meta name="generator" content="`+maker+`">`))
}

// IsPDF reports whether a file is a report that PDF wrote.
func IsPDF(f *os.File) bool {
	data, err := io.ReadAll(io.LimitReader(f, maxPDF))
	return err == nil && bytes.HasPrefix(data, []byte("%PDF-")) && bytes.Contains(data, []byte("\n/Producer ("+maker+")\n"))
}

// maxPDF bounds what is looked through, bytes; the report of a thousand cases has
// some 20 MB.
const maxPDF = 256 << 20

// IsDICOM reports whether a file is a report that DICOM wrote.
func IsDICOM(f *os.File) bool {
	info, err := f.Stat()
	if err != nil {
		return false
	}
	d, err := element.Read(f, info.Size(), element.Selection{Longest: map[tag.Tag]int64{tag.SOPClassUID: 64, tag.Manufacturer: 64}})
	return err == nil && d.Data.Identifier(tag.SOPClassUID) == encapsulatedPDF && d.Data.Text(tag.Manufacturer) == maker
}
