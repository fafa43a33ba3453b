package schema

import (
	"encoding/json"
	"strings"
	"sync"

	"dewclaw/events"
)

// Check checks the payload of an event of kind k and returns every violation,
// sorted by path, or nil if it is valid: the beat "check". A valid payload in
// the form [events.Encoder] writes costs about a microsecond and no memory;
// anything else goes to the schema library and costs some tens. It may be called
// from several goroutines and never blocks.
func Check(k events.Kind, data []byte) []Violation {
	n := program().kinds[k]
	if n == nil {
		return []Violation{{Keyword: "kind", Wanted: "a kind of event", Got: quote(string(k))}}
	}
	if surely(n, data) {
		return nil
	}
	return explain(string(k), data)
}

// CheckEnvelope checks a whole CloudEvent in JSON format with its payload. See [Check].
func CheckEnvelope(b []byte) []Violation { return explain("envelope", b) }

// CheckEntry checks an entry of the log with its events. See [Check]; it always
// asks the schema library.
func CheckEntry(b []byte) []Violation { return explain("entry", b) }

// CheckDocument checks a document that was decoded from YAML or JSON against the
// schema of that name: maps with string keys, slices of any, strings, booleans,
// nil and numbers. It asks for one of [Names] and panics on another name, which
// is a programming error. See [Check].
func CheckDocument(name string, doc any) []Violation {
	b, err := json.Marshal(doc)
	if err != nil {
		return []Violation{{Keyword: "type", Wanted: "maps with texts as keys, lists, texts, numbers and truths", Got: err.Error()}}
	}
	return explain(name, b)
}

// surely reports whether data is surely valid.
func surely(n *node, data []byte) bool {
	t := tapes.Get().(*tape)
	ok := t.read(data) == nil && n.judge(t, 0) == yes
	t.src = nil
	tapes.Put(t)
	return ok
}

var tapes = sync.Pool{New: func() any { return new(tape) }}

// compiled is the fast form of the schemas of the kinds.
type compiled struct{ kinds map[events.Kind]*node }

var program = sync.OnceValue(func() compiled {
	c := compiler{docs: documents(), made: map[nodeKey]*node{}}
	p := compiled{map[events.Kind]*node{}}
	for _, k := range events.Kinds() {
		p.kinds[k] = c.node(string(k), "", false)
	}
	return p
})

// documents are the schemas, decoded, by name. They must not be changed.
var documents = sync.OnceValue(func() map[string]any {
	docs := map[string]any{}
	for _, name := range Names() {
		b, err := Source(name)
		if err == nil {
			d := json.NewDecoder(strings.NewReader(string(b)))
			d.UseNumber()
			var v any
			err = d.Decode(&v)
			docs[name] = v
		}
		if err != nil {
			panic("read the built-in schema " + name + ": " + err.Error())
		}
	}
	return docs
})
