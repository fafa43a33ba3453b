package delivery

import (
	"slices"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A rule says what a feed carries: its filter and the grants in force. Rules of
// earlier stretches of the log are kept, because a correction is judged by the
// rule under which the earlier revision went out.
type rule struct {
	Kinds  []events.Kind      `json:"kinds"`
	Where  []config.Condition `json:"where,omitempty"`
	Not    []string           `json:"not,omitempty"`    // barns whose events it does not carry
	Form   config.Format      `json:"form,omitempty"`   // the format of a writer, which has no form for some events
	Fields config.Fields      `json:"fields,omitempty"` // pseudonyms, if the feed asks for less than its grants give
	Grants []consent          `json:"grants"`
}

// A consent is the part of a grant that decides about a single event.
type consent struct {
	Farm   string        `json:"farm"`
	Kinds  []events.Kind `json:"kinds"`
	Period config.Period `json:"period,omitzero"`
	Fields config.Fields `json:"fields"`
}

// A fact is an event on its way out, decoded when it must be.
type fact struct {
	*events.Event
	payload events.Payload
}

// decoded returns the payload; the error is of kind corrupt.
func (f *fact) decoded() (events.Payload, error) {
	if f.payload == nil {
		p, err := f.Payload()
		if err != nil {
			return nil, err
		}
		f.payload = p
	}
	return f.payload, nil
}

// match reports whether the rule lets f through, and how much of it. A
// retracted revision never matches, nor one that the writer, if the feed has
// one, does not carry. The error is of kind corrupt.
func (r *rule) match(f *fact, w Writer) (config.Fields, bool, error) {
	if f.Change == events.Retracted || !slices.Contains(r.Kinds, f.Kind) || f.Barn != "" && slices.Contains(r.Not, f.Barn) {
		return "", false, nil
	}
	fields, err := r.consent(f)
	if fields == "" || err != nil {
		return "", false, err
	}
	if r.Form != "" && w != nil {
		p, err := f.decoded()
		if err != nil || !w.Carries(f.Kind, p) {
			return "", false, err
		}
	}
	for i := range r.Where {
		if r.Where[i].Kind != f.Kind {
			continue
		}
		p, err := f.decoded()
		if err != nil {
			return "", false, err
		}
		if !holds(&r.Where[i], p) {
			return "", false, nil
		}
	}
	return fields, true, nil
}

// consent returns the widest fields that a grant gives of f; "" for none.
func (r *rule) consent(f *fact) (config.Fields, error) {
	var best config.Fields
	for i := range r.Grants {
		g := &r.Grants[i]
		if g.Farm != f.Farm || !slices.Contains(g.Kinds, f.Kind) {
			continue
		}
		if g.Period != (config.Period{}) {
			p, err := f.decoded()
			if err != nil {
				return "", err
			}
			if !g.Period.Holds(p.Base().Occurred.Date) {
				continue
			}
		}
		if best = g.Fields; best == config.Identities {
			break
		}
	}
	if best != "" && r.Fields == config.Pseudonyms {
		best = config.Pseudonyms
	}
	return best, nil
}

// widest returns the widest fields that a grant gives of events of the kind,
// whatever their day; "" for none.
func (r *rule) widest(farm string, k events.Kind) config.Fields {
	var best config.Fields
	for i := range r.Grants {
		if g := &r.Grants[i]; g.Farm == farm && slices.Contains(g.Kinds, k) && best != config.Identities {
			best = g.Fields
		}
	}
	if best != "" && r.Fields == config.Pseudonyms {
		best = config.Pseudonyms
	}
	return best
}

// holds reports whether the field of p has one of the values.
func holds(c *config.Condition, p events.Payload) bool {
	f := c.Kind.Field(c.Field)
	if f == nil {
		return false
	}
	v := f.Get(p)
	list := codes.Find(f.List)
	is := func(s string) bool {
		for _, want := range c.Values {
			if s == want || list != nil && list.Is(s, want) {
				return true
			}
		}
		return false
	}
	if v.Number.IsSet() {
		for _, want := range c.Values {
			if d, err := events.ParseDecimal(want); err == nil && d.Cmp(v.Number) == 0 {
				return true
			}
		}
		return false
	}
	return v.Text != "" && is(v.Text) || slices.ContainsFunc(v.List, is)
}
