package reviewpack

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/regularfile"
)

// forge is the text of the lines that a forger wants to see printed.
const forge = "x\ndigest 0000\n9 of 9 files that the manifest lists are as they were packed\x1b[2J\u202e"

// zipped is a sound pack as an archive with more members.
func zipped(t *testing.T, files []File, more func(*zip.Writer)) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, f := range files {
		w, err := z.Create(f.Name)
		require.NoError(t, err)
		_, err = w.Write(f.Data)
		require.NoError(t, err)
	}
	if more != nil {
		more(z)
	}
	require.NoError(t, z.Close())
	return b.Bytes()
}

// member adds a member with a header of its own.
func member(t *testing.T, z *zip.Writer, h zip.FileHeader, data []byte) {
	t.Helper()
	w, err := z.CreateHeader(&h)
	require.NoError(t, err)
	_, err = w.Write(data)
	require.NoError(t, err)
}

// said adds a stored member whose header says other sizes than it has.
func said(t *testing.T, z *zip.Writer, name string, packed []byte, unpacked uint64, method uint16) {
	t.Helper()
	w, err := z.CreateRaw(&zip.FileHeader{Name: name, Method: method, CRC32: crc32.ChecksumIEEE(packed),
		CompressedSize64: uint64(len(packed)), UncompressedSize64: unpacked})
	require.NoError(t, err)
	_, err = w.Write(packed)
	require.NoError(t, err)
}

// directory gives the places of the entries in an archive's list of members.
func directory(data []byte) (at []int) {
	for from := 0; ; {
		i := bytes.Index(data[from:], []byte("PK\x01\x02"))
		if i < 0 {
			return at
		}
		at = append(at, from+i)
		from += i + 4
	}
}

// Every archive that no honest program writes is refused, or what is wrong with it
// is told in one line; the offsets are those of APPNOTE.TXT 6.3.10, 4.3.7 and 4.3.12.
func TestHostileArchives(t *testing.T) {
	clean := small(t)
	sound := zipped(t, clean, nil)
	add := func(name string, h zip.FileHeader) []byte {
		h.Name = name
		return zipped(t, clean, func(z *zip.Writer) { member(t, z, h, []byte("x")) })
	}
	link := zip.FileHeader{}
	link.SetMode(fs.ModeSymlink | 0o777)
	pipe := zip.FileHeader{}
	pipe.SetMode(fs.ModeNamedPipe | 0o644)
	patched := func(entry, offset int, bytes ...byte) []byte {
		out := append([]byte(nil), sound...)
		at := directory(out)
		if entry < 0 {
			entry += len(at)
		}
		copy(out[at[entry]+offset:], bytes)
		return out
	}
	zeros := func(n int) []byte {
		return zipped(t, clean, func(z *zip.Writer) { member(t, z, zip.FileHeader{Name: "bomb", Method: zip.Deflate}, make([]byte, n)) })
	}
	raw := func(name string, packed []byte, unpacked uint64, method uint16) []byte {
		return zipped(t, clean, func(z *zip.Writer) { said(t, z, name, packed, unpacked, method) })
	}
	const refused = true
	for name, c := range map[string]struct {
		data    []byte
		refused bool
		says    string
	}{
		"not an archive":            {[]byte("PK"), refused, "not a readable zip archive"},
		"a cut archive":             {sound[:len(sound)-30], refused, "not a readable zip archive"},
		"a bomb":                    {zeros(8 << 20), refused, `"bomb" unpacks to more than 200 times its size`},
		"a member too large":        {raw("big", nil, mostMember+1, zip.Deflate), refused, `"big" unpacks to more than 64 MB`},
		"a size of zip64":           {raw("big", nil, 1<<62, zip.Store), refused, `"big" unpacks to more than 64 MB`},
		"more than said":            {raw("more", make([]byte, 4096), 10, zip.Store), false, `"more" cannot be read: its header is damaged, or its size is not as said`},
		"less than said":            {raw("less", []byte("x"), 4096, zip.Store), false, `"less" cannot be read: it ends too early`},
		"many large members":        {zipped(t, clean, func(z *zip.Writer) { many(t, z) }), refused, "it unpacks to more than 256 MB"},
		"too many members":          {zipped(t, nil, func(z *zip.Writer) { numbered(t, z, mostMembers+1, "%d") }), refused, "it has 8001 members"},
		"a huge list of members":    {zipped(t, nil, func(z *zip.Writer) { numbered(t, z, 1000, "%d"+strings.Repeat("x", 6000)) }), refused, "its list of members takes more than 4 MB"},
		"members over each other":   {patched(1, 42, 0, 0, 0, 0), refused, "lie over each other"},
		"an offset beyond the end":  {patched(1, 42, 0xff, 0xff, 0xff, 0x7f), false, `"cases/001-S-001.html" cannot be read`},
		"a name that leads out":     {add("../evil.sh", zip.FileHeader{}), false, `"../evil.sh" is a name that no file of a pack has`},
		"an absolute name":          {add("/etc/passwd", zip.FileHeader{}), false, `"/etc/passwd" is a name that no file of a pack has`},
		"a drive":                   {add(`C:\evil.bat`, zip.FileHeader{}), false, `"C:\\evil.bat" is a name that no file of a pack has`},
		"backslashes":               {add(`..\evil`, zip.FileHeader{}), false, `"..\\evil" is a name that no file of a pack has`},
		"control characters":        {add(forge, zip.FileHeader{}), false, `"x\ndigest 0000\n9 of 9 files that the manifest lists are as they were packed\x1b[2J\u202e" is a name`},
		"a very long name":          {add(strings.Repeat("y", 60000), zip.FileHeader{}), false, strings.Repeat("y", longestQuote) + `…" is a name`},
		"a name that is no UTF-8":   {add("\xff\xfe", zip.FileHeader{}), false, `"\xff\xfe" is a name`},
		"an empty name":             {add("", zip.FileHeader{}), false, `"" is a name`},
		"a name twice":              {add("README.txt", zip.FileHeader{}), false, `"README.txt" is there twice`},
		"names alike but for case":  {add("readme.TXT", zip.FileHeader{}), false, `"README.txt" and "readme.TXT" differ in capitals only`},
		"a link":                    {add("series/link", link), false, `"series/link" is a link`},
		"a pipe":                    {add("series/pipe", pipe), false, `"series/pipe" is no regular file`},
		"a folder with content":     {bytes.ReplaceAll(raw("folder#", []byte("x"), 1, zip.Store), []byte("folder#"), []byte("folder/")), false, `"folder/" is a folder with content`},
		"an archive in the archive": {add("more.zip", zip.FileHeader{}), false, `"more.zip" is in the pack and not in the manifest`},
		"a comment":                 {zipped(t, clean, func(z *zip.Writer) { require.NoError(t, z.SetComment(strings.Repeat(forge, 100))) }), false, "the archive carries a comment"},
		"a member's comment":        {add("b", zip.FileHeader{Comment: forge}), false, `"b" carries a comment`},
		"an encrypted member":       {patched(1, 8, 9), false, `"cases/001-S-001.html" is encrypted`},
		"an unknown method":         {patched(1, 10, 99), false, `"cases/001-S-001.html" cannot be read: it is compressed by a method`},
		"a wrong checksum":          {patched(1, 16, 1, 2, 3, 4), false, `"cases/001-S-001.html" cannot be read: it does not match its checksum`},
		"a wrong data descriptor":   {descriptor(t, sound), false, `"README.txt" cannot be read: it does not match its checksum`},
		"a manifest of garbage":     {zipped(t, []File{{manifestName, []byte("{")}}, nil), refused, "its manifest.json is not of the form"},
		"a manifest of many files": {zipped(t, []File{{manifestName, []byte(`{"files":[` + strings.Repeat("{},", 130000) + `{}]}`)}}, nil),
			refused, "values in one record, more than in any pack"},
	} {
		v, err := check(bytes.NewReader(c.data), int64(len(c.data)), options.Version, options.CheckLine)
		if c.refused {
			assert.ErrorContains(t, err, c.says, name)
			continue
		}
		require.NoError(t, err, name)
		told := strings.Join(v.Faults, "\n")
		assert.Contains(t, told, c.says, name)
		for _, line := range append(v.Faults, v.Findings...) {
			assert.NotContains(t, line, "\n", name)
			assert.NotContains(t, line, "\x1b", name)
			assert.NotContains(t, line, "\u202e", name)
		}
	}
}

