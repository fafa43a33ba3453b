package api

import (
	"context"
	"errors"

	"dewclaw/events"
)

// A Fault is an error as it crosses the socket: its text, its kind by name and
// its hints.
type Fault struct {
	Kind  string   `json:"kind,omitempty"` // invalid, unavailable, locked, corrupt, not-found, canceled; "" is a bug
	Text  string   `json:"text"`
	Hints []string `json:"hints,omitempty"`
}

// kinds pairs the names on the wire with the errors they stand for, in the
// order in which they are asked: what is damaged is told first.
var kinds = []struct {
	name string
	err  error
}{
	{"corrupt", events.ErrCorrupt},
	{"locked", events.ErrLocked},
	{"invalid", events.ErrInvalid},
	{"not-found", events.ErrNotFound},
	{"unavailable", events.ErrUnavailable},
	{"canceled", context.Canceled},
}

// Faults turns err into what crosses the socket: one fault for each error that
// was joined, in their order; none for nil.
func Faults(err error) []Fault {
	var out []Fault
	for _, e := range Split(err) {
		f := Fault{Text: e.Error(), Hints: events.Hints(e)}
		for _, k := range kinds {
			if errors.Is(e, k.err) {
				f.Kind = k.name
				break
			}
		}
		out = append(out, f)
	}
	return out
}

// Error turns faults back into an error that has the same kinds, texts and
// hints; nil for none.
func Error(faults []Fault) error {
	var errs []error
	for _, f := range faults {
		e := &events.Fault{What: f.Text, Hints: f.Hints}
		for _, k := range kinds {
			if k.name == f.Kind {
				e.Kind = k.err
			}
		}
		errs = append(errs, &crossed{fault: e})
	}
	if len(errs) == 1 {
		return errs[0]
	}
	return errors.Join(errs...)
}

// crossed keeps the text as it was: the kind must not be told twice.
type crossed struct{ fault *events.Fault }

func (c *crossed) Error() string   { return c.fault.What }
func (c *crossed) Unwrap() []error { return []error{c.fault} }

// Split takes a joined error apart, at every depth of joining; an error that is
// none is returned alone, nil as nothing.
func Split(err error) []error {
	if err == nil {
		return nil
	}
	if _, ok := err.(*events.Fault); ok {
		return []error{err}
	}
	if _, ok := err.(*crossed); ok {
		return []error{err}
	}
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok || !isJoin(err, joined.Unwrap()) {
		return []error{err}
	}
	var out []error
	for _, e := range joined.Unwrap() {
		out = append(out, Split(e)...)
	}
	return out
}

// isJoin tells errors.Join from an error that wraps several for its kind: a
// join says nothing of its own.
func isJoin(err error, parts []error) bool {
	text := ""
	for i, p := range parts {
		if p == nil {
			return false
		}
		if i > 0 {
			text += "\n"
		}
		text += p.Error()
	}
	return text == err.Error()
}
