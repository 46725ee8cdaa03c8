package scan

import (
	"bytes"
	"compress/flate"
	"crypto/sha256"
	"fmt"
	"io"
	"os"
	"sync"

	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/element"
	"plumbline/internal/volume"
)

// sliceStats are taken of a slice while its stored values are in the cache.
type sliceStats struct {
	volume.Extremes
	padded int // voxels of padding
	coding
}

// frameBuffers has memory for the bytes of a frame, used again from frame to frame:
// a scan has hundreds, and the garbage collector would come late. A sync.Pool keeps one for
// each processor and makes more of them on a busy machine.
var frameBuffers bufferList

// bufferList is a list of buffers that nobody uses.
type bufferList struct {
	mu   sync.Mutex
	free []*[]byte
}

// get takes the buffer put back last, or a new one.
func (l *bufferList) get() *[]byte {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.free) == 0 {
		return new([]byte)
	}
	last := len(l.free) - 1
	buffer := l.free[last]
	l.free = l.free[:last]
	return buffer
}

func (l *bufferList) put(buffer *[]byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.free = append(l.free, buffer)
}

// drop leaves the buffers to the garbage collector.
func (l *bufferList) drop() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.free = nil
}

// readVoxels fills v.Stored from the files, slice k from s.slices[k].
func (s *stack) readVoxels(v *volume.Volume) ([]sliceStats, error) {
	defer frameBuffers.drop()
	plane := v.Size[0] * v.Size[1]
	stats := make([]sliceStats, len(s.slices))
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
		buffer := frameBuffers.get()
		defer frameBuffers.put(buffer)
		g := s.slices[jobs[j][0]].image
		into := make(map[int]int, len(jobs[j])) // frame of the file to slice
		for _, k := range jobs[j] {
			into[s.slices[k].number] = k
		}
		done := func(frame int, words []uint16, c coding) {
			f := statsOf(words, v.Padding)
			f.coding = c
			stats[into[frame]] = f
		}
		target := func(frame int) []uint16 {
			k, wanted := into[frame]
			if !wanted {
				return nil
			}
			return v.Stored[k*plane : (k+1)*plane]
		}
		if err := g.decodeFrames(target, done, buffer); err != nil {
			return fmt.Errorf("%s: %w", g.file.name, err)
		}
		for _, k := range jobs[j] {
			if stats[k].Voxels+stats[k].padded != plane {
				return fmt.Errorf("%s: frame %d could not be read; export the scan again", g.file.name, s.slices[k].number+1)
			}
		}
		return nil
	})
	return stats, err
}

// decodeFrames reads the wanted frames of one file: those for which target gives a
// place for their words. done is called for each after it is filled.
func (g *image) decodeFrames(target func(frame int) []uint16, done func(frame int, words []uint16, c coding), buffer *[]byte) error {
	switch {
	case !nativeSyntax[g.syntax]:
		return g.readFragments(target, done)
	case g.file.random != nil && g.syntax != uid.DeflatedExplicitVRLittleEndian:
		return g.readDirect(target, done, buffer)
	default:
		return g.readStream(target, done, buffer)
	}
}

// frameDigest is the digest of the stored values of one frame. All frames are read
// for it, so that a stream is read only once.
func (g *image) frameDigest(frame int) ([sha256.Size]byte, error) {
	if g.digests == nil {
		sums := make([][sha256.Size]byte, len(g.frames))
		plane := g.layout.rows * g.layout.cols
		err := guard(func() error {
			return g.decodeFrames(func(int) []uint16 { return make([]uint16, plane) },
				func(i int, words []uint16, _ coding) { sums[i] = wordsDigest(words) }, new([]byte))
		})
		if err != nil {
			return [sha256.Size]byte{}, err
		}
		g.digests = sums
	}
	return g.digests[frame], nil
}

// resized gives buffer's memory at length n.
func resized(buffer *[]byte, n int64) []byte {
	if int64(cap(*buffer)) < n {
		*buffer = make([]byte, n)
	}
	return (*buffer)[:n]
}

