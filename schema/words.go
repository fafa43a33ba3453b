package schema

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"dewclaw/schema/codes"
)

// collect turns an error of the library into violations: its leaves, and those
// branches whose schema says in x-wanted what would have been right.
func collect(found []Violation, e *jsonschema.ValidationError, doc any) []Violation {
	name, pointer := splitLocation(e.AbsoluteKeywordLocation)
	keyword := lastWord(pointer)
	if len(e.Causes) > 0 && !slices.Contains([]string{"anyOf", "oneOf", "not", "minContains", "maxContains"}, keyword) {
		for _, c := range e.Causes {
			found = collect(found, c, doc)
		}
		return found
	}
	parts := pointerParts(e.InstanceLocation)
	p := problem{schema: documents()[name], pointer: pointer, parts: parts, path: pathOf(doc, parts), doc: doc, value: reach(doc, parts)}
	if keyword != "additionalProperties" && resolve(p.schema, pointer) == false {
		return append(found, Violation{Path: p.path, Keyword: "false", Wanted: p.nearestWanted(), Got: show(p.value)})
	}
	if slices.Contains(pointerParts(pointer), "propertyNames") && len(parts) > 0 { // the value is the name itself
		p.value, p.parts = parts[len(parts)-1], parts[:len(parts)-1]
		p.path = pathOf(doc, p.parts)
	}
	p.keyword, p.holder = keyword, p.holderOf(keyword)
	return append(found, p.violations(e)...)
}

// splitLocation splits https://…/lesion.schema.json#/properties/foot/enum.
func splitLocation(location string) (name, pointer string) {
	file, pointer, _ := strings.Cut(location, "#")
	return strings.TrimSuffix(file[strings.LastIndexByte(file, '/')+1:], suffix), pointer
}

// lastWord returns the keyword a pointer leads to, indexes left out.
func lastWord(pointer string) string {
	parts := pointerParts(pointer)
	for i := len(parts) - 1; i >= 0; i-- {
		if _, err := strconv.Atoi(parts[i]); err != nil {
			return parts[i]
		}
	}
	return ""
}

// A problem is one failing keyword on its way into words.
type problem struct {
	schema  any    // the document the keyword stands in
	pointer string // of the keyword in it
	keyword string
	holder  map[string]any // the schema object with the keyword
	doc     any
	parts   []string // of the value in doc
	path    string
	value   any
}

func (p *problem) holderOf(keyword string) map[string]any {
	parts := pointerParts(p.pointer)
	for i := len(parts) - 1; i >= 0; i-- {
		if parts[i] == keyword {
			m, _ := resolve(p.schema, joinPointer(parts[:i])).(map[string]any)
			return m
		}
	}
	return nil
}

func joinPointer(parts []string) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString("/" + escapePointer(p))
	}
	return b.String()
}

// nearestWanted returns x-wanted of the closest schema object around the keyword.
func (p *problem) nearestWanted() string {
	parts := pointerParts(p.pointer)
	for i := len(parts); i >= 0; i-- {
		if m, ok := resolve(p.schema, joinPointer(parts[:i])).(map[string]any); ok {
			if s := text(m["x-wanted"]); s != "" {
				return s
			}
		}
	}
	return "nothing here"
}

