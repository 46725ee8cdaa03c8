package series

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

// helperFile in the environment turns the test program into a writer that
// appends remarks with its own name and says each one that is acknowledged.
const helperFile, helperName, helperCount = "SERIES_TEST_FILE", "SERIES_TEST_NAME", "SERIES_TEST_COUNT"

func TestMain(m *testing.M) {
	path := os.Getenv(helperFile)
	if path == "" {
		os.Exit(m.Run())
	}
	limitFileSize()
	count, _ := strconv.Atoi(os.Getenv(helperCount))
	for i := range count {
		text := fmt.Sprintf("%s-%d %s", os.Getenv(helperName), i, strings.Repeat("x", i%300))
		if _, err := Append(path, ofAnyKind(i, text)); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Printf("%s-%d\n", os.Getenv(helperName), i)
	}
}

// ofAnyKind is a record with a text in it: a remark, one that came in a file of its
// own, one of another copy, or the withdrawal of the first record.
func ofAnyKind(i int, text string) Record {
	r := remark(text)
	switch i % 4 {
	case 1:
		r.Taken = &Taken{File: "remarks.jsonl", SHA256: noRecord, Time: noon}
	case 2:
		r.Schema, r.Number, r.Before = Schema, 1, noRecord
		line, err := r.encode()
		if err != nil {
			panic(err)
		}
		return Record{Kind: Joined, Time: noon, Copy: string(line), Source: &Source{File: "copy.jsonl", SHA256: noRecord}}
	case 3:
		return Record{Kind: Correction, Time: noon, Corrects: 1, Withdraw: true, Author: "clinician-a", Reason: text}
	}
	return r
}

func writer(path, name string, count int, env ...string) *exec.Cmd {
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), helperFile+"="+path, helperName+"="+name, helperCount+"="+strconv.Itoa(count))
	c.Env = append(c.Env, env...)
	return c
}

// texts are the first words of the remarks in a file that must be sound.
func texts(t *testing.T, path string) map[string]int {
	t.Helper()
	f, err := Read(path)
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	out := map[string]int{}
	for i, r := range effective(f.Records) {
		require.Equal(t, i+1, r.Number)
		if words := strings.Fields(r.Text + r.Reason); len(words) > 0 {
			out[words[0]]++
		}
	}
	return out
}

func TestTwoProgramsAndEightThreadsAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s.jsonl")
	var wait sync.WaitGroup
	for i := range 2 {
		wait.Go(func() {
			out, err := writer(path, "p"+strconv.Itoa(i), 20).CombinedOutput()
			assert.NoError(t, err, string(out))
		})
	}
	for i := range 8 {
		wait.Go(func() {
			for j := range 5 {
				_, err := Append(path, remark(fmt.Sprintf("t%d-%d", i, j)))
				assert.NoError(t, err)
			}
		})
	}
	wait.Wait()
	got := texts(t, path)
	assert.Len(t, got, 2*20+8*5)
	for text, n := range got {
		assert.Equal(t, 1, n, text)
	}
}

// killed lets a writer run for a while, counted from its start or, where it is to
// write first, from its first acknowledged record; kills it, and returns what it
// had acknowledged.
func killed(t *testing.T, path, name string, after time.Duration, writes bool) []string {
	t.Helper()
	c := writer(path, name, 1_000_000)
	out, err := c.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, c.Start())
	kill := func() { _ = c.Process.Kill() }
	var timer *time.Timer
	if !writes {
		timer = time.AfterFunc(after, kill)
	}
	var acknowledged []string
	for in := bufio.NewScanner(out); in.Scan(); {
		if timer == nil {
			timer = time.AfterFunc(after, kill)
		}
		acknowledged = append(acknowledged, in.Text())
	}
	_ = c.Wait()
	require.NotNil(t, timer, "the writer ended before it wrote")
	timer.Stop()
	return acknowledged
}

