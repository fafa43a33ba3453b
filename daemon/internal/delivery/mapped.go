package delivery

import (
	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
)

// errSkip means that a mapping makes no row of an event, by its own rule.
var errSkip = mapping.ErrSkip

// A mapped layout is a compiled mapping of direction out.
type mapped struct{ *mapping.Outward }

var _ outward = mapped{}

func parseOutward(name string, source []byte) (outward, error) {
	m, err := mapping.ParseOutward(name, source)
	if err != nil {
		return nil, err
	}
	return mapped{m}, nil
}

func (m mapped) row(w row) ([]adapters.Cell, error) {
	return m.Row(mapping.RowContext{
		Event: w.event, Payload: w.payload, Examination: w.examination, Visit: w.visit, Joined: w.joined,
	})
}
