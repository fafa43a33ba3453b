package mapping

import (
	"slices"
	"strings"
	"unsafe"

	"github.com/theory/jsonpath/spec"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/rules"
)

// Bounds of groups: a record must fit into an entry, and held rows that may make
// a later examination incomplete are remembered up to a number.
const (
	mostRows    = 1000
	mostWaiting = 10_000
)

// made is one event on its way.
type made struct {
	p     events.Payload
	t     *template
	label string // column, key or word of "repeat" it was made for
	pass  int
	claw  bool // the claw is left to the finding

	key string                // of the column or item it was made of
	at  []spec.NormalSelector // and its path
}

// A remark belongs to the examination of its pass.
type remark struct {
	events.Remark
	pass int
}

// A bundle is what rows were made into.
type bundle struct {
	made    []made
	exams   []exam
	remarks []remark
}

func (b *bundle) empty() bool { return len(b.made) == 0 && len(b.exams) == 0 }

// reset empties the bundle and gives its payloads back.
func (b *bundle) reset(m *Mapper) {
	for i := range b.made {
		m.give(b.made[i].p)
	}
	for i := range b.exams {
		m.give(b.exams[i].p)
	}
	b.made, b.exams, b.remarks = b.made[:0], b.exams[:0], b.remarks[:0]
}

// An openRecord is the record being built.
type openRecord struct {
	bundle
	open       bool
	keys       recordKeys
	group      []string // texts of the group columns
	farm       string
	beside     string            // what stands around the rows and tells the farm, as read
	id         events.Identifier // key identifier
	norm       string            // its normalized form
	day, scope string
	visit      events.Entity
	line, last int // lines; last 0 if it has one
	member     string
	path       string
	rows       int
	texts      []string // texts of its rows, if it is grouped
	raw        events.Digest
	incomplete bool
	heldFeet   []string // feet of held rows of it; "" for one that could not be read
}

// A heldKey is the key of a held row.
type heldKey struct {
	keys recordKeys
	farm string
}

// join adds the row to the open record if it belongs there, else it closes that
// and opens another.
func (m *Mapper) join() {
	r := &m.record
	if !m.run.in.Grouped() {
		m.openRecord()
		r.raw = m.Raw(m.row)
		m.adopt()
		m.emit()
		return
	}
	m.groupTexts()
	if r.open && r.rows < mostRows && r.member == m.row.Member && r.farm == m.farm && r.keys == m.keys && slices.Equal(r.group, m.list) {
		if !m.fits() {
			m.stage.reset(m)
			m.hold()
			return
		}
		r.rows++
		r.last = max(m.row.Line, m.row.LastLine)
		r.texts = append(r.texts, m.row.Text)
		m.adopt()
		return
	}
	m.closeGroup()
	m.openRecord()
	r.group = append(r.group[:0], m.list...)
	r.texts = append(r.texts[:0], m.row.Text)
	if len(m.waiting) > 0 {
		k := heldKey{r.keys, r.farm}
		r.heldFeet = append(r.heldFeet, m.waiting[k]...)
		r.incomplete = len(r.heldFeet) > 0
		delete(m.waiting, k)
	}
	m.adopt()
}

// groupTexts reads the group columns of the row into m.list.
func (m *Mapper) groupTexts() {
	m.list = m.list[:0]
	for _, v := range m.run.in.record.group {
		s, _, _ := m.text(v)
		m.list = append(m.list, s)
	}
}

func (m *Mapper) openRecord() {
	r := &m.record
	r.open, r.incomplete, r.heldFeet = true, false, r.heldFeet[:0]
	r.keys, r.farm, r.norm, r.visit, r.scope, r.day = m.keys, m.farm, m.norm, m.visit, m.scope, m.occ.Date
	r.line, r.last, r.member, r.path, r.rows = m.row.Line, m.row.LastLine, m.row.Member, m.row.Path, 1
	if r.id = (events.Identifier{}); len(m.ids) > 0 {
		r.id = m.ids[0]
	}
	r.beside = m.beside()
}

// adopt moves the events of the row into the open record.
func (m *Mapper) adopt() {
	r := &m.record
	for i := range m.stage.exams {
		r.merge(m, &m.stage.exams[i])
	}
	r.made = append(r.made, m.stage.made...)
	for _, x := range m.stage.remarks {
		if !slices.Contains(r.remarks, x) {
			r.remarks = append(r.remarks, x)
		}
	}
	m.stage.made, m.stage.exams, m.stage.remarks = m.stage.made[:0], m.stage.exams[:0], m.stage.remarks[:0]
}

