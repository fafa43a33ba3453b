package mapping

import (
	"slices"

	"dewclaw/events"
)

// feet is the order in which feet stand in an examination.
var feet = [...]string{"LF", "RF", "LH", "RH"}

// An exam is an examination on its way: of the current row, or of all rows of a
// record so far.
type exam struct {
	p      *events.Examination
	t      *template
	label  string
	pass   int
	listed [4]bool
	others bool      // feet that are not listed were not examined
	trim   [4]string // what was trimmed
}

// makeExamination makes the examination of the row.
func (m *Mapper) makeExamination(b *bound, label string) {
	p := m.take(b.kind).(*events.Examination)
	m.common(&p.Common)
	e := exam{p: p, t: b.template, label: label, pass: m.pass, others: b.othersNo}
	for i := range b.inherit {
		h := &b.inherit[i]
		set(p, h.event, &m.run.in.row[h.row], &m.results[h.row])
	}
	for i := range b.fields {
		f := &b.fields[i]
		r := m.eval(f)
		set(p, f.event, f, r)
	}
	p.Pass = m.pass
	m.examined(b, &e)
	if b.trimmed != nil {
		if r := m.eval(b.trimmed); !r.bad && !r.isZero() {
			for i := range e.trim {
				if e.listed[i] {
					e.trim[i] = r.value.Text
				}
			}
			if r.word != "" {
				p.Words = append(p.Words, events.Word{Field: trimmedField, Text: r.word})
			}
		}
	}
	if b.remarks != nil {
		m.remark(b.remarks, m.foot, m.rowClaw())
	}
	m.stage.exams = append(m.stage.exams, e)
}

// examined lists the feet that were examined.
func (m *Mapper) examined(b *bound, e *exam) {
	n := 0
	if b.feet == nil {
		if i := slices.Index(feet[:], m.foot); i >= 0 {
			e.listed[i] = true
			n++
		}
		if m.run.in.foot >= 0 && m.results[m.run.in.foot].bad {
			return
		}
	} else {
		list, final, ok := m.pieces(b.feet)
		for _, s := range list {
			code, fine := m.code(b.feet, s, final)
			ok = ok && fine
			if i := slices.Index(feet[:], code); i >= 0 {
				e.listed[i] = true
				n++
			}
		}
		if !ok {
			return
		}
	}
	if n == 0 && b.all {
		e.listed = [4]bool{true, true, true, true}
	}
}

// single are the members of an examination of which all rows must say the same.
var single = []struct {
	field string
	at    func(*events.Examination) *string
}{
	{"restraint", func(p *events.Examination) *string { return &p.Restraint }},
	{"outcome", func(p *events.Examination) *string { return &p.Outcome }},
	{"notDone", func(p *events.Examination) *string { return &p.NotDone }},
	{"role", func(p *events.Examination) *string { return &p.Role }},
}

// fits reports whether the examinations of the row agree with those of the open
// record, and notes where they do not.
func (m *Mapper) fits() bool {
	for i := range m.stage.exams {
		row := &m.stage.exams[i]
		rec := m.record.exam(row.pass)
		if rec == nil {
			continue
		}
		for _, s := range single {
			a, b := *s.at(rec.p), *s.at(row.p)
			if a != "" && b != "" && a != b {
				m.reason(s.field, row.t.column(s.field, m.run.in.row), quote(a)+" as in the rows before of the same examination", quote(b))
			}
		}
	}
	return len(m.reasons) == 0
}

// column names what a field of the template is read from.
func (t *template) column(key string, row []field) string {
	for i := range t.fields {
		if t.fields[i].key == key {
			return t.fields[i].value.place.column()
		}
	}
	for _, h := range t.inherit {
		if row[h.row].key == key {
			return row[h.row].value.place.column()
		}
	}
	return ""
}

// exam returns the examination of a pass, or nil.
func (b *bundle) exam(pass int) *exam {
	for i := range b.exams {
		if b.exams[i].pass == pass {
			return &b.exams[i]
		}
	}
	return nil
}

// merge adds the examination of a row to the record.
func (r *openRecord) merge(m *Mapper, row *exam) {
	rec := r.exam(row.pass)
	if rec == nil {
		r.exams = append(r.exams, *row)
		return
	}
	p, q := rec.p, row.p
	for _, s := range single {
		if a := s.at(p); *a == "" {
			*a = *s.at(q)
		}
	}
	p.Reasons = mergeReasons(p.Reasons, q.Reasons)
	p.AsGiven = mergeAsGiven(p.AsGiven, q.AsGiven)
	for _, w := range q.Words {
		if p.Words.Get(w.Field) == "" {
			p.Words = append(p.Words, w)
		}
	}
	for i := range feet {
		rec.listed[i] = rec.listed[i] || row.listed[i]
		rec.trim[i] = moreTrimmed(rec.trim[i], row.trim[i])
	}
	rec.others = rec.others && row.others
	m.give(q)
}

