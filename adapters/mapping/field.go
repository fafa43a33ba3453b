package mapping

import (
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// A field is one field of an event and the value it gets.
type field struct {
	key    string        // as the mapping names it
	event  *events.Field // nil within "row", where it differs by kind
	value  *value
	target target
	fixed  *result // of a constant; else nil
	list   bool    // it takes several values

	zones *codes.ZoneMap       // zones: their map
	scale *codes.SeverityScale // severity: its scale
}

// fieldOf compiles one field of a template.
func (c *compiler) fieldOf(t *template, k, n *node, what string, s *scope) {
	switch {
	case k.text == remarksField:
		t.own.remarks = true
		t.remarks = c.value(n, what, &target{field: remarksField, typ: events.TextField}, s)
		return
	case t.kind == events.KindExamination && k.text == feetField:
		c.feet(t, n, what, s)
		return
	case t.kind == events.KindExamination && k.text == trimmedField:
		t.trimmed = c.field(k, n, what, target{field: trimmedField, typ: events.CodeField, list: codes.Find("trimmed")}, s)
		return
	}
	f := c.eventField(t.kind, k, what)
	if f == nil {
		return
	}
	if t.kind == events.KindExamination && f.Name == "pass" {
		c.pass = plainField(c.value(n, what, &target{field: "pass", typ: events.IntegerField}, s)) // it is told to all events of the row
		return
	}
	x := c.field(k, n, what, targetOf(f, k.text), s)
	if x == nil {
		return
	}
	x.event = f
	switch k.text {
	case "foot":
		t.own.foot = true
	case "claw":
		t.own.claw = true
	}
	if f.Lead {
		t.lead = x
		return
	}
	t.fields = append(t.fields, *x)
}

// aliases are fields that a mapping names by what they mean and that fill
// several members.
var aliases = map[string]string{"zones": "zones.numbers", "severity": "severity.value", "size": "sizeMM"}

// hidden are members that only such a field fills, or that we work out.
var hidden = []string{"zones.numbers", "zones.map", "severity.value", "severity.scale", "unit"}

// settable reports whether a mapping may fill the field of a kind by that name.
// What a device writes of an animal is nothing for a kind that names none.
func settable(kind events.Kind, f *events.Field, name string) bool {
	return f.Settable() && !slices.Contains(hidden, name) && (kind.Animals() || !strings.HasPrefix(f.Name, "asGiven."))
}

// eventField finds the field of a kind that a mapping names.
func (c *compiler) eventField(kind events.Kind, k *node, what string) *events.Field {
	name := k.text
	full := name
	if a, ok := aliases[name]; ok && kind == events.KindLesion {
		full = a
	}
	f := kind.Field(full)
	if f == nil || !settable(kind, f, name) {
		c.addNear(k, what, oneOf("a field of "+string(kind), name, fieldNames(kind)), name, fieldNames(kind))
		return nil
	}
	return f
}

// fieldNames lists what a mapping may set on a kind.
func fieldNames(kind events.Kind) []string {
	var names []string
	for _, f := range kind.Fields() {
		if settable(kind, &f, f.Name) {
			names = append(names, f.Name)
		}
	}
	switch kind {
	case events.KindExamination:
		names = append(names, feetField, trimmedField)
	case events.KindLesion:
		names = append(names, "zones", "severity", "size")
	}
	names = append(names, remarksField)
	slices.Sort(names)
	return names
}

func targetOf(f *events.Field, key string) target {
	t := target{field: f.Name, typ: f.Type, unit: f.Unit}
	if f.List != "" {
		t.list = codes.Find(f.List)
	}
	switch key {
	case "claw":
		t.sides, t.words = true, []string{byFinding}
	case "zones":
		t.extra = []string{"map"}
	case "severity":
		t.extra = []string{"scale"}
	}
	return t
}

// field compiles the value of a field, a constant to its end.
func (c *compiler) field(k, n *node, what string, t target, s *scope) *field {
	f := &field{key: k.text, target: t, list: t.isList()}
	f.value = c.value(n, what, &f.target, s)
	if f.value == nil {
		return nil
	}
	switch k.text {
	case "zones":
		f.zones = c.zoneMap(n, what)
	case "severity":
		f.scale = c.severityScale(n, what)
	case "size", "value":
		if f.value.unit == nil {
			c.add(n, what, "the unit of the number: {from: …, unit: mm}", "none")
		}
	}
	pair := k.text == "zones" || k.text == "severity" // of which the other half may be missing
	if f.value.place.kind == constant && (!pair || f.zones != nil || f.scale != nil) {
		f.fixed = c.fix(f, n, what)
	}
	return f
}

// plainField returns the field of a value that belongs to no event, nil for nil.
func plainField(v *value) *field {
	if v == nil {
		return nil
	}
	return &field{value: v, target: *v.target, list: v.target.isList()}
}

// fix works out a constant once and for all.
func (c *compiler) fix(f *field, n *node, what string) *result {
	m := &Mapper{run: &Run{in: &Inward{csv: c.csv, claws: sideWords("")}}, here: utc()} // sides are settled when the file is read
	r := *m.eval(f)
	for _, x := range m.reasons {
		c.add(n, what, x.Wanted, x.Got)
	}
	r.word = ""
	r.value.List = slices.Clone(r.value.List)
	return &r
}

func (c *compiler) zoneMap(n *node, what string) *codes.ZoneMap {
	x := n.get("map")
	if x == nil {
		c.add(n, what, "the map that numbers the zones: {from: …, map: "+codes.WideZones+"}", "none")
		return nil
	}
	text, _ := c.scalar(x, what+".map", "a zone map")
	m := codes.ZoneMaps().Get(text)
	if m == nil && text != "" {
		c.add(x, what+".map", oneOf("a zone map", text, codes.ZoneMaps().Codes()), quote(text))
	}
	return m
}

func (c *compiler) severityScale(n *node, what string) *codes.SeverityScale {
	x := n.get("scale")
	if x == nil {
		c.add(n, what, "the scale of the grades: {from: …, scale: grade-3}", "none")
		return nil
	}
	text, _ := c.scalar(x, what+".scale", "a scale of severity")
	s := codes.SeverityScales().Get(text)
	if s == nil && text != "" {
		c.add(x, what+".scale", oneOf("a scale of severity", text, codes.SeverityScales().Codes()), quote(text))
	}
	return s
}

func first(key string) int {
	if key == "what" || key == "scale" {
		return 0
	}
	return 1
}

// measureUnit checks the unit of a measure that the mapping itself names.
func (c *compiler) measureUnit(t *template, what string) {
	for _, f := range t.fields {
		if f.key != "what" || f.fixed == nil {
			continue
		}
		if m := codes.Measures().Get(f.fixed.value.Text); m != nil && m.Unit != t.lead.value.unit.Neutral {
			c.add(t.lead.value.node, what+".value.unit", "a unit of "+m.Unit+" for "+m.Code, quote(t.lead.value.unit.Code))
		}
	}
}

// rowFields compiles "row": fields for every event that has them.
func (c *compiler) rowFields(n *node) []field {
	var out []field
	if n.kind != mapNode {
		c.add(n, "row", "a map of fields", n.describe())
		return nil
	}
	for i, k := range n.keys {
		what := "row." + k.text
		if slices.ContainsFunc(n.keys[:i], func(o *node) bool { return o.text == k.text }) {
			c.add(k, what, "every field once", quote(k.text)+" twice")
			continue
		}
		if k.text == remarksField {
			if v := c.value(n.vals[i], what, &target{field: remarksField, typ: events.TextField}, &scope{}); v != nil {
				out = append(out, field{key: remarksField, value: v, target: *v.target})
			}
			continue
		}
		f := rowField(k.text)
		if f == nil {
			c.addNear(k, what, oneOf("a field that some kind has", k.text, rowNames()), k.text, rowNames())
			continue
		}
		if x := c.field(k, n.vals[i], what, targetOf(f, k.text), &scope{}); x != nil {
			out = append(out, *x)
		}
	}
	return out
}

// rowField finds a field that may stand in "row": one of some kind that neither
// leads nor is read together with another.
func rowField(name string) *events.Field {
	for _, k := range events.Kinds() {
		if k == events.KindDecision || k == events.KindVisit {
			continue
		}
		f := k.Field(name)
		if f != nil && f.Settable() && !f.Lead && !slices.Contains(hidden, name) && first(name) > 0 {
			return f
		}
	}
	return nil
}

func rowNames() []string {
	names := []string{remarksField}
	for _, k := range events.Kinds() {
		for _, f := range k.Fields() {
			if rowField(f.Name) != nil && !slices.Contains(names, f.Name) {
				names = append(names, f.Name)
			}
		}
	}
	slices.Sort(names)
	return names
}

// A FieldNote tells of one field of a kind that a mapping may set.
type FieldNote struct {
	Name  string
	Takes string // in words: "a code of lesions"
	Leads bool   // without it the event is not made
}

// Fields returns the fields of a kind that a mapping may set, by name; nil for a
// kind that no mapping makes.
func Fields(kind events.Kind) []FieldNote {
	if kind != events.KindVisit && !slices.Contains(rowKinds, kind) {
		return nil
	}
	var out []FieldNote
	for _, name := range fieldNames(kind) {
		n := FieldNote{Name: name}
		full := name
		if a, ok := aliases[name]; ok && kind == events.KindLesion {
			full = a
		}
		if f := kind.Field(full); f != nil {
			n.Takes, n.Leads = takes(f), f.Lead
		}
		switch name {
		case feetField:
			n.Takes = "codes of feet"
		case trimmedField:
			n.Takes = "a code of trimmed"
		case "zones":
			n.Takes += ", with map: a code of zone-maps"
		case "severity":
			n.Takes = "a grade, with scale: a code of severity-scales"
		case remarksField:
			n.Takes = "text"
		}
		out = append(out, n)
	}
	return out
}

// takes says in words what a field takes.
func takes(f *events.Field) string {
	unit := ""
	if f.Unit != "" {
		unit = " with a unit of " + f.Unit
	}
	switch f.Type {
	case events.CodeField:
		if f.List != "" {
			return "a code of " + f.List
		}
	case events.CodesField:
		if f.List != "" {
			return "codes of " + f.List
		}
		return "texts"
	case events.TextsField:
		return "texts"
	case events.DayField:
		return "a day"
	case events.DaysField:
		return "days"
	case events.MomentField:
		return "a day, with or without a time"
	case events.DecimalField:
		return "a number" + unit
	case events.IntegerField:
		return "a whole number"
	case events.IntegersField:
		return "whole numbers"
	case events.TruthField:
		return "true or nothing"
	}
	return "text"
}
