package parquetfile

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"github.com/parquet-go/parquet-go/format"
)

// The reader believes what a file says of its own lengths, and takes memory or time for it.
// So the metadata and the header of every page, which are in Thrift's compact protocol, are
// gone through first: no list, text or page may be longer than the bytes that are there.

// Bounds of a page: Snappy makes of three bytes at most 64 (google/snappy,
// format_description.txt), and no writer puts as many values into a page.
const (
	mostSwelling = 64
	mostValues   = 1 << 24
	mostHeader   = 1 << 16 // bytes
	mostNesting  = 32
)

var errBounds = errors.New("the Parquet file is damaged: it states lengths that it does not have")

// thrift goes through values of Thrift's compact protocol
// (thrift/doc/specs/thrift-compact-protocol.md).
type thrift struct {
	rest []byte
	bad  bool
}

// Types of the compact protocol.
const (
	thriftTrue   = 1
	thriftFalse  = 2
	thriftByte   = 3
	thriftI16    = 4
	thriftI64    = 6
	thriftDouble = 7
	thriftBinary = 8
	thriftList   = 9
	thriftSet    = 10
	thriftMap    = 11
	thriftStruct = 12
)

func (t *thrift) skip(n uint64) {
	if n > uint64(len(t.rest)) {
		t.bad, t.rest = true, nil
		return
	}
	t.rest = t.rest[n:]
}

func (t *thrift) byte() byte {
	if len(t.rest) == 0 {
		t.bad = true
		return 0
	}
	b := t.rest[0]
	t.rest = t.rest[1:]
	return b
}

func (t *thrift) varint() uint64 {
	x, n := binary.Uvarint(t.rest)
	if n <= 0 {
		t.bad, t.rest = true, nil
		return 0
	}
	t.rest = t.rest[n:]
	return x
}

func (t *thrift) zigzag() int64 {
	x := t.varint()
	return int64(x>>1) ^ -int64(x&1)
}

// value goes past a value of a type. Items of a list are told by their own byte where they
// are truth values, fields by their type.
func (t *thrift) value(kind byte, item bool, depth int) {
	if depth > mostNesting {
		t.bad = true
	}
	if t.bad {
		return
	}
	switch {
	case kind == thriftTrue || kind == thriftFalse:
		if item {
			t.byte()
		}
	case kind == thriftByte:
		t.byte()
	case kind >= thriftI16 && kind <= thriftI64:
		t.varint()
	case kind == thriftDouble:
		t.skip(8)
	case kind == thriftBinary:
		t.skip(t.varint())
	case kind == thriftList || kind == thriftSet:
		head := t.byte()
		n := uint64(head >> 4)
		if n == 15 {
			n = t.varint()
		}
		t.items(n, head&15, depth)
	case kind == thriftMap:
		if n := t.varint(); n > 0 {
			kinds := t.byte()
			for ; n > 0 && !t.bad; n-- {
				t.value(kinds>>4, true, depth+1)
				t.value(kinds&15, true, depth+1)
			}
		}
	case kind == thriftStruct:
		t.fields(depth, nil)
	default:
		t.bad = true
	}
}

func (t *thrift) items(n uint64, kind byte, depth int) {
	// Each takes a byte at least.
	if n > uint64(len(t.rest)) {
		t.bad = true
	}
	for ; n > 0 && !t.bad; n-- {
		t.value(kind, true, depth+1)
	}
}

// fields goes past the fields of a struct. take may read a field's value itself.
func (t *thrift) fields(depth int, take func(id int64, kind byte) bool) {
	var id int64
	for !t.bad {
		head := t.byte()
		if head == 0 {
			return
		}
		if step := int64(head >> 4); step != 0 {
			id += step
		} else {
			id = t.zigzag()
		}
		if take == nil || !take(id, head&15) {
			t.value(head&15, false, depth+1)
		}
	}
}

// fits holds the length that a file states of its metadata, and all lengths in it, against
// what is there.
func fits(r io.ReaderAt, size int64) error {
	var end [8]byte // the length, and the mark
	if size < int64(len(end)+len(Mark)) {
		return errors.New("it is no Parquet file, or damaged: it is too short")
	}
	if _, err := r.ReadAt(end[:], size-int64(len(end))); err != nil {
		return err
	}
	n := int64(binary.LittleEndian.Uint32(end[:]))
	if n > size-int64(len(end)+len(Mark)) {
		return fmt.Errorf("the Parquet file is damaged: it states %d bytes of metadata and has %d bytes in all", n, size)
	}
	if string(end[4:]) != Mark {
		return nil // the reader says that it is none
	}
	metadata := make([]byte, n)
	if _, err := r.ReadAt(metadata, size-int64(len(end))-n); err != nil {
		return err
	}
	t := thrift{rest: metadata}
	if t.fields(0, nil); t.bad {
		return errBounds
	}
	return nil
}

// pagesFit goes through the headers of a column's pages.
func pagesFit(r io.ReaderAt, size int64, c *format.ColumnMetaData) error {
	at := c.DataPageOffset
	if c.DictionaryPageOffset > 0 && c.DictionaryPageOffset < at {
		at = c.DictionaryPageOffset
	}
	end := at + c.TotalCompressedSize
	if at < 0 || c.TotalCompressedSize < 0 || end > size {
		return errBounds
	}
	for at < end {
		head := make([]byte, min(mostHeader, end-at))
		if _, err := r.ReadAt(head, at); err != nil && err != io.EOF {
			return err
		}
		// parquet.thrift, PageHeader: 2 uncompressed and 3 compressed size; 5, 7 and 8 the
		// headers of the kinds of pages, each with the number of values first.
		t := thrift{rest: head}
		var loose, packed, values int64
		t.fields(0, func(id int64, kind byte) bool {
			switch {
			case id == 2 && kind >= thriftI16 && kind <= thriftI64:
				loose = t.zigzag()
			case id == 3 && kind >= thriftI16 && kind <= thriftI64:
				packed = t.zigzag()
			case (id == 5 || id == 7 || id == 8) && kind == thriftStruct:
				t.fields(1, func(id int64, kind byte) bool {
					if id != 1 || kind < thriftI16 || kind > thriftI64 {
						return false
					}
					values = t.zigzag()
					return true
				})
			default:
				return false
			}
			return true
		})
		at += int64(len(head)-len(t.rest)) + packed
		if t.bad || packed < 0 || at > end || loose < 0 || loose > mostSwelling*(packed+1) || values < 0 || values > mostValues {
			return errBounds
		}
	}
	return nil
}
