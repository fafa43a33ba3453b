package mapping

import (
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// This file reads what a row says for all of its events.

// evaluate reads everything the row says: what all events share, then the
// events. It does not stop at a reason, so that all are told together.
func (m *Mapper) evaluate() {
	in := m.run.in
	m.rowFarm()
	m.identify()
	if in.occurred != nil {
		m.when(in.occurred)
	}
	m.recordKey()
	m.rowVisit()
	if k := in.complete; k != nil {
		m.completeness(k)
	}
	for i := range in.row {
		m.results[i] = *m.eval(&in.row[i])
	}
	if in.foot >= 0 {
		m.foot = m.results[in.foot].value.Text
	}
	for _, t := range in.tests {
		if t.each == "" || t.value.place.kind != inItem {
			m.test(t)
		}
	}
	for i := range m.run.bound {
		m.make(&m.run.bound[i])
	}
	m.settleLones()
	m.rowRemarks()
	m.settleClaws()
	m.settleAnimal()
}

// settleAnimal settles a row without an identifier of a mapping that has groups:
// one that tells of groups alone is known by their pens, another one is held.
func (m *Mapper) settleAnimal() {
	if !m.run.in.groups || len(m.ids) > 0 || m.run.in.animals && m.none < 0 {
		return
	}
	var pens []string
	alone := len(m.stage.made) > 0 && len(m.stage.exams) == 0
	for i := range m.stage.made {
		g, ok := m.stage.made[i].p.(*events.Group)
		if alone = alone && ok; ok {
			pens = append(pens, g.Pens...)
		}
	}
	if !alone {
		if m.none >= 0 {
			m.reasons = slices.Insert(m.reasons, m.none, m.noAnimal())
		}
		return
	}
	if r := &m.run.in.record; r.own == nil && r.examination == nil {
		m.keys = recordKeys{pens: strings.Join(pens, ","), date: m.day, dateRead: m.dateRead, timeRead: m.timeRead, ok: m.day != ""}
	}
}

func (m *Mapper) noAnimal() events.Reason {
	return events.Reason{Field: "animal", Column: m.animalColumns(), Wanted: "an identifier", Got: "nothing"}
}

// test checks that a tested place has a word the mapping knows.
func (m *Mapper) test(t *test) {
	if t.free {
		return
	}
	s, ok := m.fetch(t.value)
	if !ok || s == "" || slices.Contains(t.words, s) {
		return
	}
	m.reason(t.field, m.column(&t.value.place), oneOf("a word of the mapping", s, t.words), quote(s))
}

func (m *Mapper) rowFarm() {
	f := m.run.in.farm
	if f == nil {
		return
	}
	r := m.eval(f)
	if r.bad {
		return
	}
	farm := r.value.Text
	if _, ok := m.run.job.Farms[farm]; !ok {
		var farms []string
		for f := range m.run.job.Farms {
			farms = append(farms, f)
		}
		slices.Sort(farms)
		m.refuse(f.value, oneOf("a farm of the source", farm, farms), quote(farm))
		return
	}
	m.setFarm(farm)
}

// longestIdentifier bounds an identifier in bytes: far beyond any in use.
const longestIdentifier = 64

// identify reads the identifiers of the animal, the key identifier first.
func (m *Mapper) identify() {
	in := m.run.in
	if !in.animals {
		return
	}
	start, keyAt, there := len(m.idSlab), -1, false
	best, namedAt := len(in.record.schemes)+1, len(in.record.schemes)+1
	for i := range in.animal {
		id := &in.animal[i]
		s, _, ok := m.text(id.value)
		if !ok || s == "" {
			there = there || !ok
			continue
		}
		there = true
		rank := slices.Index(in.record.schemes, id.scheme)
		if rank < 0 {
			rank = len(in.record.schemes)
		}
		if rank < namedAt {
			namedAt, m.named = rank, s
		}
		norm, ok := m.identifier(id, s)
		if !ok {
			continue
		}
		m.idSlab = append(m.idSlab, events.Identifier{Scheme: id.scheme, Value: s})
		if rank < best {
			best, keyAt, m.norm = rank, len(m.idSlab)-1-start, norm
		}
	}
	m.ids = m.idSlab[start:len(m.idSlab):len(m.idSlab)]
	if m.animals != nil && m.named != "" {
		m.animals[strings.Clone(events.Compact(m.named))] = true
	}
	switch {
	case there:
	case in.groups:
		m.none = len(m.reasons) // see settleAnimal
	default:
		m.reasons = append(m.reasons, m.noAnimal())
	}
	if keyAt < 0 {
		return
	}
	key := m.ids[keyAt]
	copy(m.ids[1:keyAt+1], m.ids[:keyAt])
	m.ids[0] = key
	if n := len(in.record.schemes); n > 0 && best == n && namedAt == n {
		m.reason("animal", m.animalColumns(), "an identifier of "+listed(in.record.schemes), "others only")
	}
}

func (m *Mapper) identifier(id *identifier, s string) (string, bool) {
	if len(s) > longestIdentifier {
		m.refuse(id.value, fmt.Sprintf("at most %d characters", longestIdentifier), quote(s))
		return "", false
	}
	norm, p := codes.ParseIdentifier(id.scheme, s)
	if p != nil {
		m.refuse(id.value, p.Wanted, p.Got)
		return "", false
	}
	return norm, true
}

func (m *Mapper) animalColumns() string {
	var s []string
	for _, id := range m.run.in.animal {
		s = append(s, id.value.place.text)
	}
	return strings.Join(s, ", ")
}

// recordKey reads the parts of the record key.
func (m *Mapper) recordKey() {
	r := &m.run.in.record
	v := r.own
	if v == nil {
		v = r.examination
	}
	if v == nil {
		if len(m.ids) > 0 {
			m.keys = recordKeys{id: m.ids[0], date: m.day, dateRead: m.dateRead, timeRead: m.timeRead}
			m.keys.ok = m.run.in.occurred == nil || m.day != ""
		}
		return
	}
	s, _, ok := m.text(v)
	switch {
	case ok && s == "":
		m.refuse(v, "the key of the record", "nothing")
	case ok && len(s) > longestKey:
		m.refuse(v, fmt.Sprintf("at most %d characters", longestKey), quote(s))
		ok = false
	}
	m.keys = recordKeys{text: s, ok: ok && s != ""}
}

// longestKey bounds a record key in bytes.
const longestKey = 256

// recordID works out the id of the record the row belongs to.
func (m *Mapper) recordID(k *recordKeys) events.RecordID {
	r := &m.run.in.record
	switch {
	case r.own != nil:
		return m.keyer.OwnKey(k.text)
	case r.examination != nil:
		return m.keyer.ExaminationKey(k.text)
	case k.id.Scheme == "":
		return m.keyer.GroupKey(k.pens, k.date, k.dateRead, k.timeRead)
	}
	return m.keyer.AnimalKey(k.id, k.date, k.dateRead, k.timeRead)
}

func (m *Mapper) rowVisit() {
	if v := m.run.in.visit; v != nil {
		if s, _, ok := m.text(v); ok && s != "" {
			if s != m.lastVisit || m.lastFarm != m.farm {
				m.lastVisit, m.lastFarm, m.lastEntity = s, m.farm, m.visitEntity(s)
			}
			m.visit = m.lastEntity
		}
	}
}

func (m *Mapper) visitEntity(key string) events.Entity {
	return m.keyer.VisitKey(key).Entity(m.keyer.Slot(events.KindVisit, 0))
}

// completeness reads scope and as-of where the document has them.
func (m *Mapper) completeness(k *completeness) {
	if k.scope != nil && k.scope.place.kind == inDoc || k.asOf != nil && k.asOf.place.kind == inDoc {
		m.documentScope(k)
	}
}

func (m *Mapper) documentScope(k *completeness) {
	if v := k.scope; v != nil && v.place.kind == inDoc {
		m.scope = ""
		r := m.eval(plainField(v))
		if !r.bad && r.isZero() {
			m.refuse(v, "a text", "nothing")
		}
		m.scope = r.value.Text
	}
	r := m.run
	r.mu.Lock()
	defer r.mu.Unlock()
	if m.scope != "" {
		r.scopes[m.scope] = true
	}
	if v := k.asOf; v != nil && v.place.kind == inDoc && m.row.First {
		n := len(m.reasons)
		res := m.eval(plainField(v))
		m.reasons = m.reasons[:n]
		if res.value.Text != "" {
			r.setAsOf(res.value.Text)
		} else {
			r.whyNot = "a document does not say as of when it speaks"
		}
	}
}
