package mapping

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
)

// A Mapper turns the rows of one original into records: the beat "map". It
// reuses what it works with and is not for several goroutines at once. What it
// returns is the caller's: texts and bytes of drafts and held records lie in
// blocks made for one call of Map or Flush, or in the rows themselves, and are
// never written again; nobody may change them.
type Mapper struct {
	run *Run
	out []adapters.Record

	// The current row and where in it values are read.
	row     *adapters.Row
	item    item     // of "each"
	key     string   // name of the current column or key
	names   []string // its named parts
	items   []item   // scratch of "each"
	cell    string   // text of the current column
	numeric bool     // the last text was a number of JSON
	foot    string   // the foot of the row as a code, "" if none could be read
	reasons []events.Reason
	lones   []lone    // events that were not made although something tells of them
	seen    *coverage // nil unless somebody asks

	// What the row says for all of its events.
	farm  string
	here  *zone
	keyer *events.Keyer
	ids   []events.Identifier
	norm  string // normalized form of the first
	named string // the key identifier as read, right or wrong
	none  int    // place among the reasons of the one that no identifier is there, if the row may do without; else -1
	occ   events.Occurred
	pass  int

	dateRead, timeRead string // as the source has them
	day                string // the local day, even if the time of day cannot be read
	keys               recordKeys
	visit              events.Entity
	scope              string
	results            []result // fields of "row"
	result             result   // of the last field

	lastVisit, lastFarm string // the visit of the row before
	lastEntity          events.Entity

	stage          bundle // events of the current row
	record         openRecord
	documentRecord openRecord
	waiting        map[heldKey][]string // held rows whose record is not open: their feet
	zones          map[string]*zone
	keyers         map[string]*events.Keyer
	pools          [13][]events.Payload
	enc            events.Encoder
	rawBuf         []byte // what Raw hashes
	blocks         blocks

	list     []string // pieces of one value
	outs     []string // elements of lists of the row
	digits   []byte
	parts    []string
	payloads []events.Payload
	slots    []events.Slot
	slotOf   map[string]events.Slot // by kind and parts
	idSlab   []events.Identifier

	// For the end of the original.
	rows, records, lastRow int
	animals                map[string]bool
	totalLine, total       int
	passed                 int // rows that were mapped at all, those that are ignored by rule included
	hollows, blanks        int // documents without rows, rows without events
	absent                 *absence
	looked                 looked
}

// recordKeys are the parts of a record key as read: rows with equal ones are of
// one record.
type recordKeys struct {
	text               string // own or examination key
	id                 events.Identifier
	pens               string // of a row that names no animal
	date               string // local day
	dateRead, timeRead string
	ok                 bool // the key could be read
}

func (r *Run) newMapper() *Mapper {
	m := &Mapper{
		run: r, zones: map[string]*zone{}, keyers: map[string]*events.Keyer{}, slotOf: map[string]events.Slot{}, scope: r.scope,
		results: make([]result, len(r.in.row)), looked: newLooked(len(r.in.paths)),
	}
	if r.in.total != nil && r.in.total.of == "animals" {
		m.animals = map[string]bool{}
	}
	m.setFarm(r.job.Farm)
	return m
}

// setFarm turns to the zone and the keys of a farm.
func (m *Mapper) setFarm(farm string) {
	if m.here != nil && m.farm == farm {
		return
	}
	m.farm = farm
	name := m.run.zoneOf(farm)
	if m.here = m.zones[name]; m.here == nil {
		z, err := newZone(name)
		if err != nil {
			z = utc() // Start has refused it; a row cannot bring another
		}
		m.zones[name], m.here = z, z
	}
	if m.keyer = m.keyers[farm]; m.keyer == nil {
		m.keyer = events.NewKeyer(farm, m.run.job.Source)
		m.keyers[farm] = m.keyer
	}
}

