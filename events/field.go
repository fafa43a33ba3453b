package events

import (
	"slices"
	"strconv"
)

// A FieldType says what a [Field] holds and so which members of a [Value] count.
type FieldType string

// The field types. Lists keep their order.
const (
	TextField     FieldType = "text"     // Value.Text, free text
	CodeField     FieldType = "code"     // Value.Text, a code of Field.List
	DayField      FieldType = "day"      // Value.Text, YYYY-MM-DD
	MomentField   FieldType = "moment"   // Value.Text, a day or RFC 3339
	TruthField    FieldType = "truth"    // Value.Text, "true" or ""
	DecimalField  FieldType = "decimal"  // Value.Number, in Field.Unit
	IntegerField  FieldType = "integer"  // Value.Number, whole
	TextsField    FieldType = "texts"    // Value.List
	CodesField    FieldType = "codes"    // Value.List, codes of Field.List
	DaysField     FieldType = "days"     // Value.List, YYYY-MM-DD
	IntegersField FieldType = "integers" // Value.List, whole numbers in digits
)

// A Value is what a field holds or is given. The zero value is "not stated".
type Value struct {
	Text   string
	Number Decimal
	List   []string // owned by the caller; Set copies what it keeps
}

// IsZero reports whether nothing is stated.
func (v Value) IsZero() bool { return v.Text == "" && !v.Number.IsSet() && len(v.List) == 0 }

// A Field is one value of a payload that a mapping, a correction or a feed can
// name. Its name is the path of the value in the JSON of the payload, with
// points between the levels ("severity.value").
type Field struct {
	Name string
	Type FieldType
	List string // code list; "" for free values
	Unit string // UCUM unit of a decimal; "" for none
	Lead bool   // an event without this value says nothing and is not made

	get func(Payload) Value
	set func(Payload, Value)
}

// Get returns the value in p, which must be of the field's kind.
func (f *Field) Get(p Payload) Value { return f.get(p) }

// Settable reports whether Set may be called: fields such as the day of an
// event are set as a whole by those who know the zone.
func (f *Field) Settable() bool { return f.set != nil }

// Set gives p, which must be of the field's kind, the value v. It does not
// check: codes, ranges and forms are checked by the schema.
func (f *Field) Set(p Payload, v Value) { f.set(p, v) }

// Fields returns the fields of kind k, sorted by name; nil for an unknown kind.
// The slice is shared and must not be changed.
func (k Kind) Fields() []Field { return fields[k] }

// Field returns the field of kind k with the given name, or nil.
func (k Kind) Field(name string) *Field {
	t := fields[k]
	if i, ok := slices.BinarySearchFunc(t, name, func(f Field, n string) int { return cmpString(f.Name, n) }); ok {
		return &t[i]
	}
	return nil
}

