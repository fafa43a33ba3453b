package herd

import (
	"fmt"

	"dewclaw/events"
)

// This file and unpack_animal.go read animals back by hand, as payloads are read:
// lists do so by the thousand. TestUnpack holds that to encoding/json.

func unpacked(body value, f func(d *decoder, name, v []byte)) error {
	var d decoder
	d.object([]byte(textOf(body)), f)
	if d.err != nil {
		return fmt.Errorf("herd: read an animal: %w: %w: %w", d.err, errDamaged, events.ErrUnavailable)
	}
	return nil
}

func (d *decoder) truth(v []byte) bool { return string(v) == "true" }

// list decodes an array; null is none.
func list[T any](d *decoder, v []byte, f func(d *decoder, v []byte) T) (out []T) {
	if string(v) == "null" {
		return nil
	}
	d.array(v, func(d *decoder, v []byte) { out = append(out, f(d, v)) })
	return out
}

func (d *decoder) entity(v []byte) events.Entity { return events.Entity(d.text(v)) }
