package config

import (
	"bytes"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// lines maps the path of every key ("probe[2].port") to the line it stands on,
// so that an error about a value can say where it is.
type lines map[string]int

// indexLines reads data, which has been decoded without error before.
func indexLines(data []byte) lines {
	out := lines{}
	counts := map[string]int{}
	var table string
	p := unstable.Parser{}
	p.Reset(data)
	for p.NextExpression() {
		e := p.Expression()
		path, line := keyPath(&p, e, data)
		switch e.Kind {
		case unstable.Table:
			table = path
			out[table] = line
		case unstable.ArrayTable:
			table = nth(path, counts[path])
			counts[path]++
			out[table] = line
		case unstable.KeyValue:
			if table != "" {
				path = table + "." + path
			}
			out[path] = line
		}
	}
	return out
}

func keyPath(p *unstable.Parser, e *unstable.Node, data []byte) (string, int) {
	var parts []string
	offset := uint32(0)
	it := e.Key()
	for it.Next() {
		k := it.Node()
		if len(parts) == 0 {
			offset = k.Raw.Offset
			if k.Raw.Length == 0 {
				offset = p.Range(k.Data).Offset
			}
		}
		parts = append(parts, string(k.Data))
	}
	return strings.Join(parts, "."), 1 + bytes.Count(data[:offset], []byte("\n"))
}

// at returns the line of the key, or of the nearest table above it that is in
// the file; 0 when there is none.
func (l lines) at(path string) int {
	for {
		if n, ok := l[path]; ok {
			return n
		}
		i := strings.LastIndexByte(path, '.')
		if i < 0 {
			return 0
		}
		path = path[:i]
	}
}
