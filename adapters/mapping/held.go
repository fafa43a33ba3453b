package mapping

import (
	"encoding/json"
	"slices"
	"strings"
	"unicode"

	"dewclaw/adapters"
	"dewclaw/events"
)

// hold makes a held record of the row, with every reason noted.
func (m *Mapper) hold() {
	r := m.row
	h := &events.Held{
		Line: r.Line, LastLine: r.LastLine, Member: r.Member, Message: m.run.job.Message, Path: r.Path, Large: r.Size,
		Raw: r.Text, RawBytes: r.Bytes, Scope: m.scope,
	}
	raw := []byte(r.Text)
	if r.Bytes != nil {
		h.Raw, raw = "", r.Bytes
	}
	h.ID = events.HeldIDBeside(m.run.job.Source, m.beside(), raw)
	if r.Fault != nil {
		m.glimpse()
	}
	h.Seen, h.Farm = m.sight(), m.heldFarm()
	m.addHeld(h, m.Raw(r), m.recordID)
	m.heldOf()
}

// holdDocument makes a held record of what stands around the rows.
func (m *Mapper) holdDocument() {
	raw := m.documentText()
	h := &events.Held{
		ID: events.HeldID(m.run.job.Source, []byte(raw)), Line: m.documentLine(), Member: m.row.Member, Message: m.run.job.Message, Raw: raw,
		Scope: m.scope, Seen: events.Seen{Date: m.day}, Farm: m.heldFarm(),
	}
	m.addHeld(h, m.documentRaw(), func(k *recordKeys) events.RecordID { return m.keyer.VisitKey(k.text) })
}

// addHeld appends a held record with the reasons noted, under its key if that
// could be read.
func (m *Mapper) addHeld(h *events.Held, raw events.Digest, key func(*recordKeys) events.RecordID) {
	h.Reasons = slices.Clone(m.reasons)
	rec := adapters.Record{
		Outcome: adapters.Held, Line: h.Line, LastLine: h.LastLine, Member: h.Member, Rows: 1, Raw: raw, Held: h, Day: m.day, Scope: m.scope,
	}
	if m.keys.ok {
		rec.ID = key(&m.keys)
		h.Record = rec.ID.String()
	}
	if len(m.ids) > 0 {
		rec.Animal = m.ids[0].Scheme + ":" + events.Compact(m.ids[0].Value)
	}
	m.out = append(m.out, rec)
	m.records++
}

// holdRecord turns a whole record into a held one: its examination says nothing.
func (m *Mapper) holdRecord(rec *adapters.Record) {
	r := &m.record
	raw := strings.Join(r.texts, "\n")
	if !m.run.in.Grouped() {
		raw = m.row.Text
	}
	rec.Outcome = adapters.Held
	rec.Held = &events.Held{
		ID: events.HeldIDBeside(m.run.job.Source, r.beside, []byte(raw)), Line: r.line, LastLine: r.last, Member: r.member, Message: m.run.job.Message,
		Path: r.path, Raw: raw, Record: rec.ID.String(), Scope: r.scope,
		Reasons: []events.Reason{{Field: "outcome", Wanted: "an examined foot, a finding or an outcome of the examination", Got: "none of them"}},
		Seen:    events.Seen{Animal: r.id.Value, Date: r.day},
		Farm:    m.heldFarm(),
	}
}

// heldFarm returns the farm that the current row names, one of the source's; ""
// if the mapping reads none or it could not be read.
func (m *Mapper) heldFarm() string {
	if m.run.in.language < 2 {
		return ""
	}
	return m.namedFarm(m.farm)
}

// beside returns what stands around the current row and tells its farm, as read:
// the same row of another farm is another. It is "" if the farm stands in the row.
func (m *Mapper) beside() string {
	in := m.run.in
	if in.language < 2 || !in.farmBeside() {
		return ""
	}
	n := len(m.reasons)
	s, _, _ := m.text(in.farm.value)
	m.reasons = m.reasons[:n]
	return s
}