// Map appends the records of rows to out. Rows of a group that is still open
// stay inside until a row of another record, or Flush, closes it. A row is
// mapped the same whatever stands in the same call.
func (m *Mapper) Map(rows []adapters.Row, out []adapters.Record) []adapters.Record {
	m.out = out
	m.blocks.begin(len(rows))
	for i := range rows {
		m.one(&rows[i])
	}
	out, m.out = m.out, nil
	return out
}

// Flush closes the open group and appends its record to out. It is called at
// the end of the original, and of each member of a zip.
func (m *Mapper) Flush(out []adapters.Record) []adapters.Record {
	m.out = out
	m.blocks.begin(1)
	m.closeGroup()
	out, m.out = m.out, nil
	return out
}

// one maps one row. A fault of the program costs that row only.
func (m *Mapper) one(r *adapters.Row) {
	m.row = r
	defer func() {
		if p := recover(); p != nil {
			m.stage = bundle{}
			m.reasons = append(m.reasons[:0], events.Reason{Field: "row", Wanted: "a row that can be mapped", Got: fmt.Sprint("a fault of the program: ", p)})
			m.hold()
		}
	}()
	m.begin()
	m.lastRow = max(m.lastRow, r.Line)
	m.passed++
	if m.isTotal() || m.isIgnored() {
		return
	}
	m.rows++
	if r.First {
		m.document()
	}
	in := m.run.in
	switch {
	case r.Fault != nil:
		m.reasons = append(m.reasons, *r.Fault)
		m.hold()
		return
	case r.Open && in.total != nil && in.language > 0:
		m.reason("row", "", "a line end, and the total line behind it", "the end of the file: it may be cut off in this line")
		m.glimpse()
		m.hold()
		return
	case !in.csv && r.Value == nil && r.Path == "" && in.layout.Each != "":
		m.hollow()
		m.ignoreRow("the document has nothing at " + in.layout.Each)
		return
	case len(in.templates) == 0:
		return // the document is the record
	case in.gone != nil && m.holds(in.gone):
		m.goneRow()
		return
	}
	m.evaluate()
	switch {
	case len(m.reasons) > 0:
		m.stage.reset(m)
		m.hold()
	case m.stage.empty():
		m.blanks++
		m.ignoreRow("no event of the mapping is in it")
	default:
		m.join()
	}
}

// goneRow makes a record of the row that says that all events of its record are
// there no more: one that states all there is, which is nothing.
func (m *Mapper) goneRow() {
	m.rowFarm()
	m.recordKey()
	if len(m.reasons) > 0 || !m.keys.ok {
		m.hold()
		return
	}
	r := m.row
	m.out = append(m.out, adapters.Record{
		Outcome: adapters.Mapped, ID: m.recordID(&m.keys), Line: r.Line, LastLine: r.LastLine, Member: r.Member, Rows: 1,
		Raw: m.Raw(r), Whole: true, Scope: m.scope, Farm: m.namedFarm(m.farm), Beside: m.beside(),
	})
	m.records++
}

// begin forgets the row before.
func (m *Mapper) begin() {
	m.reasons, m.outs, m.lones = m.reasons[:0], m.outs[:0], m.lones[:0]
	m.item, m.key, m.names, m.cell, m.foot = item{}, "", nil, "", ""
	m.ids, m.norm, m.named, m.occ, m.pass, m.keys, m.visit = nil, "", "", events.Occurred{}, 0, recordKeys{}, ""
	m.dateRead, m.timeRead, m.day, m.none = "", "", "", -1
	if !m.record.open {
		m.idSlab = m.idSlab[:0]
	}
	if m.run.in.farm != nil {
		m.setFarm("") // until the row names it
	}
}

// isTotal settles the total line.
func (m *Mapper) isTotal() bool {
	t := m.run.in.total
	if t == nil || m.row.Cells == nil || !m.holds(t.conds) {
		return false
	}
	m.closeGroup()
	m.totalLine, m.total = m.row.Line, -1
	why := "total line"
	if t.count != nil {
		r := m.eval(plainField(t.count))
		if n, err := strconv.Atoi(r.value.Number.String()); err == nil {
			m.total = n
			why = fmt.Sprintf("total line: %d %s", n, t.of)
		}
		m.reasons = m.reasons[:0]
	}
	m.ignoreRow(why)
	return true
}