func cmpString(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// AppendSlotParts appends what tells p from the other events of its record:
// foot, claw, code and zone, and the like. Kind and ordinal are not among them.
func AppendSlotParts(parts []string, p Payload) []string { return p.slotParts(parts) }

func (*Visit) slotParts(b []string) []string      { return b }
func (*Locomotion) slotParts(b []string) []string { return b }
func (*Animal) slotParts(b []string) []string     { return b }
func (*Decision) slotParts(b []string) []string   { return b }

func (x *Examination) slotParts(b []string) []string {
	if x.Pass == 0 {
		return b
	}
	return append(b, strconv.Itoa(x.Pass))
}

func (l *Lesion) slotParts(b []string) []string {
	b = append(b, l.Foot, l.Claw, l.Code)
	for _, n := range l.Zones.Numbers {
		b = append(b, smallInt(n))
	}
	return b
}

func (t *Treatment) slotParts(b []string) []string { return append(b, t.Foot, t.Claw, t.What) }
func (t *TakenOff) slotParts(b []string) []string  { return append(b, t.Foot, t.Claw, t.What) }
func (m *ClawMeasure) slotParts(b []string) []string {
	return append(b, m.Foot, m.Claw, m.What, m.Landmark, m.When)
}

var smallInts = [...]string{"0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "10", "11", "12"}

func smallInt(n int) string {
	if n >= 0 && n < len(smallInts) {
		return smallInts[n]
	}
	return strconv.Itoa(n)
}

func text[P Payload](name string, typ FieldType, list string, at func(P) *string) Field {
	return Field{
		Name: name, Type: typ, List: list,
		get: func(p Payload) Value { return Value{Text: *at(p.(P))} },
		set: func(p Payload, v Value) { *at(p.(P)) = v.Text },
	}
}

func texts[P Payload](name string, typ FieldType, list string, at func(P) *[]string) Field {
	return Field{
		Name: name, Type: typ, List: list,
		get: func(p Payload) Value { return Value{List: *at(p.(P))} },
		set: func(p Payload, v Value) { s := at(p.(P)); *s = append((*s)[:0], v.List...) },
	}
}

func number[P Payload](name, unit string, at func(P) *Decimal) Field {
	return Field{
		Name: name, Type: DecimalField, Unit: unit,
		get: func(p Payload) Value { return Value{Number: *at(p.(P))} },
		set: func(p Payload, v Value) { *at(p.(P)) = v.Number },
	}
}

func whole[P Payload](name string, at func(P) **int) Field {
	return Field{
		Name: name, Type: IntegerField,
		get: func(p Payload) Value {
			n := *at(p.(P))
			if n == nil {
				return Value{}
			}
			return Value{Number: DecimalOf(int64(*n), 0)}
		},
		set: func(p Payload, v Value) {
			n, err := strconv.Atoi(v.Number.String())
			if err != nil {
				*at(p.(P)) = nil
				return
			}
			*at(p.(P)) = &n
		},
	}
}

func lead(f Field) Field { f.Lead = true; return f }

// fields is the one table of what can be named; fields_test.go holds it to the
// JSON of the payloads and to the published schemas.
var fields = map[Kind][]Field{
	KindVisit: table(
		text("begin", MomentField, "", func(p *Visit) *string { return &p.Begin }),
		whole("booked", func(p *Visit) **int { return &p.Booked }),
		text("chosen", TextField, "", func(p *Visit) *string { return &p.Chosen }),
		text("device", TextField, "", func(p *Visit) *string { return &p.Device }),
		whole("eligible", func(p *Visit) **int { return &p.Eligible }),
		text("end", MomentField, "", func(p *Visit) *string { return &p.End }),
		text("endedEarly", TextField, "", func(p *Visit) *string { return &p.EndedEarly }),
		text("floor", TextField, "", func(p *Visit) *string { return &p.Floor }),
		texts("operators", TextsField, "", func(p *Visit) *[]string { return &p.Operators }),
		texts("pens", TextsField, "", func(p *Visit) *[]string { return &p.Pens }),
		lead(text("purpose", CodeField, "purposes", func(p *Visit) *string { return &p.Purpose })),
		whole("shown", func(p *Visit) **int { return &p.Shown }),
	),
	KindExamination: table(
		text("notDone", CodeField, "not-done", func(p *Examination) *string { return &p.NotDone }),
		text("outcome", CodeField, "outcomes", func(p *Examination) *string { return &p.Outcome }),
		pass(),
		texts("reasons", CodesField, "reasons", func(p *Examination) *[]string { return &p.Reasons }),
		text("restraint", CodeField, "restraints", func(p *Examination) *string { return &p.Restraint }),
	),
	KindLesion: table(
		text("claw", CodeField, "claws", func(p *Lesion) *string { return &p.Claw }),
		lead(text("code", CodeField, "lesions", func(p *Lesion) *string { return &p.Code })),
		text("course", CodeField, "courses", func(p *Lesion) *string { return &p.Course }),
		ddAssociated(),
		text("description", TextField, "", func(p *Lesion) *string { return &p.Description }),
		text("foot", CodeField, "feet", func(p *Lesion) *string { return &p.Foot }),
		text("severity.scale", CodeField, "severity-scales", func(p *Lesion) *string { return &p.Severity.Scale }),
		text("severity.value", TextField, "", func(p *Lesion) *string { return &p.Severity.Value }),
		signs(),
		text("site", TextField, "", func(p *Lesion) *string { return &p.Site }),
		number("sizeMM", "mm", func(p *Lesion) *Decimal { return &p.SizeMM }),
		text("stage", CodeField, "dd-stages", func(p *Lesion) *string { return &p.Stage }),
		text("zones.map", CodeField, "zone-maps", func(p *Lesion) *string { return &p.Zones.Map }),
		zoneNumbers(),
	),
	KindTreatment: table(
		text("claw", CodeField, "claws", func(p *Treatment) *string { return &p.Claw }),
		number("device.heightMM", "mm", func(p *Treatment) *Decimal { return &p.Device.HeightMM }),
		text("device.material", TextField, "", func(p *Treatment) *string { return &p.Device.Material }),
		text("device.purpose", TextField, "", func(p *Treatment) *string { return &p.Device.Purpose }),
		text("foot", CodeField, "feet", func(p *Treatment) *string { return &p.Foot }),
		text("medicine.batch", TextField, "", func(p *Treatment) *string { return &p.Medicine.Batch }),
		text("medicine.days", TextField, "", func(p *Treatment) *string { return &p.Medicine.Days }),
		text("medicine.meat.state", CodeField, "withdrawals", func(p *Treatment) *string { return &p.Medicine.Meat.State }),
		text("medicine.meat.until", MomentField, "", func(p *Treatment) *string { return &p.Medicine.Meat.Until }),
		text("medicine.milk.state", CodeField, "withdrawals", func(p *Treatment) *string { return &p.Medicine.Milk.State }),
		text("medicine.milk.until", MomentField, "", func(p *Treatment) *string { return &p.Medicine.Milk.Until }),
		text("medicine.name", TextField, "", func(p *Treatment) *string { return &p.Medicine.Name }),
		text("medicine.orderedBy", CodeField, "roles", func(p *Treatment) *string { return &p.Medicine.OrderedBy }),
		text("medicine.quantity", TextField, "", func(p *Treatment) *string { return &p.Medicine.Quantity }),
		text("medicine.route", TextField, "", func(p *Treatment) *string { return &p.Medicine.Route }),
		text("plannedOff", MomentField, "", func(p *Treatment) *string { return &p.PlannedOff }),
		lead(text("what", CodeField, "treatments", func(p *Treatment) *string { return &p.What })),
	),
	KindTakenOff: table(
		text("claw", CodeField, "claws", func(p *TakenOff) *string { return &p.Claw }),
		text("foot", CodeField, "feet", func(p *TakenOff) *string { return &p.Foot }),
		text("how", CodeField, "taken-off-how", func(p *TakenOff) *string { return &p.How }),
		text("since", DayField, "", func(p *TakenOff) *string { return &p.Since }),
		lead(text("what", CodeField, "devices", func(p *TakenOff) *string { return &p.What })),
	),
	KindCheck: table(
		text("claw", CodeField, "claws", func(p *Check) *string { return &p.Claw }),
		text("foot", CodeField, "feet", func(p *Check) *string { return &p.Foot }),
		text("since", DayField, "", func(p *Check) *string { return &p.Since }),
		lead(text("state", CodeField, "check-states", func(p *Check) *string { return &p.State })),
		text("what", CodeField, "checked", func(p *Check) *string { return &p.What }),
	),
	KindLocomotion: table(
		text("blockOn", CodeField, "answers", func(p *Locomotion) *string { return &p.BlockOn }),
		number("cuts.lame", "1", func(p *Locomotion) *Decimal { return &p.Cuts.Lame }),
		number("cuts.severe", "1", func(p *Locomotion) *Decimal { return &p.Cuts.Severe }),
		text("limb", CodeField, "feet", func(p *Locomotion) *string { return &p.Limb }),
		text("notScorable", TextField, "", func(p *Locomotion) *string { return &p.NotScorable }),
		text("observer", TextField, "", func(p *Locomotion) *string { return &p.Observer }),
		text("scale", CodeField, "locomotion", func(p *Locomotion) *string { return &p.Scale }),
		lead(number("score", "1", func(p *Locomotion) *Decimal { return &p.Score })),
		text("wrapOn", CodeField, "answers", func(p *Locomotion) *string { return &p.WrapOn }),
	),
	KindClawMeasure: table(
		text("claw", CodeField, "claws", func(p *ClawMeasure) *string { return &p.Claw }),
		text("foot", CodeField, "feet", func(p *ClawMeasure) *string { return &p.Foot }),
		text("landmark", CodeField, "landmarks", func(p *ClawMeasure) *string { return &p.Landmark }),
		text("method", TextField, "", func(p *ClawMeasure) *string { return &p.Method }),
		text("unit", CodeField, "measure-units", func(p *ClawMeasure) *string { return &p.Unit }),
		lead(number("value", "", func(p *ClawMeasure) *Decimal { return &p.Value })),
		text("what", CodeField, "measures", func(p *ClawMeasure) *string { return &p.What }),
		text("when", CodeField, "trim-times", func(p *ClawMeasure) *string { return &p.When }),
	),
	KindClaw: table(
		text("cause", CodeField, "claw-causes", func(p *Claw) *string { return &p.Cause }),
		text("claw", CodeField, "claws", func(p *Claw) *string { return &p.Claw }),
		text("foot", CodeField, "feet", func(p *Claw) *string { return &p.Foot }),
		text("since", DayField, "", func(p *Claw) *string { return &p.Since }),
		lead(text("state", CodeField, "claw-states", func(p *Claw) *string { return &p.State })),
		text("until", DayField, "", func(p *Claw) *string { return &p.Until }),
	),
	KindOrder: table(
		texts("cancels", CodesField, "order-cancels", func(p *Order) *[]string { return &p.Cancels }),
		text("claw", CodeField, "claws", func(p *Order) *string { return &p.Claw }),
		text("detail", TextField, "", func(p *Order) *string { return &p.Detail }),
		text("due", MomentField, "", func(p *Order) *string { return &p.Due }),
		text("foot", CodeField, "feet", func(p *Order) *string { return &p.Foot }),
		text("orderedBy", CodeField, "roles", func(p *Order) *string { return &p.OrderedBy }),
		text("until", MomentField, "", func(p *Order) *string { return &p.Until }),
		lead(text("what", CodeField, "orders", func(p *Order) *string { return &p.What })),
	),
	KindGroup: table(
		text("concentration", TextField, "", func(p *Group) *string { return &p.Concentration }),
		whole("passed", func(p *Group) **int { return &p.Passed }),
		texts("pens", TextsField, "", func(p *Group) *[]string { return &p.Pens }),
		text("product", TextField, "", func(p *Group) *string { return &p.Product }),
		lead(text("what", CodeField, "group-works", func(p *Group) *string { return &p.What })),
	),
	KindAnimal: table(
		text("born", DayField, "", func(p *Animal) *string { return &p.Born }),
		text("breed", TextField, "", func(p *Animal) *string { return &p.Breed }),
		texts("calvings", DaysField, "", func(p *Animal) *[]string { return &p.Calvings }),
		text("driedOff", DayField, "", func(p *Animal) *string { return &p.DriedOff }),
		text("entered", DayField, "", func(p *Animal) *string { return &p.Entered }),
		text("expectedCalving", DayField, "", func(p *Animal) *string { return &p.ExpectedCalving }),
		text("left", DayField, "", func(p *Animal) *string { return &p.Left }),
		text("leftWhy", TextField, "", func(p *Animal) *string { return &p.LeftWhy }),
		whole("parity", func(p *Animal) **int { return &p.Parity }),
		text("pen", TextField, "", func(p *Animal) *string { return &p.Pen }),
		text("penFrom", DayField, "", func(p *Animal) *string { return &p.PenFrom }),
		text("plannedDryOff", DayField, "", func(p *Animal) *string { return &p.PlannedDryOff }),
		texts("services", DaysField, "", func(p *Animal) *[]string { return &p.Services }),
		text("sex", CodeField, "sexes", func(p *Animal) *string { return &p.Sex }),
		text("use", TextField, "", func(p *Animal) *string { return &p.Use }),
	),
	KindDecision: table(
		lead(text("action", CodeField, "decisions", func(p *Decision) *string { return &p.Action })),
		text("held", TextField, "", func(p *Decision) *string { return &p.Held }),
		text("who", TextField, "", func(p *Decision) *string { return &p.Who }),
		text("why", TextField, "", func(p *Decision) *string { return &p.Why }),
	),
}

// table adds what every kind has and sorts by name.
func table(own ...Field) []Field {
	all := append(own,
		common("asGiven.daysInMilk", TextField, "", func(c *Common) *string { return &c.AsGiven.DaysInMilk }),
		common("asGiven.parity", TextField, "", func(c *Common) *string { return &c.AsGiven.Parity }),
		common("asGiven.pen", TextField, "", func(c *Common) *string { return &c.AsGiven.Pen }),
		common("role", CodeField, "roles", func(c *Common) *string { return &c.Role }),
		readOnly(common("examination", TextField, "", func(c *Common) *string { return (*string)(&c.Examination) })),
		readOnly(common("occurred.date", DayField, "", func(c *Common) *string { return &c.Occurred.Date })),
		readOnly(common("occurred.offset", TextField, "", func(c *Common) *string { return &c.Occurred.Offset })),
		readOnly(common("occurred.precision", CodeField, "precisions", func(c *Common) *string { return &c.Occurred.Precision })),
		readOnly(common("occurred.time", TextField, "", func(c *Common) *string { return &c.Occurred.Time })),
		readOnly(common("occurred.zone", TextField, "", func(c *Common) *string { return &c.Occurred.Zone })),
	)
	slices.SortFunc(all, func(a, b Field) int { return cmpString(a.Name, b.Name) })
	return all
}

func common(name string, typ FieldType, list string, at func(*Common) *string) Field {
	return Field{
		Name: name, Type: typ, List: list,
		get: func(p Payload) Value { return Value{Text: *at(p.Base())} },
		set: func(p Payload, v Value) { *at(p.Base()) = v.Text },
	}
}

func readOnly(f Field) Field { f.set = nil; return f }

func pass() Field {
	return Field{
		Name: "pass", Type: IntegerField,
		get: func(p Payload) Value {
			if n := p.(*Examination).Pass; n != 0 {
				return Value{Number: DecimalOf(int64(n), 0)}
			}
			return Value{}
		},
		set: func(p Payload, v Value) { p.(*Examination).Pass, _ = strconv.Atoi(v.Number.String()) },
	}
}

func ddAssociated() Field {
	return Field{
		Name: "ddAssociated", Type: TruthField,
		get: func(p Payload) Value {
			if p.(*Lesion).DDAssociated {
				return Value{Text: "true"}
			}
			return Value{}
		},
		set: func(p Payload, v Value) { p.(*Lesion).DDAssociated = v.Text == "true" },
	}
}

func signs() Field {
	return Field{
		Name: "signs", Type: CodesField, List: "signs",
		get: func(p Payload) Value {
			var v Value
			for _, s := range p.(*Lesion).Signs {
				v.List = append(v.List, s.Sign)
			}
			return v
		},
		set: func(p Payload, v Value) {
			l := p.(*Lesion)
			l.Signs = l.Signs[:0]
			for _, s := range v.List {
				l.Signs = append(l.Signs, Sign{Sign: s})
			}
		},
	}
}

func zoneNumbers() Field {
	return Field{
		Name: "zones.numbers", Type: IntegersField,
		get: func(p Payload) Value {
			var v Value
			for _, n := range p.(*Lesion).Zones.Numbers {
				v.List = append(v.List, smallInt(n))
			}
			return v
		},
		set: func(p Payload, v Value) {
			z := &p.(*Lesion).Zones
			z.Numbers = z.Numbers[:0]
			for _, s := range v.List {
				if n, err := strconv.Atoi(s); err == nil {
					z.Numbers = append(z.Numbers, n)
				}
			}
		},
	}
}
