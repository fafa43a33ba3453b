package herd

import "dewclaw/events"

// Held is a held record that nobody has released or dropped: what it says is not
// in the herd, and it may be a wrap, a medicine or a severely lame cow.
type Held struct {
	ID       string
	Farm     string // "" if the source's rows name the farm
	Source   string
	Name     string // file or subject it came in
	Line     int    `json:",omitempty"`
	Seen     events.Seen
	Reasons  []events.Reason
	Position events.Position // where it was first held
}

func heldOf(e *events.Entry, h *events.Held) Held {
	return Held{
		ID: e.HeldKey(h.ID), Farm: e.Defaults.Farm, Source: e.SourceKey(), Name: e.Name, Line: h.Line,
		Seen: h.Seen, Reasons: h.Reasons, Position: e.At,
	}
}

// A Waiting retraction is a fact that its source no longer has and that stays
// until a person confirms: a block, a wrap, a medicine, or too many at once.
type Waiting struct {
	Entity events.Entity
	Farm   string
	Source string
	Why    string
}
