package herd

import "dewclaw/events"

// Held is a held record that nobody has released or dropped: what it says is not
// in the herd, and it may be a wrap, a medicine or a severely lame cow.
type Held struct {
	ID       string
	Farm     string // "" if it cannot be read: then it may be of another farm, and Name, Line, Seen and Reasons are empty
	Source   string
	Name     string // file or subject it came in
	Line     int    `json:",omitempty"`
	Seen     events.Seen
	Reasons  []events.Reason
	Position events.Position // where it was first held
}

func heldOf(e *events.Entry, h *events.Held, farm string) Held {
	return Held{
		ID: e.HeldKey(h.ID), Farm: farm, Source: e.SourceKey(), Name: e.Name, Line: h.Line,
		Seen: h.Seen, Reasons: h.Reasons, Position: e.At,
	}
}

// mayBeOf is what a farm is told of a record that may be of another one: that it is
// there, and nothing of what it says.
func mayBeOf(e *events.Entry, h *events.Held) Held {
	return Held{ID: e.HeldKey(h.ID), Source: e.SourceKey(), Position: e.At}
}

// A Waiting retraction is a fact that its source no longer has and that stays
// until a person confirms: a block, a wrap, a medicine, or too many at once.
type Waiting struct {
	Entity events.Entity
	Farm   string
	Source string
	Why    string
}