// farmBeside reports whether the farm stands around the rows: in a title, in the
// document, or in what an expression makes of them.
func (in *Inward) farmBeside() bool {
	if in.farm == nil || in.farm.value == nil {
		return false
	}
	k := in.farm.value.place.kind
	return k == inTitle || k == inDoc || k == inCEL
}

// sureFarm reports whether the farm can be told although the row is not whole:
// nothing of it is read from the row.
func (in *Inward) sureFarm() bool {
	for v := in.farm.value; v != nil; v = v.empty {
		if k := v.place.kind; k != inTitle && k != inDoc && k != constant {
			return false
		}
	}
	return true
}

// glimpse reads, of a row that cannot be used, what may still be seen of the
// animal and the day, and the farm that stands around it. Its reasons count for
// nothing.
func (m *Mapper) glimpse() {
	n := len(m.reasons)
	if in := m.run.in; in.language > 1 && in.farm != nil && in.sureFarm() {
		m.rowFarm()
		m.reasons = m.reasons[:n]
	}
	if m.row.Cells == nil {
		return
	}
	m.identify()
	if o := m.run.in.occurred; o != nil {
		m.when(o)
	}
	m.reasons = m.reasons[:n]
	m.ids = nil // a row that is not whole has no key
}

// sight is what a person may see of a held row.
func (m *Mapper) sight() events.Seen {
	s := events.Seen{Animal: clip(m.named, 64), Date: m.day, Foot: m.foot}
	if i := m.run.in.foot; s.Foot == "" && i >= 0 && m.row.Fault == nil {
		n := len(m.reasons)
		s.Foot, _, _ = m.text(m.run.in.row[i].value)
		m.reasons = m.reasons[:n]
		s.Foot = clip(s.Foot, 20)
	}
	var words []string
	dull := m.dull()
	see := func(t string) {
		if t = strings.TrimSpace(t); wordy(t) && !slices.Contains(dull, t) && !slices.Contains(words, t) {
			words = append(words, t)
		}
	}
	if m.run.in.csv {
		for _, c := range m.row.Cells {
			see(c)
		}
	} else {
		leaves(m.row.Value, see)
	}
	s.Words = clip(strings.Join(words, ", "), 200)
	return s
}

// dull are the texts of a row that tell nothing beside what is told apart: who,
// when and where.
func (m *Mapper) dull() []string {
	in, n := m.run.in, len(m.reasons)
	var out []string
	add := func(v *value) {
		if v != nil && (m.row.Fault == nil || m.row.Cells != nil) {
			s, _ := m.fetch(v)
			out = append(out, s)
		}
	}
	for _, id := range in.animal {
		add(id.value)
	}
	if o := in.occurred; o != nil {
		add(o.date)
		add(o.time)
		add(o.at)
	}
	for _, v := range []*value{in.record.own, in.record.examination, in.visit} {
		add(v)
	}
	if in.farm != nil {
		add(in.farm.value)
	}
	for i, f := range in.row {
		if i == in.foot || i == in.claw {
			add(f.value)
		}
	}
	m.reasons = m.reasons[:n]
	return out
}

// wordy reports whether t is words for people: it has a small letter or a space
// between letters, so that codes and numbers are none.
func wordy(t string) bool {
	letters := 0
	small := false
	for _, r := range t {
		if unicode.IsLetter(r) {
			letters++
			small = small || unicode.IsLower(r)
		}
	}
	return letters >= 2 && (small || strings.ContainsRune(t, ' ')) && 2*letters >= len([]rune(t))
}

// leaves calls f for every text in a JSON value, objects by name.
func leaves(v any, f func(string)) {
	switch x := v.(type) {
	case string:
		f(x)
	case json.Number:
	case []any:
		for _, e := range x {
			leaves(e, f)
		}
	case map[string]any:
		for _, k := range sortedKeys(x) {
			leaves(x[k], f)
		}
	}
}

func sortedKeys(m map[string]any) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
