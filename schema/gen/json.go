package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
)

// An object keeps its members in the order they are written in.
type object []member

type member struct {
	name  string
	value any // object, []any, string, json.Number, bool or nil
}

func (o object) get(name string) any {
	for _, m := range o {
		if m.name == name {
			return m.value
		}
	}
	return nil
}

// set replaces a member, or puts it behind the member after.
func (o object) set(name, after string, value any) object {
	at := len(o)
	for i, m := range o {
		if m.name == name {
			o[i].value = value
			return o
		}
		if m.name == after {
			at = i + 1
		}
	}
	return append(o[:at:at], append(object{{name, value}}, o[at:]...)...)
}

func parse(src []byte) (any, error) {
	d := json.NewDecoder(bytes.NewReader(src))
	d.UseNumber()
	v, err := value(d)
	if err != nil {
		return nil, err
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something stands behind the schema")
	}
	return v, nil
}

func value(d *json.Decoder) (any, error) {
	t, err := d.Token()
	if err != nil {
		return nil, err
	}
	switch t {
	case json.Delim('{'):
		o := object{}
		for d.More() {
			name, err := d.Token()
			if err != nil {
				return nil, err
			}
			v, err := value(d)
			if err != nil {
				return nil, err
			}
			if o.get(name.(string)) != nil {
				return nil, fmt.Errorf("member %q stands twice", name)
			}
			o = append(o, member{name.(string), v})
		}
		_, err := d.Token()
		return o, err
	case json.Delim('['):
		a := []any{}
		for d.More() {
			v, err := value(d)
			if err != nil {
				return nil, err
			}
			a = append(a, v)
		}
		_, err := d.Token()
		return a, err
	}
	return t, nil
}

// write appends v indented by two blanks a level. An array or a small object
// without others inside stands on one line.
func write(b []byte, v any, level int) []byte {
	in := "\n" + strings.Repeat("  ", level+1)
	switch v := v.(type) {
	case object:
		if one := inline(v); one != nil {
			return append(b, one...)
		}
		for i, m := range v {
			b = append(b, "{,"[min(i, 1)])
			b = append(append(append(b, in...), text(m.name)...), ": "...)
			b = write(b, m.value, level+1)
		}
		return append(append(b, in[:len(in)-2]...), '}')
	case []any:
		if one := inline(v); one != nil {
			return append(b, one...)
		}
		for i, x := range v {
			b = append(b, "[,"[min(i, 1)])
			b = write(append(b, in...), x, level+1)
		}
		return append(append(b, in[:len(in)-2]...), ']')
	}
	return append(b, scalar(v)...)
}

// lineWidth is how long an object or array on one line may be.
const lineWidth = 100

// inline returns v on one line, or nil if it does not fit on one. A list of
// plain values always does.
func inline(v any) []byte {
	var b []byte
	plain := true
	switch v := v.(type) {
	case object:
		b = append(b, '{')
		for i, m := range v {
			if i > 0 {
				b = append(b, ", "...)
			}
			one := inline(m.value)
			if one == nil {
				return nil
			}
			b = append(append(append(b, text(m.name)...), ": "...), one...)
		}
		b, plain = append(b, '}'), false
	case []any:
		b = append(b, '[')
		for i, x := range v {
			if i > 0 {
				b = append(b, ", "...)
			}
			one := inline(x)
			if one == nil {
				return nil
			}
			_, isString := x.(string)
			_, isNumber := x.(json.Number)
			plain = plain && (isString || isNumber)
			b = append(b, one...)
		}
		b = append(b, ']')
	default:
		return scalar(v)
	}
	if !plain && len(b) > lineWidth {
		return nil
	}
	return b
}

func scalar(v any) []byte {
	switch v := v.(type) {
	case string:
		return text(v)
	case json.Number:
		return []byte(v)
	case bool:
		return fmt.Append(nil, v)
	}
	return []byte("null")
}

func text(s string) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil {
		panic(err) // a string can be written
	}
	return bytes.TrimSpace(b.Bytes())
}
