package intake

import (
	"encoding/json"
	"fmt"
	"strconv"
	"strings"

	"dewclaw/events"
)

// setJSON sets the member at a path of a JSON text and leaves every other byte
// as it is. The path names single members and elements ($.a['b c'][0], RFC 9535
// section 2.3); a last member that is missing is added.
func setJSON(text, path, value string) (out, before string, err error) {
	steps, ok := parseSteps(path)
	if !ok || len(steps) == 0 {
		return "", "", &events.Fault{
			Kind: events.ErrInvalid, What: strconv.Quote(path), Wanted: "a path to one member, such as $.score or $['how bad']", Got: "another form",
			Hints: []string{"or give the whole record as it should read, with --raw FILE"},
		}
	}
	span, err := find(text, 0, steps)
	if err != nil {
		return "", "", &events.Fault{Kind: events.ErrInvalid, What: path, Wanted: "a member of the record", Got: err.Error()}
	}
	old := text[span.from:span.to]
	if span.added != "" {
		return text[:span.from] + span.added + encode("", value) + text[span.to:], "", nil
	}
	if json.Unmarshal([]byte(old), &before) != nil {
		before = old
	}
	return text[:span.from] + encode(old, value) + text[span.to:], before, nil
}

// encode writes a value as the one it replaces was written: a number, true, false
// or null stays bare if the new one can be bare too.
func encode(old, value string) string {
	if !strings.HasPrefix(old, `"`) {
		var v any
		d := json.NewDecoder(strings.NewReader(value))
		d.UseNumber()
		if d.Decode(&v) == nil && d.InputOffset() == int64(len(value)) {
			switch v.(type) {
			case json.Number, bool, nil:
				return value
			}
		}
	}
	return string(events.AppendJSONString(nil, value))
}

// A span is where a value stands in a text; added is what opens a member that is
// not there yet.
type span struct {
	from, to int
	added    string
}

// find returns the span of the value that steps lead to from the value at offset.
func find(text string, offset int, steps []any) (span, error) {
	d := json.NewDecoder(strings.NewReader(text[offset:]))
	d.UseNumber()
	start := func() int { // of the next value, behind separators
		at := offset + int(d.InputOffset())
		for at < len(text) && strings.IndexByte(" \t\r\n:,", text[at]) >= 0 {
			at++
		}
		return at
	}
	if len(steps) == 0 {
		from := start()
		var v json.RawMessage
		if err := d.Decode(&v); err != nil {
			return span{}, err
		}
		return span{from: from, to: offset + int(d.InputOffset())}, nil
	}
	t, err := d.Token()
	if err != nil {
		return span{}, err
	}
	name, isName := steps[0].(string)
	number, _ := steps[0].(int)
	if isName && t != json.Delim('{') || !isName && t != json.Delim('[') {
		return span{}, fmt.Errorf("%v where steps lead on", t)
	}
	empty := true
	for i := 0; d.More(); i++ {
		empty = false
		here := !isName && i == number
		if isName {
			k, err := d.Token()
			if err != nil {
				return span{}, err
			}
			here = k == name
		}
		if here {
			return find(text, start(), steps[1:])
		}
		var skip json.RawMessage
		if err := d.Decode(&skip); err != nil {
			return span{}, err
		}
	}
	if !isName || len(steps) > 1 {
		return span{}, fmt.Errorf("no %v", steps[0])
	}
	end := offset + int(d.InputOffset())
	for end < len(text) && text[end] != '}' {
		end++
	}
	added := string(events.AppendJSONString(nil, name)) + ":"
	if !empty {
		added = "," + added
	}
	return span{from: end, to: end, added: added}, nil
}

// parseSteps reads a path of names and numbers.
func parseSteps(path string) (steps []any, ok bool) {
	rest, ok := strings.CutPrefix(path, "$")
	for ok && rest != "" {
		switch {
		case strings.HasPrefix(rest, "['") || strings.HasPrefix(rest, `["`):
			end := strings.Index(rest[2:], rest[1:2]+"]")
			if end < 0 {
				return nil, false
			}
			steps, rest = append(steps, rest[2:2+end]), rest[end+4:]
		case rest[0] == '[':
			end := strings.IndexByte(rest, ']')
			if end < 0 {
				return nil, false
			}
			n, err := strconv.Atoi(rest[1:end])
			if err != nil || n < 0 {
				return nil, false
			}
			steps, rest = append(steps, n), rest[end+1:]
		case rest[0] == '.':
			end := strings.IndexAny(rest[1:], ".[")
			if end < 0 {
				end = len(rest) - 1
			}
			if end == 0 || strings.ContainsAny(rest[1:1+end], "*?@") {
				return nil, false
			}
			steps, rest = append(steps, rest[1:1+end]), rest[1+end:]
		default:
			return nil, false
		}
	}
	return steps, ok
}
