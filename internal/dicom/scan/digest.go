package scan

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// wordsDigest is the SHA-256 of words, the low byte first.
func wordsDigest(words []uint16) [sha256.Size]byte {
	if !bigEndianHost {
		return sha256.Sum256(bytesOf(words))
	}
	turned := make([]byte, 0, 2*len(words))
	for _, w := range words {
		turned = binary.LittleEndian.AppendUint16(turned, w)
	}
	return sha256.Sum256(turned)
}

// volumeDigest is the SHA-256 of the grid, the rescale and the voxels: of one line of
// text for the grid and one a slice. Lengths are given to 1e-6 mm, so that
// positions that were printed or computed differently agree.
func volumeDigest(v *volume.Volume) string {
	slices := make([][sha256.Size]byte, v.Size[2])
	plane := v.Size[0] * v.Size[1]
	_ = parallel(len(slices), func(k int) error { // it cannot fail
		slices[k] = wordsDigest(v.Stored[k*plane : (k+1)*plane])
		return nil
	})
	h := sha256.New()
	point := func(p geom.Vec) string {
		return fmt.Sprintf("%.6f %.6f %.6f", roundLength(p.X), roundLength(p.Y), roundLength(p.Z))
	}
	fmt.Fprintf(h, "volume %v; %s; %s; %s; %s", v.Size, point(v.Origin), point(v.Step[0]), point(v.Step[1]), point(v.Step[2]))
	if v.Padding != nil {
		fmt.Fprintf(h, "; padding %d %d", v.Padding.Low, v.Padding.High)
	}
	for k, sum := range slices {
		fmt.Fprintf(h, "\n%.9g %.9g %x", v.Slope[k], v.Intercept[k], sum)
	}
	return hex.EncodeToString(h.Sum(nil))
}
