package drawing

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"os"
)

// pngHead is the length of the signature and the header chunk of a PNG file, bytes
// (PNG, 3rd edition, 5.2 and 11.2.1).
const pngHead = 8 + 12 + 13

// software is the text chunk that says which program made a picture (11.3.3.2).
var software = chunk("tEXt", "Software\x00plumbline")

func chunk(kind, data string) []byte {
	out := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	out = append(out, kind+data...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(out[4:]))
}

// WritePNG writes a picture as a PNG file that names this program.
func WritePNG(w io.Writer, img image.Image) error {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return err
	}
	_, err := w.Write(append(append(b.Bytes()[:pngHead:pngHead], software...), b.Bytes()[pngHead:]...))
	return err
}

// IsPNG reports whether a file is a picture that WritePNG wrote.
func IsPNG(f *os.File) bool {
	start := make([]byte, pngHead+len(software))
	_, err := io.ReadFull(f, start)
	return err == nil && bytes.Equal(start[pngHead:], software)
}