func (p *problem) violations(e *jsonschema.ValidationError) []Violation {
	v := Violation{Path: p.path, Keyword: p.keyword, Got: show(p.value), Wanted: text(p.holder["x-wanted"])}
	limit := p.holder[p.keyword]
	switch p.keyword {
	case "required":
		return p.missing()
	case "additionalProperties":
		return p.surplus()
	case "enum", "const":
		if v.Wanted == "" {
			v.Wanted = p.oneOf()
		}
		return []Violation{v}
	}
	if v.Wanted != "" {
		return []Violation{v}
	}
	switch p.keyword {
	case "type":
		v.Wanted = typeWords[text(limit)]
	case "format":
		v.Wanted = formatWords[text(limit)]
	case "pattern":
		v.Wanted = "a text that matches " + text(limit)
	case "minimum", "maximum":
		v.Wanted = p.interval()
	case "exclusiveMinimum":
		v.Wanted = "more than " + fmt.Sprint(limit)
	case "exclusiveMaximum":
		v.Wanted = "less than " + fmt.Sprint(limit)
	case "minLength":
		v.Wanted = plural(limit, "character", "at least")
	case "maxLength":
		v.Wanted = plural(limit, "character", "at most")
	case "minItems":
		v.Wanted = plural(limit, "element", "at least")
	case "maxItems":
		v.Wanted = plural(limit, "element", "at most")
	case "minProperties":
		v.Wanted = plural(limit, "member", "at least")
	case "uniqueItems":
		v.Wanted = "no value twice"
	}
	if v.Wanted == "" {
		v.Wanted = "what the schema says of " + p.keyword + " (" + e.Message + ")"
	}
	return []Violation{v}
}

var typeWords = map[string]string{
	"object": "an object", "array": "a list", "string": "a text", "number": "a number", "integer": "a whole number",
	"boolean": "true or false", "null": "null",
}

var formatWords = map[string]string{
	"date": "a day YYYY-MM-DD that exists", "date-time": "a time with offset as in RFC 3339",
}

func plural(n any, noun, bound string) string {
	s := fmt.Sprint(n)
	if s != "1" {
		noun += "s"
	}
	return bound + " " + s + " " + noun
}

func (p *problem) missing() []Violation {
	m, _ := p.value.(map[string]any)
	required, _ := p.holder["required"].([]any)
	var out []Violation
	for _, r := range required {
		if _, ok := m[text(r)]; !ok {
			out = append(out, Violation{Path: p.below(text(r)), Keyword: p.keyword, Wanted: "a value", Got: "nothing"})
		}
	}
	return out
}

func (p *problem) surplus() []Violation {
	m, _ := p.value.(map[string]any)
	known, _ := p.holder["properties"].(map[string]any)
	names := slices.Sorted(maps.Keys(known))
	var out []Violation
	for _, name := range slices.Sorted(maps.Keys(m)) {
		if _, ok := known[name]; !ok {
			out = append(out, Violation{
				Path: p.below(name), Keyword: p.keyword, Got: quote(name),
				Wanted: "a known member (nearest: " + strings.Join(codes.Nearest(name, names, 3), ", ") + ")",
			})
		}
	}
	return out
}

func (p *problem) below(name string) string {
	return pathOf(p.doc, append(p.parts[:len(p.parts):len(p.parts)], name))
}

// oneOf says which values are allowed; of many it names the nearest.
func (p *problem) oneOf() string {
	list, _ := p.holder["enum"].([]any)
	if p.keyword == "const" {
		list = []any{p.holder["const"]}
	}
	var all []string
	for _, x := range list {
		if s, ok := x.(string); ok {
			all = append(all, s)
		} else {
			all = append(all, show(x))
		}
	}
	const few = 8
	switch {
	case len(all) == 1:
		return all[0]
	case len(all) <= few:
		return "one of " + strings.Join(all, ", ")
	}
	of := "a code"
	if name, _, _ := strings.Cut(text(p.holder["x-list"]), ":"); name != "" {
		of = "a code of " + name
	}
	return of + " (nearest: " + strings.Join(codes.Nearest(text(p.value), all, 3), ", ") + ")"
}

func (p *problem) interval() string {
	low, high := p.holder["minimum"], p.holder["maximum"]
	switch {
	case low == nil:
		return "at most " + fmt.Sprint(high)
	case high == nil:
		return "at least " + fmt.Sprint(low)
	}
	return fmt.Sprint(low) + " to " + fmt.Sprint(high)
}

func reach(doc any, parts []string) any {
	return resolve(doc, joinPointer(parts))
}

// show shows a value in a message.
func show(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case string:
		return quote(v)
	case json.Number:
		return clipped(string(v))
	case bool:
		return strconv.FormatBool(v)
	case []any:
		return "a list of " + strconv.Itoa(len(v))
	}
	return "an object"
}