// notStated is the code of a reason that was not stated: it gives way to any.
const notStated = "not-stated"

func mergeReasons(a, b []string) []string {
	for _, s := range b {
		if !slices.Contains(a, s) {
			a = append(a, s)
		}
	}
	if len(a) > 1 {
		a = slices.DeleteFunc(a, func(s string) bool { return s == notStated })
	}
	return a
}

func mergeAsGiven(a, b events.AsGiven) events.AsGiven {
	for _, p := range [][2]*string{{&a.DaysInMilk, &b.DaysInMilk}, {&a.Parity, &b.Parity}, {&a.Pen, &b.Pen}} {
		if *p[0] == "" {
			*p[0] = *p[1]
		}
	}
	return a
}

// trims are the codes of what was trimmed, the least told first: of two rows of
// one foot the one that tells more counts.
var trims = []string{"", "unknown", "none", "preventive", "corrective"}

func moreTrimmed(a, b string) string {
	if slices.Index(trims, b) > slices.Index(trims, a) {
		return b
	}
	return a
}

// settleExams works out feet and outcome of the examinations of the record, and
// gives them its remarks and lines.
func (r *openRecord) settleExams() {
	for i := range r.exams {
		e := &r.exams[i]
		e.p.Origin.Line = r.line
		e.p.Origin.LastLine = r.last
		if r.last <= r.line {
			e.p.Origin.LastLine = 0
		}
		found := r.findings(e)
		e.settleFeet(found)
		if r.incomplete {
			e.doubt(r.heldFeet)
		}
		e.settleOutcome(found, r.incomplete)
	}
	for _, x := range r.remarks {
		e := r.exam(x.pass)
		switch {
		case e != nil:
			e.p.Remarks = append(e.p.Remarks, x.Remark)
		case len(r.exams) > 0:
			r.exams[0].p.Remarks = append(r.exams[0].p.Remarks, x.Remark)
		default:
			c := r.made[0].p.Base()
			c.Remarks = append(c.Remarks, x.Remark)
		}
	}
}

// findings tells at which feet the record has findings; a finding without a
// foot is at index 4.
func (r *openRecord) findings(e *exam) (found [5]bool) {
	for i := range r.made {
		if l, ok := r.made[i].p.(*events.Lesion); ok && (r.made[i].pass == e.pass || r.exam(r.made[i].pass) == nil) {
			k := slices.Index(feet[:], l.Foot)
			if k < 0 {
				k = 4
			}
			found[k] = true
		}
	}
	return found
}

func (e *exam) settleFeet(found [5]bool) {
	p := e.p
	p.Feet = p.Feet[:0]
	if p.Outcome == "not-done" {
		return
	}
	for i, foot := range feet {
		f := events.FootExam{Foot: foot, Examined: "yes", Result: "clear", Trimmed: e.trim[i]}
		switch {
		case found[i]:
			f.Result = "findings"
		case e.listed[i]:
		case e.others:
			f = events.FootExam{Foot: foot, Examined: "no"}
		default:
			continue
		}
		p.Feet = append(p.Feet, f)
	}
}

// doubt makes feet that a held row may speak of unknown instead of clear; a
// held row whose foot could not be read may speak of any.
func (e *exam) doubt(held []string) {
	for i := range e.p.Feet {
		f := &e.p.Feet[i]
		if f.Result == "clear" && (slices.Contains(held, f.Foot) || slices.Contains(held, "")) {
			f.Result = "unknown"
		}
	}
}

func (e *exam) settleOutcome(found [5]bool, incomplete bool) {
	p := e.p
	switch {
	case incomplete:
		p.Outcome = "incomplete"
	case p.Outcome != "":
	case slices.Contains(found[:], true):
		p.Outcome = "findings"
	case slices.ContainsFunc(p.Feet, func(f events.FootExam) bool { return f.Examined == "yes" }):
		p.Outcome = "clear"
	}
}

// unclear reports whether an examination came to nothing that could be told.
func (r *openRecord) unclear() bool {
	return slices.ContainsFunc(r.exams, func(e exam) bool { return e.p.Outcome == "" })
}