// descriptor damages the data descriptor behind the first member, which is the one
// that Go's reader holds the data against.
func descriptor(t *testing.T, sound []byte) []byte {
	out := append([]byte(nil), sound...)
	i := bytes.Index(out, []byte("PK\x07\x08"))
	require.Positive(t, i)
	binary.LittleEndian.PutUint32(out[i+4:], 1)
	return out
}

func numbered(t *testing.T, z *zip.Writer, n int, form string) {
	for i := range n {
		_, err := z.Create(fmt.Sprintf(form, i))
		require.NoError(t, err)
	}
}

// many adds members that are allowed each and not together.
func many(t *testing.T, z *zip.Writer) {
	for i := range mostUnpacked/mostMember + 1 {
		said(t, z, fmt.Sprint(i), make([]byte, mostMember/mostRatio+1), mostMember, zip.Deflate)
	}
}

func TestOnlyRegularFilesAreChecked(t *testing.T) {
	_, err := Check(t.TempDir(), options.Version, options.CheckLine)
	var other *regularfile.NotRegularError
	assert.ErrorAs(t, err, &other)
	path := filepath.Join(t.TempDir(), "large.zip")
	f, err := os.Create(path)
	require.NoError(t, err)
	require.NoError(t, f.Truncate(mostArchive+1))
	require.NoError(t, f.Close())
	_, err = Check(path, options.Version, options.CheckLine)
	assert.ErrorContains(t, err, "larger than 256 MB")
}

// Members of an honest pack stay far below the ratio that is refused.
func TestHonestRatio(t *testing.T) {
	data := zipped(t, make1(t, options), nil)
	r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	require.NoError(t, err)
	for _, f := range r.File {
		assert.Less(t, f.UncompressedSize64/f.CompressedSize64, uint64(mostRatio/5), f.Name)
	}
}