// heldOf notes a held row: it makes the examination of its record incomplete,
// which is the open one or one that comes.
func (m *Mapper) heldOf() {
	if !m.run.in.Grouped() || !m.run.in.examines || !m.keys.ok {
		return
	}
	if m.record.open && m.record.keys == m.keys && m.record.farm == m.farm {
		m.record.incomplete = true
		m.record.heldFeet = append(m.record.heldFeet, m.foot)
		return
	}
	if m.waiting == nil {
		m.waiting = map[heldKey][]string{}
	}
	if len(m.waiting) < mostWaiting {
		k := heldKey{m.keys.clone(), m.farm}
		m.waiting[k] = append(m.waiting[k], strings.Clone(m.foot))
	}
}

// clone copies the texts, so that they do not keep a block of the original.
func (k recordKeys) clone() recordKeys {
	for _, s := range []*string{&k.text, &k.id.Scheme, &k.id.Value, &k.date, &k.dateRead, &k.timeRead} {
		*s = strings.Clone(*s)
	}
	return k
}

// closeGroup makes a record of the open group.
func (m *Mapper) closeGroup() {
	if !m.record.open {
		return
	}
	r := &m.record
	m.rawBuf = append(m.rawBuf[:0], m.run.context[:]...)
	for _, t := range r.texts {
		m.addRaw(t)
	}
	r.raw = m.rawSum()
	m.emit()
}

// emit makes a record of what is open and appends it.
func (m *Mapper) emit() {
	r := &m.record
	farm := m.farm
	m.setFarm(r.farm)
	rec := adapters.Record{
		Outcome: adapters.Mapped, ID: m.recordID(&r.keys), Line: r.line, LastLine: r.last, Member: r.member, Rows: r.rows,
		Raw: r.raw, Whole: !m.run.in.Grouped(), Day: r.day, Scope: r.scope, Farm: m.namedFarm(r.farm),
		Beside: r.beside,
	}
	r.settleExams()
	if r.unclear() {
		m.holdRecord(&rec)
	} else {
		if r.id.Scheme != "" {
			rec.Animal = m.blocks.text(r.id.Scheme, ":", events.Compact(r.id.Value))
		}
		rec.Drafts = m.drafts(rec.ID)
		rec.Sight = rules.See(m.payloads, m.run.job.Received)
		if m.run.in.FarmByRow() {
			rec.Sight.Farm = r.farm
		}
	}
	m.out = append(m.out, rec)
	m.records++
	r.reset(m)
	r.open = false
	m.setFarm(farm)
}

// namedFarm returns a farm if the mapping reads it from the original.
func (m *Mapper) namedFarm(farm string) string {
	if m.run.in.farm == nil {
		return ""
	}
	return farm
}

// emitDocument makes a record of the events of a document.
func (m *Mapper) emitDocument(key string) {
	kept, open := m.record, m.record.open
	m.record = m.documentRecord
	m.openRecord()
	r := &m.record
	r.visit = ""
	r.id, r.norm = events.Identifier{}, ""
	m.adopt()
	rec := adapters.Record{
		Outcome: adapters.Mapped, ID: m.keyer.VisitKey(key), Line: m.documentLine(), Member: r.member, Rows: 1, Whole: true,
		Day: r.day, Scope: r.scope, Farm: m.namedFarm(r.farm), Raw: m.documentRaw(),
	}
	rec.Drafts = m.drafts(rec.ID)
	m.out = append(m.out, rec)
	r.reset(m)
	m.documentRecord = m.record
	m.record = kept
	m.record.open = open
}

// documentRaw returns the digest of a document: of its text, or of the titles.
func (m *Mapper) documentRaw() events.Digest {
	m.rawBuf = append(m.rawBuf[:0], m.run.context[:]...)
	m.addRaw(m.documentText())
	return m.rawSum()
}

// documentLine returns the line on which the document of the row begins.
func (m *Mapper) documentLine() int {
	if m.row.DocText != "" {
		return m.row.DocLine
	}
	return m.row.Line
}

// documentText returns the text of the document the row stands in; of csv, what
// stands before the rows.
func (m *Mapper) documentText() string {
	switch {
	case m.run.in.csv:
		return strings.Join(append(slices.Clone(m.run.head.Titles), strings.Join(m.run.head.Columns, string(m.run.in.layout.Delimiter))), "\n")
	case m.row.DocText != "":
		return m.row.DocText
	}
	return m.row.Text
}

