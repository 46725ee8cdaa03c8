package jpeg_test

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	stdjpeg "image/jpeg"
	"log"

	"plumbline/internal/dicom/codec/codestream"
	"plumbline/internal/dicom/codec/jpeg"
)

// A frame is decoded into memory of the caller's, whose size the DICOM header
// gives. A stream that cannot be decoded says whether it is damaged or of a kind
// that is not read.
func ExampleDecode() {
	picture := image.NewGray(image.Rect(0, 0, 4, 2))
	for i := range picture.Pix {
		picture.Pix[i] = 128
	}
	var frame bytes.Buffer
	if err := stdjpeg.Encode(&frame, picture, nil); err != nil {
		log.Fatal(err)
	}

	samples := make([]uint16, 4*2)
	precision, lossy, err := jpeg.Decode(samples, frame.Bytes(), 4, 2, 16)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(samples, precision, "bits, lossy:", lossy)

	_, _, err = jpeg.Decode(samples, frame.Bytes()[:2], 4, 2, 16)
	var damaged *codestream.Error
	fmt.Println(errors.As(err, &damaged) && !damaged.Unsupported, err)
	// Output:
	// [128 128 128 128 128 128 128 128] 8 bits, lossy: true
	// true JPEG stream: SOI at byte 0: the data end at byte 2, behind it; a marker expected
}
