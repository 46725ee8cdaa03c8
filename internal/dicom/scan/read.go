package scan

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"runtime"
	"sync"
	"sync/atomic"

	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// sliceFacts is what is counted while a slice is at hand.
type sliceFacts struct {
	volume.Extremes
	padded int  // voxels of padding
	lossy  bool // the decoder says so
}

// guard runs f and turns a panic into an error: damaged files must not end the
// program.
func guard(f func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("the file is damaged in a way that was not foreseen (%v); export it again", p)
		}
	}()
	return f()
}

// parallel runs f for 0 to n-1 on all processors and returns the error of the
// lowest index. After an error no further ones are begun.
func parallel(n int, f func(i int) error) error {
	var next atomic.Int64
	var failed atomic.Bool
	errs := make([]error, n)
	var wg sync.WaitGroup
	for range min(n, runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			for !failed.Load() {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				if errs[i] = guard(func() error { return f(i) }); errs[i] != nil {
					failed.Store(true)
				}
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// scratch has memory for a frame's bytes, so that a scan of many frames leaves no
// more behind than a few of them.
var scratch = sync.Pool{New: func() any { return new([]byte) }}

// read fills v.Stored from the files, slice k from s.slices[k].
func (s *stack) read(v *volume.Volume) ([]sliceFacts, error) {
	plane := v.Size[0] * v.Size[1]
	facts := make([]sliceFacts, len(s.slices))
	// Native frames on disk are read one by one; streams and fragments file by
	// file.
	var jobs [][]int
	byImage := map[*image]int{}
	for k, sl := range s.slices {
		if nativeSyntax[sl.syntax] && sl.file.random != nil && sl.syntax != uid.DeflatedExplicitVRLittleEndian {
			jobs = append(jobs, []int{k})
			continue
		}
		if j, ok := byImage[sl.image]; ok {
			jobs[j] = append(jobs[j], k)
			continue
		}
		byImage[sl.image] = len(jobs)
		jobs = append(jobs, []int{k})
	}
	err := parallel(len(jobs), func(j int) error {
		buffer := scratch.Get().(*[]byte)
		defer scratch.Put(buffer)
		g := s.slices[jobs[j][0]].image
		into := make(map[int]int, len(jobs[j])) // frame of the file to slice
		for _, k := range jobs[j] {
			into[s.slices[k].number] = k
		}
		done := func(frame int, words []uint16, lossy bool) {
			f := count(words, v.Padding)
			f.lossy = lossy
			facts[into[frame]] = f
		}
		target := func(frame int) []uint16 {
			k, wanted := into[frame]
			if !wanted {
				return nil
			}
			return v.Stored[k*plane : (k+1)*plane]
		}
		if err := g.read(target, done, buffer); err != nil {
			return fmt.Errorf("%s: %w", g.file.name, err)
		}
		for _, k := range jobs[j] {
			if facts[k].Voxels+facts[k].padded != plane {
				return fmt.Errorf("%s: frame %d could not be read; export the scan again", g.file.name, s.slices[k].number+1)
			}
		}
		return nil
	})
	return facts, err
}

// read reads the wanted frames of one file: those for which target gives a
// place for their words. done is called for each after it is filled.
func (g *image) read(target func(frame int) []uint16, done func(frame int, words []uint16, lossy bool), buffer *[]byte) error {
	switch {
	case !nativeSyntax[g.syntax]:
		return g.readFragments(target, done)
	case g.file.random != nil && g.syntax != uid.DeflatedExplicitVRLittleEndian:
		return g.readDirect(target, done, buffer)
	default:
		return g.readStream(target, done, buffer)
	}
}

// digest is that of the kept words of one frame. All frames are read for it, so
// that a stream is read only once.
func (g *image) digest(frame int) ([sha256.Size]byte, error) {
	if g.digests == nil {
		sums := make([][sha256.Size]byte, len(g.frames))
		plane := g.layout.rows * g.layout.cols
		err := guard(func() error {
			return g.read(func(int) []uint16 { return make([]uint16, plane) },
				func(i int, words []uint16, _ bool) { sums[i] = wordsDigest(words) }, new([]byte))
		})
		if err != nil {
			return [sha256.Size]byte{}, err
		}
		g.digests = sums
	}
	return g.digests[frame], nil
}

// sized gives buffer's memory at length n.
func sized(buffer *[]byte, n int64) []byte {
	if int64(cap(*buffer)) < n {
		*buffer = make([]byte, n)
	}
	return (*buffer)[:n]
}

// readDirect reads native frames from a file on disk.
func (g *image) readDirect(target func(int) []uint16, done func(int, []uint16, bool), buffer *[]byte) error {
	f, err := g.file.random()
	if err != nil {
		return err
	}
	defer f.Close()
	n := g.layout.frameBytes()
	for i := range g.frames {
		words := target(i)
		if words == nil {
			continue
		}
		err := g.layout.fill(words, g.padding, buffer, func(b []byte) error {
			_, err := f.ReadAt(b, g.pixels.Offset+int64(i)*n)
			return element.ReadError(err)
		})
		if err != nil {
			return err
		}
		done(i, words, false)
	}
	return g.file.unchanged(f)
}

// readStream reads native frames from a stream, in the order of the file.
func (g *image) readStream(target func(int) []uint16, done func(int, []uint16, bool), buffer *[]byte) error {
	r, closer, err := g.value()
	if err != nil {
		return err
	}
	defer closer.Close()
	for i := range g.frames {
		words := target(i)
		if words == nil {
			if _, err := io.CopyN(io.Discard, r, g.layout.frameBytes()); err != nil {
				return element.ReadError(err)
			}
			continue
		}
		err := g.layout.fill(words, g.padding, buffer, func(b []byte) error {
			_, err := io.ReadFull(r, b)
			return element.ReadError(err)
		})
		if err != nil {
			return err
		}
		done(i, words, false)
	}
	if f, disk := closer.(*os.File); disk {
		return g.file.unchanged(f)
	}
	// An archive's checksum is compared when its entry ends.
	_, err = io.Copy(io.Discard, io.LimitReader(closer, g.file.size))
	return element.ReadError(err)
}

// value opens a stream at the first byte of the pixels.
func (g *image) value() (io.Reader, io.ReadCloser, error) {
	c, err := g.file.stream()
	if err != nil {
		return nil, nil, err
	}
	var r io.Reader = c
	if g.syntax == uid.DeflatedExplicitVRLittleEndian {
		// The deflated part begins where the header's walk found it.
		if _, err := io.CopyN(io.Discard, c, g.pixels.DeflatedAt); err != nil {
			c.Close()
			return nil, nil, element.ReadError(err)
		}
		r = flate.NewReader(c)
	}
	if _, err := io.CopyN(io.Discard, r, g.pixels.Offset); err != nil {
		c.Close()
		return nil, nil, element.ReadError(err)
	}
	return r, c, nil
}

// readFragments reads compressed frames.
func (g *image) readFragments(target func(int) []uint16, done func(int, []uint16, bool)) error {
	r, size, err := g.encapsulated()
	if err != nil {
		return err
	}
	if s, ok := r.(section); ok {
		defer s.Close()
	}
	offsets, fragments, err := element.ReadFragments(r, size, maxFrames)
	if err != nil {
		return fmt.Errorf("%w; export the scan again", err)
	}
	if g.extended != nil {
		offsets = g.extended
	}
	parts, err := framesOf(r, len(g.frames), offsets, fragments)
	if err != nil {
		return fmt.Errorf("%w; export the scan again", err)
	}
	err = parallel(len(parts), func(i int) error {
		words := target(i)
		if words == nil {
			return nil
		}
		buffer := scratch.Get().(*[]byte)
		defer scratch.Put(buffer)
		data, err := join(r, parts[i], buffer)
		if err != nil {
			return fmt.Errorf("frame %d: %w", i+1, err)
		}
		lossy, err := g.decodeFrame(words, data)
		if err != nil {
			return fmt.Errorf("frame %d: %w", i+1, err)
		}
		done(i, words, lossy)
		return nil
	})
	if s, ok := r.(section); ok && err == nil {
		err = g.file.unchanged(s.File)
	}
	return err
}

// join puts a frame's fragments together in buffer's memory.
func join(r io.ReaderAt, parts []element.Fragment, buffer *[]byte) ([]byte, error) {
	var n int64
	for _, p := range parts {
		n += p.Length
	}
	data := sized(buffer, n) // no more than the file has: ReadFragments checked
	at := int64(0)
	for _, p := range parts {
		if _, err := r.ReadAt(data[at:at+p.Length], p.Offset); err != nil && err != io.EOF {
			return nil, element.ReadError(err)
		}
		at += p.Length
	}
	return data, nil
}

// section is a file from some byte on.
type section struct {
	*os.File
	from int64
}

// ReadAt counts from the section's start.
func (s section) ReadAt(b []byte, at int64) (int, error) { return s.File.ReadAt(b, s.from+at) }

// encapsulated gives random access to the value of compressed pixel data: on
// disk in place, from a zip archive in memory.
func (g *image) encapsulated() (io.ReaderAt, int64, error) {
	if g.file.random != nil {
		f, err := g.file.random()
		if err != nil {
			return nil, 0, err
		}
		return section{f, g.pixels.Offset}, g.file.size - g.pixels.Offset, nil
	}
	r, c, err := g.value()
	if err != nil {
		return nil, 0, err
	}
	defer c.Close()
	// Compressed data is smaller than what comes out, but for noise.
	most := 2*g.layout.frameBytes()*int64(len(g.frames)) + 1<<20
	b, err := io.ReadAll(io.LimitReader(r, most))
	if err != nil {
		return nil, 0, element.ReadError(err)
	}
	return bytes.NewReader(b), int64(len(b)), nil
}

// count takes a slice's range.
func count(words []uint16, pad *volume.Range) sliceFacts {
	e := volume.ExtremesOf(words, pad)
	return sliceFacts{Extremes: e, padded: len(words) - e.Voxels}
}

// extremes is each slice's range.
func extremes(facts []sliceFacts) []volume.Extremes {
	out := make([]volume.Extremes, len(facts))
	for k, f := range facts {
		out[k] = f.Extremes
	}
	return out
}

// wordsDigest is the SHA-256 of words, the low byte first.
func wordsDigest(words []uint16) [sha256.Size]byte {
	if !bigEndianHost {
		return sha256.Sum256(raw(words))
	}
	turned := make([]byte, 0, 2*len(words))
	for _, w := range words {
		turned = binary.LittleEndian.AppendUint16(turned, w)
	}
	return sha256.Sum256(turned)
}

// digest is the SHA-256 of the grid, the rescale and the voxels: of one line of
// text for the grid and one a slice. Lengths are given to 1e-6 mm, so that
// positions that were printed or computed differently agree.
func digest(v *volume.Volume) string {
	slices := make([][sha256.Size]byte, v.Size[2])
	plane := v.Size[0] * v.Size[1]
	_ = parallel(len(slices), func(k int) error { // it cannot fail
		slices[k] = wordsDigest(v.Stored[k*plane : (k+1)*plane])
		return nil
	})
	h := sha256.New()
	point := func(p geom.Vec) string { return fmt.Sprintf("%.6f %.6f %.6f", micro(p.X), micro(p.Y), micro(p.Z)) }
	fmt.Fprintf(h, "volume %v; %s; %s; %s; %s", v.Size, point(v.Origin), point(v.Step[0]), point(v.Step[1]), point(v.Step[2]))
	if v.Padding != nil {
		fmt.Fprintf(h, "; padding %d %d", v.Padding.Low, v.Padding.High)
	}
	for k, sum := range slices {
		fmt.Fprintf(h, "\n%.9g %.9g %x", v.Slope[k], v.Intercept[k], sum)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// remarkInverted says what was made of MONOCHROME1, which asks viewers to show
// low values white but leaves the values their meaning (PS3.3 C.7.6.3.1.2).
// Some programs turn the values over as well; then bone and metal are dark.
func (s *stack) remarkInverted(out *Scan, facts []sliceFacts) {
	if upright(&out.Volume, facts, out.Low, out.High) {
		s.flag(measurement.Notice, "monochrome1", "the scan asks to be shown inverted (MONOCHROME1); its grey values were taken as they stand")
		return
	}
	s.flag(measurement.Doubt, "monochrome1-inverted", "the scan is marked as inverted (MONOCHROME1) and its densest parts do not look bright, so metal may be sought at the wrong end; export it as MONOCHROME2")
}

// upright tells whether the sparse end of the grey values is the high one, as
// it is where air and soft tissue fill most of the volume and bone and metal
// little.
func upright(v *volume.Volume, facts []sliceFacts, low, high float64) bool {
	plane := v.Size[0] * v.Size[1]
	half := (low + high) / 2
	dark, bright := 0, 0
	for k := range facts {
		for _, w := range v.Stored[k*plane : (k+1)*plane] {
			if v.Padded(w) {
				continue
			}
			if v.Slope[k]*float64(w)+v.Intercept[k] > half {
				bright++
			} else {
				dark++
			}
		}
	}
	return dark > bright
}