// readDirect reads native frames from a file on disk.
func (g *image) readDirect(target func(int) []uint16, done func(int, []uint16, coding), buffer *[]byte) error {
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
		err := g.layout.readNativeFrame(words, g.padding, buffer, func(b []byte) error {
			_, err := f.ReadAt(b, g.pixels.Offset+int64(i)*n)
			return element.ReadError(err)
		})
		if err != nil {
			return err
		}
		done(i, words, coding{})
	}
	return g.file.checkUnchanged(f)
}

// readStream reads native frames from a stream, in the order of the file.
func (g *image) readStream(target func(int) []uint16, done func(int, []uint16, coding), buffer *[]byte) error {
	r, closer, err := g.openPixels()
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
		err := g.layout.readNativeFrame(words, g.padding, buffer, func(b []byte) error {
			_, err := io.ReadFull(r, b)
			return element.ReadError(err)
		})
		if err != nil {
			return err
		}
		done(i, words, coding{})
	}
	if f, disk := closer.(*os.File); disk {
		return g.file.checkUnchanged(f)
	}
	// An archive's checksum is compared when its entry ends.
	_, err = io.Copy(io.Discard, io.LimitReader(closer, g.file.size))
	return element.ReadError(err)
}

// openPixels opens a stream at the first byte of the pixels.
func (g *image) openPixels() (io.Reader, io.ReadCloser, error) {
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
func (g *image) readFragments(target func(int) []uint16, done func(int, []uint16, coding)) error {
	r, size, err := g.openFragments()
	if err != nil {
		return err
	}
	if s, ok := r.(fileSection); ok {
		defer s.Close()
	}
	offsets, fragments, err := element.ReadFragments(r, size, maxFrames)
	if err != nil {
		return fmt.Errorf("%w; export the scan again", err)
	}
	if g.extended != nil {
		offsets = g.extended
	}
	parts, err := groupFragments(r, len(g.frames), offsets, fragments)
	if err != nil {
		return fmt.Errorf("%w; export the scan again", err)
	}
	err = parallel(len(parts), func(i int) error {
		words := target(i)
		if words == nil {
			return nil
		}
		buffer := frameBuffers.get()
		defer frameBuffers.put(buffer)
		data, err := joinFragments(r, parts[i], buffer)
		if err != nil {
			return fmt.Errorf("frame %d: %w", i+1, err)
		}
		c, err := g.decodeFrame(words, data)
		if err != nil {
			return fmt.Errorf("frame %d: %w", i+1, err)
		}
		done(i, words, c)
		return nil
	})
	if s, ok := r.(fileSection); ok && err == nil {
		err = g.file.checkUnchanged(s.File)
	}
	return err
}

// joinFragments puts a frame's fragments together in buffer's memory.
func joinFragments(r io.ReaderAt, parts []element.Fragment, buffer *[]byte) ([]byte, error) {
	var n int64
	for _, p := range parts {
		n += p.Length
	}
	data := resized(buffer, n) // no more than the file has: ReadFragments checked
	at := int64(0)
	for _, p := range parts {
		if _, err := r.ReadAt(data[at:at+p.Length], p.Offset); err != nil && err != io.EOF {
			return nil, element.ReadError(err)
		}
		at += p.Length
	}
	return data, nil
}

// fileSection is a file from some byte on.
type fileSection struct {
	*os.File
	from int64
}

// ReadAt counts from the section's start.
func (s fileSection) ReadAt(b []byte, at int64) (int, error) { return s.File.ReadAt(b, s.from+at) }

// openFragments gives random access to the value of compressed pixel data: on
// disk in place, from a zip archive in memory.
func (g *image) openFragments() (io.ReaderAt, int64, error) {
	if g.file.random != nil {
		f, err := g.file.random()
		if err != nil {
			return nil, 0, err
		}
		return fileSection{f, g.pixels.Offset}, g.file.size - g.pixels.Offset, nil
	}
	r, c, err := g.openPixels()
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

// statsOf takes the statistics of one slice.
func statsOf(words []uint16, pad *volume.Range) sliceStats {
	e := volume.ExtremesOf(words, pad)
	return sliceStats{Extremes: e, padded: len(words) - e.Voxels}
}

// extremesOf is each slice's range.
func extremesOf(stats []sliceStats) []volume.Extremes {
	out := make([]volume.Extremes, len(stats))
	for k, f := range stats {
		out[k] = f.Extremes
	}
	return out
}
