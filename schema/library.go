package schema

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"dewclaw/events"
)

// library compiles a schema with the schema library. Nothing is ever loaded
// from elsewhere.
var library = func() func(name string) *jsonschema.Schema {
	var mu sync.Mutex
	c := jsonschema.NewCompiler()
	c.Draft = jsonschema.Draft2020
	c.AssertFormat = true
	c.LoadURL = func(s string) (io.ReadCloser, error) {
		return nil, fmt.Errorf("%s is not built in and nothing is fetched: %w", s, events.ErrNotFound)
	}
	made := map[string]*jsonschema.Schema{}
	return func(name string) *jsonschema.Schema {
		mu.Lock()
		defer mu.Unlock()
		if s := made[name]; s != nil {
			return s
		}
		if len(made) == 0 {
			for _, n := range Names() {
				b, err := Source(n)
				if err == nil {
					err = c.AddResource(events.SchemaBase+n+suffix, bytes.NewReader(b))
				}
				if err != nil {
					panic("read the built-in schema " + n + ": " + err.Error())
				}
			}
		}
		made[name] = c.MustCompile(events.SchemaBase + name + suffix)
		return made[name]
	}
}()

// explain checks b against the schema of that name with the schema library,
// behind the guard.
func explain(name string, b []byte) []Violation {
	doc, found := guard(b)
	if doc == nil && len(found) > 0 {
		return found
	}
	bad := map[string]bool{}
	for _, v := range found {
		bad[v.Path] = true
	}
	for _, v := range validate(name, doc) {
		if !bad[v.Path] {
			found = append(found, v)
		}
	}
	if len(found) == 0 {
		return nil
	}
	return sorted(found)
}

// validate asks the schema library. A panic of the library is a violation: it
// spoils the one value and no more.
func validate(name string, doc any) (found []Violation) {
	defer func() {
		if r := recover(); r != nil {
			found = []Violation{{Keyword: "library", Wanted: "a value that can be judged", Got: fmt.Sprint(r)}}
		}
	}()
	err := library(name).Validate(doc)
	if err == nil {
		return nil
	}
	var e *jsonschema.ValidationError
	if !errors.As(err, &e) {
		return []Violation{{Keyword: "library", Wanted: "a value that can be judged", Got: err.Error()}}
	}
	return collect(nil, e, doc)
}

// guard refuses what would harm the library and returns the decoded value, with
// a harmless number in place of each harmful one. The value is nil if b cannot
// be decoded at all.
func guard(b []byte) (any, []Violation) {
	t := tapes.Get().(*tape)
	defer func() { t.src = nil; tapes.Put(t) }()
	if err := t.read(b); err != nil {
		v := Violation{Keyword: "json", Wanted: "one JSON value", Got: "something else at byte " + strconv.Itoa(t.at+1)}
		switch {
		case errors.Is(err, errDepth):
			v = Violation{Keyword: "depth", Wanted: "at most " + strconv.Itoa(maxDepth) + " levels of nesting", Got: "more at byte " + strconv.Itoa(t.at+1)}
		case errors.Is(err, errUTF8):
			v = Violation{Keyword: "utf-8", Wanted: "UTF-8", Got: "other bytes in the text at byte " + strconv.Itoa(t.at+1)}
		}
		return nil, []Violation{v}
	}
	doc, found := t.decode(0, nil)
	return doc, found
}

// decode decodes value i. parts lead to it.
func (t *tape) decode(i int32, parts []string) (any, []Violation) {
	k := &t.tokens[i]
	var found []Violation
	switch k.kind {
	case kindObject:
		m := map[string]any{}
		for j := i + 1; j < k.next; j = t.tokens[j+1].next {
			name := t.decodeText(j)
			in := append(parts[:len(parts):len(parts)], name)
			v, bad := t.decode(j+1, in)
			found = append(found, bad...)
			if _, twice := m[name]; twice {
				found = append(found, Violation{Path: plainPath(in), Keyword: "duplicate", Wanted: "each member once", Got: quote(name) + " twice"})
			}
			m[name] = v
		}
		return m, found
	case kindArray:
		a := []any{}
		for j := i + 1; j < k.next; j = t.tokens[j].next {
			v, bad := t.decode(j, append(parts[:len(parts):len(parts)], "["+strconv.Itoa(len(a))+"]"))
			found = append(found, bad...)
			a = append(a, v)
		}
		return a, found
	case kindString:
		return t.decodeText(i), nil
	case kindNumber:
		s := string(t.bytes(i))
		if _, err := events.ParseDecimal(s); err != nil {
			return json.Number("0"), []Violation{{
				Path: plainPath(parts), Keyword: "number",
				Wanted: "a number without exponent and of at most 19 digits", Got: clipped(s),
			}}
		}
		return json.Number(s), nil
	}
	return map[byte]any{kindTrue: true, kindFalse: false}[k.kind], nil
}

// decodeText returns the decoded text of token i.
func (t *tape) decodeText(i int32) string {
	k := &t.tokens[i]
	if !k.escaped {
		return string(t.bytes(i))
	}
	var s string
	if err := json.Unmarshal(t.src[k.start-1:k.end+1], &s); err != nil {
		panic("decode a text that was read before: " + err.Error())
	}
	return s
}

func plainPath(parts []string) string {
	var b strings.Builder
	for _, p := range parts {
		if b.Len() > 0 && p[:min(1, len(p))] != "[" {
			b.WriteByte('.')
		}
		b.WriteString(p)
	}
	return b.String()
}

func clipped(s string) string {
	if len(s) > 40 {
		return s[:40] + "… (" + strconv.Itoa(len(s)) + " characters)"
	}
	return s
}