func (m *Mapper) isIgnored() bool {
	for i := range m.run.in.ignore {
		r := &m.run.in.ignore[i]
		if r.line != nil && !r.line.MatchString(m.row.Text) {
			continue
		}
		if r.conds == nil || (m.row.Cells != nil || m.row.Value != nil) && m.holds(r.conds) {
			m.ignoreRow(r.why)
			return true
		}
	}
	return false
}

// ignoreRow makes a record of the row that is nothing, and says why.
func (m *Mapper) ignoreRow(why string) {
	m.out = append(m.out, adapters.Record{
		Outcome: adapters.Ignored, Line: m.row.Line, LastLine: m.row.LastLine, Member: m.row.Member, Rows: 1,
		Raw: m.Raw(m.row), Why: why, Scope: m.scope,
	})
}

// holds reports whether all conditions hold. A place that cannot be read does
// not hold, and its reason is left out: who needs the value says so.
func (m *Mapper) holds(conds []cond) bool {
	for i := range conds {
		c := &conds[i]
		if c.expr != nil {
			ok, err := c.expr.truth(m.vars())
			if err != nil {
				m.reason("if", c.expr.column(), "an expression that can be worked out", clip(err.Error(), 200))
			}
			if !ok {
				return false
			}
			continue
		}
		n := len(m.reasons)
		s, ok := m.fetch(c.value)
		m.reasons = m.reasons[:n]
		if !ok || !(slices.Contains(c.words, s) || c.any && s != "") {
			return false
		}
	}
	return true
}

// vars are the variables of an expression.
func (m *Mapper) vars() map[string]any {
	v := map[string]any{
		"row": m.row.Value, "doc": m.row.Doc, "item": m.item.value, "titles": m.run.head.Titles, "name": m.nameVars(),
	}
	if m.run.in.csv {
		cells := make(map[string]string, len(m.row.Cells))
		for i, c := range m.row.Cells {
			if i < len(m.run.head.Columns) {
				cells[m.run.head.Columns[i]] = strings.TrimSpace(c)
			}
			cells[strconv.Itoa(i+1)] = strings.TrimSpace(c)
		}
		v["row"], v["item"] = cells, m.cell
	} else {
		v["row"], v["doc"], v["item"] = celValue(m.row.Value), celValue(m.row.Doc), celValue(m.item.value)
	}
	return v
}

func (m *Mapper) nameVars() map[string]string {
	vars := map[string]string{"key": m.key}
	for i, n := range m.names {
		vars[strconv.Itoa(i+1)] = n
	}
	return vars
}

// Raw returns the digest of a row before mapping: of its text, the mapping and
// the titles it reads. A row with an equal digest is mapped to equal events. It
// is the Raw of the record of a row that is not grouped.
func (m *Mapper) Raw(r *adapters.Row) events.Digest {
	m.rawBuf = append(m.rawBuf[:0], m.run.context[:]...)
	m.addRaw(r.Text)
	m.rawBuf = append(m.rawBuf, r.Bytes...)
	if r.Size > 0 {
		m.rawBuf = strconv.AppendInt(m.rawBuf, int64(r.Size), 10)
	}
	for _, v := range m.run.in.docValues {
		x, _ := v.place.path.get(r.Doc)
		m.rawBuf = fmt.Appendf(m.rawBuf, "%v ", x)
	}
	return m.rawSum()
}

// addRaw adds the text of a row to what is hashed.
func (m *Mapper) addRaw(text string) {
	m.rawBuf = append(append(m.rawBuf, text...), '\n')
}

func (m *Mapper) rawSum() events.Digest {
	sum := sha256.Sum256(m.rawBuf)
	return events.Digest(sum[:16])
}
