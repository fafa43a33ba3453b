package mapping

import (
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// make makes the events of one template from the current row.
func (m *Mapper) make(b *bound) {
	switch {
	case b.each != nil:
		m.makeEach(b)
	case b.cell >= 0:
		if b.cell < len(m.row.Cells) {
			m.cell, m.names, m.key = trim(m.row.Cells[b.cell]), b.names, b.key
			m.testItem(inColumns)
			m.makeOne(b, b.key)
			m.cell, m.names, m.key = "", nil, ""
		}
	default:
		m.makeOne(b, b.repeat)
	}
}

// makeEach makes an event for each item that "each" selects.
func (m *Mapper) makeEach(b *bound) {
	m.items = b.each.items(m.row.Value, m.items[:0])
	m.looked.at(b.eachAt, len(m.items) > 0)
	for i := range m.items {
		m.item, m.key = m.items[i], m.items[i].key
		if b.columns != nil {
			if m.names = b.match(m.key); m.names == nil {
				continue
			}
		}
		m.testItem(b.each.query.String())
		m.makeOne(b, b.repeat)
	}
	m.item, m.key, m.names = item{}, "", nil
}

// testItem checks the places of the current item that are tested for words.
func (m *Mapper) testItem(each string) {
	for _, t := range m.run.in.tests {
		if t.value.place.kind == inItem && t.each == each {
			m.test(t)
		}
	}
}

// makeOne makes one event, if its conditions hold and its leading field is
// there. A field that cannot be read leaves a reason, and the row is held.
func (m *Mapper) makeOne(b *bound, label string) {
	if b.conds != nil && !m.holds(b.conds) {
		return
	}
	if b.kind == events.KindExamination {
		m.makeExamination(b, label)
		return
	}
	var lead result
	if b.lead != nil {
		lead = *m.eval(b.lead)
	}
	if b.lead != nil && lead.isZero() && !lead.bad && !m.notScorable(b) || b.lead == nil && b.kind == events.KindLocomotion && !m.notScorable(b) {
		if b.tells != nil {
			m.noteLone(b)
		}
		return
	}
	p := m.take(b.kind)
	c := p.Base()
	m.common(c)
	if !b.kind.Animals() {
		c.Animal = nil
	}
	e := made{p: p, t: b.template, label: label, pass: m.pass, key: m.key, at: m.item.at}
	for i := range b.inherit {
		h := &b.inherit[i]
		r := &m.results[h.row]
		set(p, h.event, &m.run.in.row[h.row], r)
		e.claw = e.claw || r.byRule
	}
	if b.lead != nil {
		set(p, b.lead.event, b.lead, &lead)
		if b.lead.fixed != nil {
			m.condWord(c, b, &lead)
		}
	}
	for i := range b.fields {
		f := &b.fields[i]
		r := m.eval(f)
		set(p, f.event, f, r)
		e.claw = e.claw || r.byRule
	}
	m.judge(b, p, &lead)
	if b.remarks != nil {
		foot, claw := where(p)
		m.remark(b.remarks, foot, claw)
	}
	m.stage.made = append(m.stage.made, e)
}

// set gives p the value of a field, with the source's own word for it.
func set(p events.Payload, f *events.Field, def *field, r *result) {
	if r.bad || r.isZero() {
		return
	}
	f.Set(p, r.value)
	if l, ok := p.(*events.Lesion); ok {
		if def.zones != nil {
			l.Zones.Map = def.zones.Code
		}
		if def.scale != nil {
			l.Severity.Scale = def.scale.Code
		}
	}
	if r.word != "" {
		c := p.Base()
		c.Words = append(c.Words, events.Word{Field: f.Name, Text: r.word})
	}
}

// condWord keeps the word that made a constant leading field: a block is there
// because a column says "innen".
func (m *Mapper) condWord(c *events.Common, b *bound, lead *result) {
	for i := range b.conds {
		x := &b.conds[i]
		if x.value == nil || x.any {
			continue
		}
		if s, _ := m.fetch(x.value); s != "" && s != lead.value.Text {
			c.Words = append(c.Words, events.Word{Field: b.lead.event.Name, Text: s})
			return
		}
	}
}

// common fills what all kinds have.
func (m *Mapper) common(c *events.Common) {
	c.Animal, c.Occurred = m.ids, m.occ
	c.Origin = events.Origin{
		Line: m.row.Line, LastLine: m.row.LastLine, Member: m.row.Member, Message: m.run.job.Message, Path: m.row.Path,
	}
}

// notScorable reports whether the row says that no score could be given.
func (m *Mapper) notScorable(b *bound) bool {
	i := slices.IndexFunc(b.fields, func(f field) bool { return f.key == "notScorable" })
	if i < 0 {
		return false
	}
	r := m.eval(&b.fields[i])
	return r.bad || !r.isZero()
}

// judge checks what needs several fields of an event at once.
func (m *Mapper) judge(b *bound, p events.Payload, lead *result) {
	switch p := p.(type) {
	case *events.Lesion:
		p.Claw = m.side(p.Claw, p.Foot)
	case *events.Treatment:
		p.Claw = m.side(p.Claw, p.Foot)
	case *events.TakenOff:
		p.Claw = m.side(p.Claw, p.Foot)
	case *events.Check:
		p.Claw = m.side(p.Claw, p.Foot)
		m.judgeCheck(b, p)
	case *events.Claw:
		p.Claw = m.side(p.Claw, p.Foot)
	case *events.Order:
		p.Claw = m.side(p.Claw, p.Foot)
	case *events.ClawMeasure:
		p.Claw = m.side(p.Claw, p.Foot)
		m.judgeMeasure(b, p, lead)
	case *events.Locomotion:
		m.judgeScore(b, p)
	}
}

// judgeMeasure settles the unit of a measure and checks its hard range.
func (m *Mapper) judgeMeasure(b *bound, p *events.ClawMeasure, lead *result) {
	x := codes.Measures().Get(p.What)
	v := b.lead.value
	if x == nil || lead.bad {
		return
	}
	p.Unit = x.Unit
	switch {
	case v.unit.Neutral != x.Unit:
		m.refuse(v, "a unit of "+x.Unit+" for "+x.Code, quote(v.unit.Code))
	case !x.Hard.Has(p.Value):
		problem := x.Problem(p.Value)
		m.refuse(v, problem.Wanted, problem.Got)
	}
	if v.unit.Code != x.Unit {
		p.Words = append(p.Words, events.Word{Field: "unit", Text: v.unit.Code})
	}
}

// judgeCheck checks that the state is one that what was looked at can be in.
func (m *Mapper) judgeCheck(b *bound, p *events.Check) {
	s := codes.CheckStates().Get(p.State)
	if s == nil || p.What == "" || slices.Contains(s.Of, p.What) {
		return
	}
	var fit []string
	for _, x := range codes.CheckStates().All() {
		if slices.Contains(x.Of, p.What) {
			fit = append(fit, x.Code)
		}
	}
	got := quote(p.State)
	if w := p.Words.Get("state"); w != "" {
		got += " (" + quote(w) + ")"
	}
	m.refuse(b.lead.value, "one of "+listed(fit)+" for a "+p.What, got)
}

// judgeScore checks a score on its scale.
func (m *Mapper) judgeScore(b *bound, p *events.Locomotion) {
	i := slices.IndexFunc(b.fields, func(f field) bool { return f.key == "scale" })
	v := b.fields[i].value
	if b.lead != nil {
		v = b.lead.value
	}
	scale := codes.Locomotion().Get(p.Scale)
	switch {
	case scale == nil:
		if len(m.reasons) == 0 {
			m.refuse(b.fields[i].value, "the scale of the score", "nothing")
		}
	case scale.Refused != "" || p.Score.IsSet() && !scale.Accepts(p.Score):
		problem := scale.Problem(p.Score.String())
		m.refuse(v, problem.Wanted, problem.Got)
	}
}

// remark notes a free text with the place it was written at.
func (m *Mapper) remark(v *value, foot, claw string) {
	s, _, ok := m.text(v)
	if ok && s != "" && v.table != nil {
		s, ok = m.code(v, s, false)
	}
	if ok && s != "" {
		m.addRemark(s, foot, claw)
	}
}

func (m *Mapper) addRemark(s, foot, claw string) {
	if claw == "none" || claw == "unknown" {
		claw = ""
	}
	r := remark{events.Remark{Claw: claw, Foot: foot, Text: s}, m.pass}
	if !slices.Contains(m.stage.remarks, r) {
		m.stage.remarks = append(m.stage.remarks, r)
	}
}

// rowRemarks notes the remarks of "row".
func (m *Mapper) rowRemarks() {
	if i := m.run.in.remarks; i >= 0 && m.results[i].value.Text != "" {
		m.addRemark(m.results[i].value.Text, m.foot, m.rowClaw())
	}
}

// document makes the record of what stands around the rows: once for each
// document.
func (m *Mapper) document() {
	if len(m.run.docs) == 0 || !m.run.in.csv && m.row.Doc == nil {
		return
	}
	in := m.run.in
	m.rowFarm()
	key, _, ok := m.text(in.visit)
	if ok && key == "" {
		m.refuse(in.visit, "the key of the visit", "nothing")
	}
	for i := range m.run.docs {
		b := &m.run.docs[i]
		o := in.occurred
		if b.occurred != nil {
			o = b.occurred
		}
		if o != nil {
			m.when(o)
		}
		m.makeOne(b, "")
	}
	for i := range m.stage.made {
		o := &m.stage.made[i].p.Base().Origin
		o.Line, o.LastLine, o.Path = m.documentLine(), 0, ""
	}
	m.keys = recordKeys{text: key, ok: ok && key != ""}
	if len(m.reasons) > 0 {
		m.stage.reset(m)
		m.holdDocument()
	} else if !m.stage.empty() {
		m.emitDocument(key)
	}
	m.begin()
}
