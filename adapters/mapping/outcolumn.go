package mapping

import (
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// An outColumn is one column of an outward mapping.
type outColumn struct {
	name   string
	typ    events.FieldType // how JSON writes it
	from   string           // for messages
	fixed  string           // constant
	place  *outPlace        // nil for a constant
	where  []filter
	table  *table
	els    *string // "else"; nil if there is none
	empty  string  // what stands for nothing
	layout *layout
	days   *layout // of a moment of which only the day is known
	unit   *codes.Unit
	places int // of a converted number
	mark   byte
	joint  string // between the texts of one CSV cell; "" for the list mark of the style
}

// Places of a number converted to another unit, where the mapping says nothing:
// common practice, no source.
const defaultPlaces = 2

var outKeys = []string{"from", "where", "table", "else", "empty", "layout", "unit", "places", "decimal"}

// outColumn compiles one column.
func (c *compiler) outColumn(k, n *node, what string, o *Outward) {
	col := outColumn{name: k.text, typ: events.TextField, places: defaultPlaces, mark: o.mark}
	from := n
	if n.kind == mapNode {
		if !c.keys(n, what, outKeys...) {
			return
		}
		if from = n.get("from"); from == nil {
			c.add(n, what+".from", "where the value is read", "nothing")
			return
		}
	}
	text, ok := c.scalar(from, what, "a place such as code, or =constant")
	if !ok {
		return
	}
	if fixed, isConstant := strings.CutPrefix(text, "="); isConstant {
		col.fixed = fixed
	} else {
		p, names := o.place(text)
		if p == nil {
			const wanted = "a place of an event such as code, identifier, examination.reasons"
			if rest := strings.TrimPrefix(text, "examination."); rest == remarksField || rest == feetField || rest == "notes" {
				c.add(from, what, wanted, quote(text), "did you mean "+quote(rest)+"?") // those of the examination already
				return
			}
			c.addNear(from, what, wanted, text, names)
			return
		}
		col.place, col.from, col.typ = p, text, p.typ
		if p.many && text == remarksField {
			col.joint = "; "
		}
	}
	if n.kind == mapNode {
		c.refineColumn(n, what, &col, o)
	}
	c.settleColumn(n, what, &col, o)
	o.columns = append(o.columns, col)
}

func (c *compiler) refineColumn(n *node, what string, col *outColumn, o *Outward) {
	p := col.place
	if x := n.get("where"); x != nil {
		c.where(x, what+".where", col, o)
	}
	if x := n.get("table"); x != nil {
		col.table = c.table(x, what+".table", nil)
		if col.table != nil && p != nil && p.list != nil {
			for i, w := range col.table.words {
				if known, names, all := p.codes(w); !known {
					c.addNear(col.table.node.keys[i], what+".table", "codes of "+listed(names), w, all)
				}
			}
		}
		col.typ = textType(col.typ)
	}
	if x := n.get("else"); x != nil {
		if col.table == nil {
			c.add(x, what+".else", "it only beside a table", "it alone")
		}
		s := x.text
		col.els = &s
	}
	if x := n.get("empty"); x != nil {
		col.empty = x.text
	}
	if x := n.get("layout"); x != nil {
		col.layout = c.oneLayout(x, what+".layout")
	}
	if x := n.get("unit"); x != nil && p != nil {
		t := &target{typ: events.DecimalField, unit: p.unit}
		if c.only(x, what+".unit", p.typ == events.DecimalField, "a measured value") {
			col.unit = c.unit(x, what+".unit", t)
		}
	}
	if x := n.get("places"); x != nil {
		col.places = c.whole(x, what+".places", 0, 19)
	}
	if x := n.get("decimal"); x != nil {
		col.mark = c.decimal(x, what+".decimal")
	}
}

func textType(t events.FieldType) events.FieldType {
	switch t {
	case events.TextsField, events.CodesField, events.DaysField, events.IntegersField:
		return events.TextsField
	}
	return events.TextField
}

// where reads the filters of joined events.
func (c *compiler) where(n *node, what string, col *outColumn, o *Outward) {
	kind, _, _ := strings.Cut(col.from, ".")
	if !o.joined || !slices.Contains(events.Kinds(), events.Kind(kind)) || kind == "visit" || kind == "examination" {
		c.add(n, what, "it only at a field of joined events, such as lesion.code, with rows: examination", "it here")
		return
	}
	if n.kind != mapNode {
		c.add(n, what, "a map of fields to codes", n.describe())
		return
	}
	for i, k := range n.keys {
		f := events.Kind(kind).Field(k.text)
		if f == nil {
			c.addNear(k, what, "a field of "+kind, k.text, fieldNames(events.Kind(kind)))
			continue
		}
		words := c.strings(n.vals[i], what+"."+k.text, "a code")
		for _, w := range words {
			if l := codes.Find(f.List); l != nil && !l.Has(w) {
				c.addNear(n.vals[i], what+"."+k.text, oneOf("a code of "+l.Name, w, l.Codes()), w, l.Codes())
			}
		}
		col.where = append(col.where, filter{k.text, words})
	}
}

// settleColumn settles what depends on several keys.
func (c *compiler) settleColumn(n *node, what string, col *outColumn, o *Outward) {
	p := col.place
	if o.style.Format != "csv" && col.mark != '.' {
		c.add(n, what+".decimal", `"."; JSON has no other`, `","`)
	}
	if p == nil {
		return
	}
	if p.many {
		col.typ = textType(events.TextsField)
		if col.table == nil && (p.typ == events.DecimalField || p.typ == events.IntegerField) && o.style.Format != "csv" {
			col.typ = events.IntegersField // numbers of JSON
		}
	}
	if col.layout == nil && col.table == nil {
		switch {
		case p.clock:
			col.layout = c.times
		case p.typ == events.DayField || p.typ == events.DaysField:
			col.layout = c.dates
		}
	}
	col.days = c.dates
	if col.layout != nil {
		day := p.typ == events.DayField || p.typ == events.DaysField
		switch {
		case !p.clock && !day && p.typ != events.MomentField:
			c.add(n, what+".layout", "it only at a date or a time", "it here")
		case p.clock && (col.layout.date || !col.layout.clock), day && (col.layout.clock || !col.layout.date), p.typ == events.MomentField && !col.layout.date:
			c.add(n, what+".layout", "a layout of what stands there", quote(col.layout.text))
		case col.layout.special != "":
			c.add(n, what+".layout", "a layout of day and time, written out", quote(col.layout.text))
		}
	}
}

// fill works out one cell.
func (col *outColumn) fill(o *Outward, x *RowContext, cell *adapters.Cell) error {
	if col.place == nil {
		cell.Text = col.fixed
		return nil
	}
	v, err := col.place.read(o, x, col.where)
	if err != nil {
		return err
	}
	if v.text != "" {
		if cell.Text, err = col.one(v.text, x); err != nil {
			return err
		}
	}
	for _, s := range v.list {
		if s, err = col.one(s, x); err != nil {
			return err
		}
		cell.List = append(cell.List, s)
	}
	if col.joint != "" && o.style.Format == "csv" {
		cell.Text, cell.List = strings.Join(cell.List, col.joint), nil
	}
	if cell.Text == "" && len(cell.List) == 0 {
		cell.Text = col.empty
	}
	return nil
}

// one turns one value into what stands in the cell.
func (col *outColumn) one(s string, x *RowContext) (string, error) {
	p := col.place
	switch {
	case s == "":
		return s, nil
	case col.table != nil:
		i := col.table.find(s, false)
		switch {
		case i >= 0 && col.table.codes[i] == nothing:
			return "", nil
		case i >= 0:
			return col.table.codes[i], nil
		case col.els != nil:
			return *col.els, nil
		}
		return "", col.park(x, oneOf("a code of the table", s, col.table.words), quote(s))
	case p.typ == events.DecimalField:
		return col.number(s, x)
	case col.layout != nil:
		return col.date(s, x)
	}
	return s, nil
}

func (col *outColumn) park(x *RowContext, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, Where: "event " + x.Event.ID(), What: col.from + " (column " + strconv.Quote(col.name) + ")",
		Wanted: wanted, Got: got,
	}
}

