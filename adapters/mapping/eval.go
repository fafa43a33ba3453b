package mapping

import (
	"slices"
	"strconv"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A result is what a field got from one row.
type result struct {
	value  events.Value
	word   string // the source's own word, if it differs from what it was made to
	bad    bool   // a reason was noted
	byRule bool   // nothing is there and the target decides: by-finding
}

// isZero reports whether nothing is there.
func (r *result) isZero() bool { return r.value.IsZero() }

// reason notes why a row is held, once.
func (m *Mapper) reason(field, column, wanted, got string) {
	for i := range m.reasons {
		if r := &m.reasons[i]; r.Field == field && r.Column == column && r.Got == got {
			return
		}
	}
	m.reasons = append(m.reasons, events.Reason{Field: field, Column: column, Wanted: wanted, Got: got})
}

func (m *Mapper) refuse(v *value, wanted, got string) {
	m.reason(v.target.field, m.column(&v.place), wanted, got)
}

// code turns a word into what the table or the list of the target makes of it.
func (m *Mapper) code(v *value, s string, final bool) (string, bool) {
	t := v.target
	if v.table != nil && !final {
		i := v.table.find(s, v.ignoreCase)
		if i < 0 {
			m.refuse(v, oneOf("a word of the table", s, v.table.words), quote(s))
			return "", false
		}
		if m.seen != nil {
			m.seen.word(v.table, i)
		}
		if s = v.table.codes[i]; s == nothing {
			s = ""
		}
		return s, true
	}
	if t.isCode() && t.list != nil && s != "" && !t.list.Has(s) {
		if t.sides && slices.Contains(m.run.in.claws, s) {
			return s, true
		}
		p := t.list.Problem(s)
		m.refuse(v, p.Wanted, p.Got)
		return "", false
	}
	return s, true
}

// eval works out the value of a field from the current row. The result stays as
// it is until the next call.
func (m *Mapper) eval(f *field) *result {
	if f.fixed != nil {
		return f.fixed
	}
	r := &m.result
	*r = result{}
	m.evalInto(f, r)
	return r
}

func (m *Mapper) evalInto(f *field, r *result) {
	v := f.value
	if f.list {
		*r = m.evalList(f)
		return
	}
	s, final, ok := m.text(v)
	if !ok {
		r.bad = true
		return
	}
	if s == "" {
		r.byRule = v.emptyWord == byFinding
		return
	}
	code, ok := m.code(v, s, final)
	if !ok || code == "" {
		r.bad = !ok
		return
	}
	switch f.target.typ {
	case events.DecimalField, events.IntegerField:
		*r = m.evalNumber(f, code)
	case events.DayField:
		*r = m.evalDay(v, code)
	case events.MomentField:
		*r = m.evalMoment(v, code)
	case events.TruthField:
		r.value.Text = code
		if code != "true" && code != "false" {
			m.refuse(v, `true, by a table such as {yes: "true", no: "-"}`, quote(code))
			r.bad = true
		}
		if code == "false" {
			r.value.Text = ""
		}
	default:
		r.value.Text = code
	}
	if f.scale != nil && !r.bad && !f.scale.Has(code) {
		p := f.scale.Problem(code)
		m.refuse(v, p.Wanted, p.Got)
		r.bad = true
	}
	switch {
	case final:
	case f.target.isNumber() && m.writes(r.value.Number, s):
	case f.target.isNumber() && v.unit != nil && v.unit.Code != v.unit.Neutral && f.key != "value":
		r.word = s + " " + v.unit.Code
	case s != code || f.target.isNumber() || r.value.Text != code:
		r.word = s
	}
}

// writes reports whether s is the number as we write it.
func (m *Mapper) writes(d events.Decimal, s string) bool {
	m.digits, _ = d.AppendText(m.digits[:0])
	return string(m.digits) == s
}

// evalNumber reads a number exactly and converts it.
func (m *Mapper) evalNumber(f *field, s string) (r result) {
	v := f.value
	form := codes.NumberForm{Mark: v.mark, Fractions: v.fractions}
	if m.numeric {
		form.Mark = '.' // JSON has one way to write a number
	}
	d, p := codes.ParseNumber(s, form)
	if p == nil && v.unit != nil {
		d, p = v.unit.Neutralize(d)
	}
	if p != nil {
		m.refuse(v, p.Wanted, p.Got)
		return result{bad: true}
	}
	if f.target.typ == events.IntegerField && (!d.IsInt() || d.Cmp(zero) < 0 || d.Cmp(million) > 0) {
		m.refuse(v, "a whole number from 0 to 1000000", quote(s))
		return result{bad: true}
	}
	r.value.Number = d
	return r
}

var zero, million = events.DecimalOf(0, 0), events.DecimalOf(1_000_000, 0)

// evalList works out a field that takes several values.
func (m *Mapper) evalList(f *field) (r result) {
	v := f.value
	list, final, ok := m.pieces(v)
	if !ok {
		return result{bad: true}
	}
	start, differ, raw := len(m.outs), false, ""
	for i, s := range list {
		code, ok := m.code(v, s, final)
		if ok && code != "" {
			code, ok = m.evalElement(f, code)
		}
		if !ok {
			r.bad = true
			continue
		}
		differ = differ || code != s
		if raw += s; i < len(list)-1 {
			raw += ", "
		}
		if code != "" {
			m.outs = append(m.outs, code)
		}
	}
	if r.bad {
		m.outs = m.outs[:start]
		return result{bad: true}
	}
	r.value.List = m.outs[start:len(m.outs):len(m.outs)]
	if differ && !final {
		r.word = raw
	}
	return r
}

// evalElement checks one element of a list and brings it into its form.
func (m *Mapper) evalElement(f *field, code string) (string, bool) {
	v := f.value
	switch f.target.typ {
	case events.DaysField:
		r := m.evalDay(v, code)
		return r.value.Text, !r.bad
	case events.IntegersField:
		n, err := strconv.Atoi(code)
		if f.zones != nil && (err != nil || !f.zones.Has(n)) {
			p := f.zones.Problem(code)
			m.refuse(v, p.Wanted, p.Got)
			return "", false
		}
		if err != nil || n < 0 {
			m.refuse(v, "a whole number", quote(code))
			return "", false
		}
		if len(code) > 1 && code[0] == '0' || code[0] == '+' {
			code = strconv.Itoa(n)
		}
	}
	return code, true
}

// evalDay reads a date.
func (m *Mapper) evalDay(v *value, s string) (r result) {
	if v.place.kind == constant && v.layout == nil {
		if t, ok := isoDate.parse(s, '.'); ok {
			r.value.Text = t.iso
			return r
		}
		m.refuse(v, "a day as YYYY-MM-DD", quote(s))
		return result{bad: true}
	}
	t, ok := v.layout.parse(s, v.mark)
	if !ok || t.year == 0 || v.layout.special != "" && t.clock && !v.layout.zoned {
		m.refuse(v, m.wantedDate(v.layout), v.layout.looser(s, v.mark))
		return result{bad: true}
	}
	if t.zoned {
		m.toLocal(&t)
	}
	r.value.Text = m.here.day(days(t.year, t.month, t.day), &t).date
	return r
}

// evalMoment reads a day, or a day with a time.
func (m *Mapper) evalMoment(v *value, s string) (r result) {
	l := v.layout
	if v.place.kind == constant && l == nil {
		l = isoDate
	}
	t, ok := l.parse(s, v.mark)
	if !ok || t.year == 0 {
		m.refuse(v, m.wantedDate(l), l.looser(s, v.mark))
		return result{bad: true}
	}
	o, wanted := m.occur(&t)
	if wanted != "" {
		m.refuse(v, wanted, quote(s))
		return result{bad: true}
	}
	if r.value.Text = o.Date; o.Time != "" {
		r.value.Text = o.RFC3339()
	}
	return r
}

var isoDate, _ = parseLayout("YYYY-MM-DD", nil)

func (m *Mapper) wantedDate(l *layout) string {
	switch {
	case l.special == "day-number" || l.special == "day-number-1904":
		return "the day number of a spreadsheet (" + l.special + ")"
	case l.special != "":
		return "the " + l.special + " of a moment"
	case !l.date:
		return "a time of day as " + l.words()
	}
	return "a day that exists, as " + l.words()
}

// words names the layout, or those of which one must fit.
func (l *layout) words() string {
	text := l.text
	for _, o := range l.others {
		text += " or " + o.text
	}
	return text
}

// looser quotes a text that the layout does not read, with the layout that does:
// the same one with days, months and hours of one digit.
func (l *layout) looser(s string, mark byte) string {
	got := quote(s)
	if l.special != "" || l.others != nil || strings.ContainsAny(l.text, "'") || strings.Contains(l.text, "MMM") {
		return got
	}
	text := strings.NewReplacer("DD", "D", "MM", "M", "HH", "H", "hh", "h").Replace(l.text)
	o, err := parseLayout(text, l.months)
	if err != nil || text == l.text {
		return got
	}
	if _, ok := o.parse(s, mark); ok {
		got += ", which " + text + " reads"
	}
	return got
}
