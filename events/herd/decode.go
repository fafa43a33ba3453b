package herd

import (
	"fmt"
	"strconv"

	"dewclaw/events"
)

// This file decodes payloads as they are stored, some twenty times faster than
// encoding/json: a herd reads every fact of an animal whenever one is new.
// TestDecode_AgreesWithEvents holds it to [events.DecodePayload].

// A decoder notes the first thing that was not as it should be.
type decoder struct{ err error }

func (d *decoder) fail(what string, value []byte) {
	if d.err == nil {
		d.err = fmt.Errorf("read the %s %.40q of a stored event: %w", what, value, events.ErrCorrupt)
	}
}

func (d *decoder) object(b []byte, f func(d *decoder, name, value []byte)) {
	for i := 1; ; {
		name, value, next := events.Member(b, i)
		if next <= 0 {
			if next < 0 {
				d.fail("object", b)
			}
			return
		}
		f(d, name, value)
		i = next
	}
}

func (d *decoder) array(b []byte, f func(d *decoder, value []byte)) {
	for i := 1; ; {
		value, next := events.Element(b, i)
		if next <= 0 {
			if next < 0 {
				d.fail("list", b)
			}
			return
		}
		f(d, value)
		i = next
	}
}

func (d *decoder) text(b []byte) string {
	if len(b) >= 2 && b[0] == '"' {
		plain := true
		for _, c := range b[1 : len(b)-1] {
			if c == '\\' {
				plain = false
				break
			}
		}
		if plain {
			return string(b[1 : len(b)-1])
		}
	}
	s, err := events.Text(b)
	if err != nil {
		d.fail("text", b)
	}
	return s
}

func (d *decoder) texts(b []byte) (out []string) {
	d.array(b, func(d *decoder, v []byte) { out = append(out, d.text(v)) })
	return out
}

func (d *decoder) integer(b []byte) int {
	n, err := strconv.Atoi(string(b))
	if err != nil {
		d.fail("number", b)
	}
	return n
}

func (d *decoder) integers(b []byte) (out []int) {
	d.array(b, func(d *decoder, v []byte) { out = append(out, d.integer(v)) })
	return out
}

func (d *decoder) count(b []byte) *int { n := d.integer(b); return &n }

func (d *decoder) decimal(b []byte) events.Decimal {
	v, err := events.ParseDecimal(string(b))
	if err != nil {
		d.fail("number", b)
	}
	return v
}

func (d *decoder) identifiers(b []byte) (out []events.Identifier) {
	d.array(b, func(d *decoder, v []byte) {
		var id events.Identifier
		d.object(v, func(d *decoder, name, v []byte) {
			switch string(name) {
			case "scheme":
				id.Scheme = d.text(v)
			case "value":
				id.Value = d.text(v)
			case "from":
				id.From = d.text(v)
			case "to":
				id.To = d.text(v)
			}
		})
		out = append(out, id)
	})
	return out
}