// kills kills that many writers on files of their own and holds each file
// against what was acknowledged, then lets another writer go on.
func kills(t *testing.T, n int) {
	rng := rand.New(rand.NewPCG(3, 4))
	all, unfinished := 0, 0
	for i := range n {
		path := filepath.Join(t.TempDir(), "s.jsonl")
		acknowledged := killed(t, path, "k"+strconv.Itoa(i), time.Duration(5+rng.IntN(45))*time.Millisecond, i%2 == 1)
		if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
			require.Empty(t, acknowledged)
			continue
		}
		f, err := Read(path)
		require.NoError(t, err)
		if f.Unfinished != nil {
			unfinished++
		}
		got := texts(t, path)
		for _, text := range acknowledged {
			require.Equal(t, 1, got[text], "%s was acknowledged", text)
		}
		require.LessOrEqual(t, len(got), len(acknowledged)+1)
		all += len(acknowledged)
		write(t, path, remark("after"))
		require.Equal(t, 1, texts(t, path)["after"])
	}
	t.Logf("%d kills, %d records acknowledged, %d unfinished lines", n, all, unfinished)
	require.GreaterOrEqual(t, all, n/2, "every second writer writes before it is killed")
}

func TestKilledWriterLosesNothing(t *testing.T) { kills(t, 20) }

// disk is a file in memory that takes only so many bytes in all.
type disk struct {
	text   []byte
	room   int
	synced int
	noSync bool
	stuck  bool // Truncate fails as well
}

var errFull = errors.New("no space left on device")

func (d *disk) ReadAt(p []byte, at int64) (int, error) {
	n := copy(p, d.text[at:])
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

func (d *disk) WriteAt(p []byte, at int64) (int, error) {
	n := min(len(p), d.room)
	d.room -= n
	d.text = append(d.text[:at], p[:n]...)
	if n < len(p) {
		return n, errFull
	}
	return n, nil
}

func (d *disk) Truncate(size int64) error {
	if d.stuck {
		return errFull
	}
	d.text = d.text[:size]
	return nil
}

func (d *disk) Sync() error {
	if d.noSync {
		return errFull
	}
	d.synced = len(d.text)
	return nil
}

func parsed(t *testing.T, d *disk) *File {
	t.Helper()
	f, err := Parse(strings.NewReader(string(d.text)))
	require.NoError(t, err)
	require.Empty(t, f.Faults)
	return f
}

// named sets nothing aside; a disk in memory has no file beside it.
func named([]byte) (string, error) { return "aside", nil }

func TestFullDiskAtEveryByte(t *testing.T) {
	whole := &disk{room: 1 << 20}
	_, err := appendTo(whole, 0, []Record{remark("first")}, named)
	require.NoError(t, err)
	first := len(whole.text)
	_, err = appendTo(whole, int64(first), []Record{remark("second")}, named)
	require.NoError(t, err)
	assert.Equal(t, len(whole.text), whole.synced, "acknowledged before it was on the disk")
	for _, stuck := range []bool{false, true} {
		for room := range len(whole.text) - first {
			d := &disk{text: append([]byte(nil), whole.text[:first]...), room: room, stuck: stuck}
			_, err := appendTo(d, int64(first), []Record{remark("second")}, named)
			require.ErrorIs(t, err, errFull)
			require.ErrorContains(t, err, "nothing was added")
			f := parsed(t, d)
			if !stuck {
				require.Equal(t, first, len(d.text))
				require.Nil(t, f.Unfinished)
			}
			// With room again, the next writer goes on.
			d.room, d.stuck = 1<<20, false
			_, err = appendTo(d, int64(len(d.text)), []Record{remark("third")}, named)
			require.NoError(t, err)
			f = parsed(t, d)
			require.Nil(t, f.Unfinished)
			require.Equal(t, "first", f.Records[0].Text)
			require.Equal(t, "third", f.Records[len(f.Records)-1].Text)
		}
	}
	d := &disk{room: 1 << 20, noSync: true}
	_, err = appendTo(d, 0, []Record{remark("first")}, named)
	require.ErrorIs(t, err, errFull)
	assert.Empty(t, d.text)
}

// A series of long lines is found from its end, block by block.
func TestLastLineOverManyBlocks(t *testing.T) {
	d := &disk{room: 1 << 20}
	for i := range 5 {
		_, err := appendTo(d, int64(len(d.text)), []Record{
			{Kind: Remark, Time: noon, Author: "a", Text: strings.Repeat("é", 4000)}, remark(strconv.Itoa(i)),
			{Kind: Imported, Time: noon, Case: "C", Source: &Source{}, Rows: manyRows(100 * i)}}, named)
		require.NoError(t, err)
	}
	assert.Len(t, parsed(t, d).Records, 15)
}

func manyRows(n int) []Row {
	out := make([]Row, n+1)
	for i := range out {
		out[i] = Row{Case: "C", Placed: "2026-03-03", Clinician: "a", Site: "36"}
		out[i].Deviation[measurement.Entry] = number(1)
	}
	return out
}
