package element

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"
)

// TestRead reads files without preamble that are written out by hand from PS3.5
// 7.1 and 7.5: one sequence with one item in each form that the standard allows.
func TestRead(t *testing.T) {
	const (
		first    = "08006000 4353 0200 4354 "
		position = "20003200 4453 0600 315c325c3320 "
		sequence = "20001391 5351 0000 "
	)
	keep := Selection{MaxItems: 1, Longest: map[tag.Tag]int64{tag.PlanePositionSequence: Items, tag.ImagePositionPatient: 8}}
	for name, text := range map[string]string{
		"stated lengths":          first + sequence + "16000000 feff00e0 0e000000 " + position,
		"undefined lengths":       first + sequence + "ffffffff feff00e0 ffffffff " + position + "feff0de0 00000000 feffdde0 00000000",
		"only the item undefined": first + sequence + "1e000000 feff00e0 ffffffff " + position + "feff0de0 00000000",
		"only the item stated":    first + sequence + "ffffffff feff00e0 0e000000 " + position + "feffdde0 00000000",
		"unknown, so implicit":    first + "20001391 554e 0000 16000000 feff00e0 0e000000 20003200 06000000 315c325c3320",
		"all implicit":            "08006000 02000000 4354 20001391 16000000 feff00e0 0e000000 20003200 06000000 315c325c3320",
		"all big endian":          "00080060 4353 0002 4354 00209113 5351 0000 00000016 fffee000 0000000e 00200032 4453 0006 315c325c3320",
		"within another":          first + "20001491 5351 0000 ffffffff feff00e0 ffffffff feff0de0 00000000 feffdde0 00000000 " + sequence + "16000000 feff00e0 0e000000 " + position,
	} {
		t.Run(name, func(t *testing.T) {
			b, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
			require.NoError(t, err)
			f, err := Read(bytes.NewReader(b), int64(len(b)), keep)
			require.NoError(t, err)
			require.Len(t, f.Data, 1)
			items := f.Data[tag.PlanePositionSequence].Items
			require.Len(t, items, 1)
			x, comma, ok, err := items[0].Decimals(tag.ImagePositionPatient, 3)
			require.NoError(t, err)
			assert.Equal(t, []float64{1, 2, 3}, x)
			assert.True(t, ok && !comma)

			for n := range b[:len(b)-1] { // cut anywhere
				f, err := Read(bytes.NewReader(b[:n]), int64(n), keep)
				if err == nil {
					assert.Empty(t, f.Data[tag.PlanePositionSequence].Items)
				}
			}
			f, err = Read(bytes.NewReader(b), int64(len(b)), Selection{Longest: map[tag.Tag]int64{tag.PlanePositionSequence: Items}})
			require.EqualError(t, err, "more than 0 sequence items")
			require.NotNil(t, f)
		})
	}
}