func (col *outColumn) number(s string, x *RowContext) (string, error) {
	if col.unit != nil && col.unit.Code != col.unit.Neutral {
		d, err := events.ParseDecimal(s)
		if err == nil {
			v, _, ok := col.unit.From(d, col.places)
			if !ok {
				err = errors.New("too many digits")
			}
			s = v.String()
		}
		if err != nil {
			return "", col.park(x, "a number that can be written in "+col.unit.Code, quote(s))
		}
	}
	if col.mark == ',' {
		if whole, part, ok := strings.Cut(s, "."); ok && len(part) == 3 && len(whole) <= 4 {
			s += "0" // 27,116 would be read as 27.116 or 27116
		}
		s = strings.Replace(s, ".", ",", 1)
	}
	return s, nil
}

// date writes a day, a moment or a time of day in the layout.
func (col *outColumn) date(s string, x *RowContext) (string, error) {
	m, ok := storedMoment(s)
	if !ok || col.layout.date && m.year == 0 {
		return "", col.park(x, "a date or a time", quote(s))
	}
	if !m.clock && col.layout.clock {
		if col.days == nil {
			return m.iso, nil
		}
		return string(col.days.append(nil, &m)), nil // it never becomes midnight
	}
	return string(col.layout.append(nil, &m)), nil
}

// storedMoment reads a day, a time of day or a moment as events have them.
func storedMoment(s string) (moment, bool) {
	for _, f := range []string{time.DateOnly, time.RFC3339Nano, "15:04", "15:04:05", "15:04:05.000"} {
		t, err := time.Parse(f, s)
		if err != nil {
			continue
		}
		m := moment{minute: t.Minute(), hour: t.Hour(), second: t.Second(), ms: t.Nanosecond() / 1e6, clock: f != time.DateOnly}
		if f == time.DateOnly || f == time.RFC3339Nano {
			m.year, m.month, m.day, m.iso = t.Year(), int(t.Month()), t.Day(), t.Format(time.DateOnly)
		}
		_, m.offset = t.Zone()
		return m, true
	}
	return moment{}, false
}
