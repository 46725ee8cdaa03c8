package casefile

import (
	"sort"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// lines has the line, from 1, of every table, key and list element of a TOML
// text, by a path like "fixture[1].entry[2]" that counts from 0.
type lines map[string]int

// line is the line of the path, or of the nearest thing around it: a missing key
// is reported where its table begins. It is 0 for the whole file.
func (l lines) line(path string) int {
	for path != "" {
		if n, ok := l[path]; ok {
			return n
		}
		path = path[:max(strings.LastIndexAny(path, ".["), 0)]
	}
	return 0
}

// maxDepth is how deep places are noted. A case file needs five levels
// (alignment, landmarks, pair, pre, number); a hostile one can nest thousands,
// each with a longer path.
const maxDepth = 6

// findLines walks a valid TOML text.
func findLines(text []byte) lines {
	f := &lineFinder{lines: lines{}, count: map[string]int{}}
	for i, c := range text {
		if c == '\n' {
			f.ends = append(f.ends, i)
		}
	}
	f.parser.Reset(text)
	prefix, depth := "", 0
	for f.parser.NextExpression() {
		node := f.parser.Expression()
		switch node.Kind {
		case unstable.Table:
			prefix, depth = f.header(node, false)
		case unstable.ArrayTable:
			prefix, depth = f.header(node, true)
		case unstable.KeyValue:
			f.keyValue(prefix, node, depth)
		}
	}
	return f.lines
}

type lineFinder struct {
	parser unstable.Parser
	lines  lines
	count  map[string]int // elements seen of each array of tables
	ends   []int          // where each line ends, bytes
}

// header notes [a.b] or [[a.b]] and gives the path and depth of what
// follows it.
func (f *lineFinder) header(node *unstable.Node, list bool) (path string, depth int) {
	for it := node.Key(); it.Next() && depth < maxDepth; depth++ {
		path = join(path, string(it.Node().Data))
		if list && it.IsLast() {
			f.count[path]++
		}
		f.record(path, it.Node())
		if n := f.count[path]; n > 0 {
			path = indexed(path, n-1)
			f.record(path, it.Node())
		}
	}
	return path, depth
}

func (f *lineFinder) keyValue(path string, node *unstable.Node, depth int) {
	for it := node.Key(); it.Next() && depth < maxDepth; depth++ {
		path = join(path, string(it.Node().Data))
		f.record(path, it.Node())
	}
	f.value(path, node.Value(), depth)
}

func (f *lineFinder) value(path string, node *unstable.Node, depth int) {
	if depth >= maxDepth {
		return
	}
	switch node.Kind {
	case unstable.Array:
		i := 0
		for it := node.Children(); it.Next(); i++ {
			at := indexed(path, i)
			f.record(at, firstPositioned(it.Node()))
			f.value(at, it.Node(), depth+1)
		}
	case unstable.InlineTable:
		for it := node.Children(); it.Next(); {
			f.keyValue(path, it.Node(), depth)
		}
	}
}

// firstPositioned goes down to the first node whose place is known: the parser
// gives lists none.
func firstPositioned(node *unstable.Node) *unstable.Node {
	for node != nil && node.Raw.Length == 0 {
		node = node.Child()
	}
	return node
}

func (f *lineFinder) record(path string, node *unstable.Node) {
	if _, seen := f.lines[path]; !seen && node != nil && node.Raw.Length > 0 {
		f.lines[path] = 1 + sort.SearchInts(f.ends, int(node.Raw.Offset))
	}
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func indexed(path string, i int) string { return path + "[" + strconv.Itoa(i) + "]" }