// drafts works out what follows from the record, gives every event its entity
// and writes it.
func (m *Mapper) drafts(id events.RecordID) []adapters.Draft {
	r := &m.record
	m.payloads = m.payloads[:0]
	for i := range r.exams {
		m.payloads = append(m.payloads, r.exams[i].p)
	}
	for i := range r.made {
		m.payloads = append(m.payloads, r.made[i].p)
	}
	out := m.blocks.draft(len(m.payloads))
	m.slots = m.slots[:0]
	for i := range r.exams {
		e := &r.exams[i]
		out[i].Entity = m.entity(id, e.p, e.t, e.label, 0)
	}
	for i := range r.made {
		e := &r.made[i]
		c := e.p.Base()
		for k := range r.exams {
			if r.exams[k].pass == e.pass {
				c.Examination = out[k].Entity
			}
		}
		out[len(r.exams)+i].Entity = m.entity(id, e.p, e.t, e.label, e.pass)
	}
	rules.Apply(m.payloads, m.run.job.Rules)
	subject := ""
	if r.id.Scheme != "" {
		subject = m.blocks.text(r.id.Scheme, ":", r.norm)
	}
	env := events.Envelope{Visit: string(r.visit)}
	env.Farm = m.namedFarm(r.farm)
	if r.scope != m.run.scope {
		env.Scope = r.scope
	}
	for i, p := range m.payloads {
		env.Kind, env.Entity, env.Subject = p.Kind(), out[i].Entity, subject
		if !p.Kind().Animals() {
			env.Subject = ""
		}
		m.write(&out[i], env, p)
	}
	return out
}

// entity works out the entity of an event, which differs from all before it in
// the record.
func (m *Mapper) entity(id events.RecordID, p events.Payload, t *template, label string, pass int) events.Entity {
	m.parts = m.parts[:0]
	if m.run.in.record.own != nil && p.Kind() != events.KindVisit {
		m.parts = append(m.parts, t.name, label)
	} else {
		m.parts = events.AppendSlotParts(m.parts, p)
		if pass > 1 {
			m.parts = append(m.parts, passes[min(pass, len(passes)-1)])
		}
	}
	// The ordinal counts the events of the record that are alike in all parts.
	first := m.slot(p.Kind())
	n := 0
	for _, s := range m.slots {
		if s == first {
			n++
		}
	}
	m.slots = append(m.slots, first)
	slot := first
	if n > 0 {
		slot = m.keyer.Slot(p.Kind(), n, m.parts...)
	}
	buf := m.blocks.room(64)
	from := len(buf)
	b := m.blocks.keep(events.AppendEntity(buf, id, slot), from)
	return events.Entity(unsafe.String(unsafe.SliceData(b), len(b)))
}

// mostSlots bounds the memory for slots: over it, it starts anew.
const mostSlots = 4096

// slot returns the slot of m.parts with ordinal 0. Most rows have the same few,
// and a look is cheaper than a hash.
func (m *Mapper) slot(kind events.Kind) events.Slot {
	m.digits = append(m.digits[:0], kind...)
	for _, p := range m.parts {
		m.digits = append(append(m.digits, 0), p...)
	}
	if s, ok := m.slotOf[string(m.digits)]; ok {
		return s
	}
	s := m.keyer.Slot(kind, 0, m.parts...)
	if strings.Count(string(m.digits), "\x00") != len(m.parts) {
		return s // a part has the byte that stands between parts
	}
	if len(m.slotOf) >= mostSlots {
		clear(m.slotOf)
	}
	m.slotOf[string(m.digits)] = s
	return s
}

// passes are the words of passes in slots.
var passes = [...]string{"", "", "pass 2", "pass 3", "pass 4", "pass 5", "pass 6", "pass 7", "pass 8", "pass 9", "pass 10 or later"}

// write writes the stored form of an event into the block.
func (m *Mapper) write(d *adapters.Draft, env events.Envelope, p events.Payload) {
	buf := m.blocks.room(2 << 10)
	from := len(buf)
	buf = events.AppendOpen(buf, env, nil)
	data := len(buf)
	buf, d.Digest = m.enc.Append(buf, p)
	d.Open = m.blocks.keep(buf, from)
	d.Data = d.Open[data-from:]
	d.Kind, d.Guarded = env.Kind, rules.Guarded(p)
}
