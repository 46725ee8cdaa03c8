package element_test

import (
	"bytes"
	"fmt"
	"log"

	"github.com/suyashkumar/dicom/pkg/tag"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
)

// A dataset with a sequence is written in one transfer syntax, and two of its
// attributes are read back.
func ExampleRead() {
	var position, d element.Dataset
	position.Set(tag.ImagePositionPatient, element.FormatDecimals(-12.5, 0, 30))
	d.Set(tag.SOPClassUID, "1.2.840.10008.5.1.4.1.1.2.1")
	d.Set(tag.SOPInstanceUID, element.UID("example"))
	d.Set(tag.Rows, []uint16{512})
	d.Set(tag.PlanePositionSequence, []element.Dataset{position})
	file, err := element.Encode(uid.ExplicitVRBigEndian, d)
	if err != nil {
		log.Fatal(err)
	}

	f, err := element.Read(bytes.NewReader(file), int64(len(file)), element.Selection{
		Longest:  map[tag.Tag]int64{tag.Rows: 4, tag.PlanePositionSequence: element.Items, tag.ImagePositionPatient: 64},
		MaxItems: 10,
	})
	if err != nil {
		log.Fatal(err)
	}
	rows, _, err := f.Data.Integer(tag.Rows)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(f.Syntax, rows)
	for _, item := range f.Data[tag.PlanePositionSequence].Items {
		fmt.Println(item.Values(tag.ImagePositionPatient))
	}
	// Output:
	// 1.2.840.10008.1.2.2 512
	// [-12.5 0 30]
}
