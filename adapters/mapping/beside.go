package mapping

import (
	"slices"
	"strings"

	"github.com/theory/jsonpath/spec"

	"dewclaw/events"
)

// This file holds rows that tell of something which is not there: a zone and a
// grade beside an empty finding, a medicine beside an empty treatment. Without
// it the foot would be clear, and what the row does say would be gone.

// telling are the fields of a kind that nobody fills without something they
// belong to. Foot and claw are none of them: a clear foot has both.
var telling = map[events.Kind][]string{
	events.KindLesion: {"zones.numbers", "severity.value", "sizeMM", "stage", "course", "signs", "ddAssociated"},
	events.KindTreatment: {
		"device.material", "device.heightMM", "medicine.name", "medicine.batch", "medicine.quantity", "medicine.route", "medicine.days",
		"medicine.milk.until", "medicine.meat.until",
	},
	events.KindClaw: {"cause"},
}

// missingLead says, by kind, what is missing beside them.
var missingLead = map[events.Kind]string{
	events.KindLesion: "a finding", events.KindTreatment: "what was done", events.KindClaw: "the state of the claw",
}

// tell notes the values of a template that tell of its leading field. One that
// the leading field reads itself is none: the mapping has looked at it.
func (t *template) tell(row []field) {
	if t.lead == nil || t.lead.fixed != nil {
		return
	}
	names := telling[t.kind]
	add := func(f *events.Field, v *value) {
		if slices.Contains(names, f.Name) && v.place.kind != constant && !t.lead.value.place.reads(&v.place) {
			t.tells = append(t.tells, v)
		}
	}
	for i := range t.fields {
		add(t.fields[i].event, t.fields[i].value)
	}
	for _, h := range t.inherit {
		add(h.event, row[h.row].value)
	}
}

// reads reports whether o is read where p is read.
func (p *place) reads(o *place) bool {
	return p.same(o) && p.up == o.up || p.expr != nil && slices.Contains(p.expr.reads, o.text)
}

// A lone is an event that was not made, for want of its leading field, although
// the row has values that tell of it.
type lone struct {
	t     *template
	label string
	at    []spec.NormalSelector // of the item
	lead  string                // where the leading field is read
	got   string                // what stands there
	told  []told
}

// A told is one of those values, with its place and what stands there.
type told struct {
	value *value
	text  string
}

// noteLone notes an event without its leading field.
func (m *Mapper) noteLone(b *bound) {
	if m.run.in.language == 0 {
		return
	}
	var l lone
	for _, v := range b.tells {
		if s := m.said(v); s != "" {
			l.told = append(l.told, told{v, m.column(&v.place) + " " + clip(s, 40)})
		}
	}
	if l.told == nil {
		return
	}
	l.t, l.label, l.at = b.template, m.key, m.item.at
	l.lead, l.got = m.column(&b.lead.value.place), m.raw(b.lead.value)
	m.lones = append(m.lones, l)
}

// raw returns the texts of a value as they stand there.
func (m *Mapper) raw(v *value) string {
	n := len(m.reasons)
	list, _, _ := m.pieces(v)
	m.reasons = m.reasons[:n]
	return strings.Join(list, ", ")
}

// said returns what the row says at v, "" if it says nothing there: nothing, 0,
// a dash, false, or what the table of v calls nothing.
func (m *Mapper) said(v *value) string {
	n := len(m.reasons)
	list, final, ok := m.pieces(v)
	m.reasons = m.reasons[:n]
	if final {
		return "" // the constant of "empty"
	}
	var out []string
	for _, s := range list {
		if v.table != nil {
			if i := v.table.find(s, v.ignoreCase); i >= 0 && v.table.codes[i] == nothing {
				continue
			}
		}
		if strings.Trim(s, "0.,-–— ") != "" && s != "false" {
			out = append(out, s)
		}
	}
	if !ok && out == nil {
		return "something"
	}
	return strings.Join(out, ", ")
}

// settleLones holds the row for what is told of nothing, unless an event that
// was made of the row reads it too: a zone of two findings belongs to the one
// that is there.
func (m *Mapper) settleLones() {
	var all []string
	for i := range m.lones {
		l := &m.lones[i]
		var words []string
		for _, x := range l.told {
			if !slices.Contains(all, x.text) && !m.claimed(l, x.value) {
				words = append(words, x.text)
			}
		}
		if words != nil {
			m.reason(l.t.lead.target.field, l.lead, missingLead[l.t.kind]+" beside "+listed(words), l.hint())
			all = append(all, words...)
		}
	}
}

// hint says what was got, and how a mapping tells that such rows are fine: the
// event is made of the words that say something, and of nothing else.
func (l *lone) hint() string {
	lead := l.t.lead.value
	got, words := "nothing", `"*"`
	if l.got != "" {
		got, words = quote(l.got)+", which says nothing", lead.table.saying()
	}
	if lead.place.kind == inCEL || words == "" {
		return got + `; if that is right, an "if" beside the ` + string(l.t.kind) + " says when it is made"
	}
	return got + "; if that is right, say beside the " + string(l.t.kind) + ": if: {" + lead.place.column() + ": " + words + "}"
}

// saying lists the words that mean something, as an "if" takes them; "" if they
// are too many for a line, or there is no table.
func (t *table) saying() string {
	if t == nil {
		return ""
	}
	var words []string
	for i, w := range t.words {
		if t.codes[i] != nothing {
			words = append(words, w)
		}
	}
	if len(words) > 8 {
		return ""
	}
	return "[" + listed(words) + "]"
}

// claimed reports whether an event that was made of the row reads v as well.
func (m *Mapper) claimed(l *lone, v *value) bool {
	for i := range m.stage.made {
		e := &m.stage.made[i]
		if !e.t.readsAs(v, m.run.in.row) {
			continue
		}
		switch {
		case v.place.kind != inItem && v.place.kind != inName:
			return true
		case m.run.in.csv && e.key == l.label:
			return true
		case !m.run.in.csv && slices.Equal(cut(e.at, v.place.up), cut(l.at, v.place.up)):
			return true
		}
	}
	return false
}

// cut returns a path without its last steps.
func cut(at []spec.NormalSelector, up int) []spec.NormalSelector { return at[:max(len(at)-up, 0)] }

// readsAs reports whether a template reads what v reads, the same part of it, for
// a field of its own or of "row".
func (t *template) readsAs(v *value, row []field) bool {
	reads := func(o *value) bool {
		apart := o.pattern != nil && v.pattern != nil && o.pattern.String() != v.pattern.String()
		return o.place.reads(&v.place) && !apart
	}
	if t.lead != nil && reads(t.lead.value) {
		return true
	}
	for i := range t.fields {
		if reads(t.fields[i].value) {
			return true
		}
	}
	return slices.ContainsFunc(t.inherit, func(h inherited) bool { return reads(row[h.row].value) })
}
