package mapping

import (
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// An outPlace reads one value of an event or of what it belongs to.
type outPlace struct {
	typ    events.FieldType // of the value
	list   *codes.List      // its codes; nil for free values
	others []*codes.List    // its codes where kinds have lists of their own
	unit   string           // neutral unit of a number
	many   bool             // it is a list whatever its type: of joined events, remarks
	clock  bool             // a time of day
	read   func(o *Outward, ctx *RowContext, where []filter) (outValue, error)
}

// codes reports whether w is a code the place may give. If not, it returns the
// names of its lists and all their codes.
func (p *outPlace) codes(w string) (known bool, names, all []string) {
	for _, l := range append(p.others[:len(p.others):len(p.others)], p.list) {
		if l.Has(w) {
			return true, nil, nil
		}
		if !slices.Contains(names, l.Name) {
			names, all = append(names, l.Name), append(all, l.Codes()...)
		}
	}
	return false, names, all
}

// An outValue is what a place gave: one text, or several.
type outValue struct {
	text string
	list []string
}

// A filter keeps joined events whose field has a value.
type filter struct {
	field string
	words []string
}

func textPlace(read func(ctx *RowContext) string) *outPlace {
	return &outPlace{typ: events.TextField, read: func(_ *Outward, ctx *RowContext, _ []filter) (outValue, error) {
		return outValue{text: read(ctx)}, nil
	}}
}

// attributes are the places of the envelope.
var attributes = map[string]*outPlace{
	"id":     textPlace(func(x *RowContext) string { return x.Event.ID() }),
	"entity": textPlace(func(x *RowContext) string { return string(x.Event.Entity) }),
	"revision": {typ: events.IntegerField, read: func(_ *Outward, x *RowContext, _ []filter) (outValue, error) {
		return outValue{text: events.DecimalOf(int64(x.Event.Revision), 0).String()}, nil
	}},
	"change":  textPlace(func(x *RowContext) string { return string(x.Event.Change) }),
	"kind":    textPlace(func(x *RowContext) string { return string(x.Event.Kind) }),
	"farm":    textPlace(func(x *RowContext) string { return x.Event.Farm }),
	"source":  textPlace(func(x *RowContext) string { return x.Event.Source }),
	"subject": textPlace(func(x *RowContext) string { return x.Event.Subject }),
	"visit":   textPlace(func(x *RowContext) string { return x.Event.Visit }),
	"time":    momentPlace(func(x *RowContext) string { return x.Payload.Base().Occurred.RFC3339() }),
	"recorded": momentPlace(func(x *RowContext) string {
		if x.Event.Recorded.IsZero() {
			return ""
		}
		return events.FormatTime(x.Event.Recorded)
	}),
}

func momentPlace(read func(ctx *RowContext) string) *outPlace {
	p := textPlace(read)
	p.typ = events.MomentField
	return p
}

// deriveds are the places of what the rules work out.
var deriveds = map[string]*outPlace{
	"dueOff":       momentPlace(func(x *RowContext) string { return x.Payload.Base().Derived.DueOff }),
	"lateFrom":     momentPlace(func(x *RowContext) string { return x.Payload.Base().Derived.LateFrom }),
	"lame":         textPlace(func(x *RowContext) string { return x.Payload.Base().Derived.Lame }),
	"severe":       textPlace(func(x *RowContext) string { return x.Payload.Base().Derived.Severe }),
	"severeNative": textPlace(func(x *RowContext) string { return x.Payload.Base().Derived.SevereNative }),
	"rules":        textPlace(func(x *RowContext) string { return x.Payload.Base().Derived.Rules }),
	"gait": {typ: events.IntegersField, read: func(_ *Outward, x *RowContext, _ []filter) (outValue, error) {
		var v outValue
		for _, g := range x.Payload.Base().Derived.Gait {
			v.list = append(v.list, events.DecimalOf(int64(g), 0).String())
		}
		return v, nil
	}},
}

// outPlace finds a place by name, or says which names there are.
func (o *Outward) place(name string) (*outPlace, []string) {
	if p := attributes[name]; p != nil {
		return p, nil
	}
	head, rest, dotted := strings.Cut(name, ".")
	switch {
	case name == "identifier":
		return &outPlace{typ: events.TextField, read: readIdentifier}, nil
	case name == "notes":
		return &outPlace{typ: events.CodesField, list: codes.Find("advisories"), read: readNotes}, nil
	case name == remarksField:
		return &outPlace{typ: events.TextsField, many: true, read: readRemarks}, nil
	case name == feetField:
		return &outPlace{typ: events.CodesField, list: codes.Find("feet"), read: readFeet}, nil
	case dotted && (head == feetField || head == trimmedField) && slices.Contains(feet[:], rest):
		return footPlace(head, rest), nil
	case dotted && (head == "animal" || head == "given") && codes.Find("schemes").Has(rest):
		return schemePlace(rest, head == "animal"), nil
	case dotted && head == "derived" && deriveds[rest] != nil:
		return deriveds[rest], nil
	case dotted && head == "words":
		return textPlace(func(x *RowContext) string { return x.Payload.Base().Words.Get(rest) }), nil
	case dotted && head == "examination":
		if p := fieldPlace([]events.Kind{events.KindExamination}, rest, func(x *RowContext) events.Payload { return x.Examination }); p != nil {
			return p, nil
		}
	case dotted && head == "visit":
		if p := fieldPlace([]events.Kind{events.KindVisit}, rest, func(x *RowContext) events.Payload { return x.Visit }); p != nil {
			return p, nil
		}
	case dotted && o.joined && slices.Contains(events.Kinds(), events.Kind(head)):
		if p := joinedPlace(events.Kind(head), rest); p != nil {
			return p, nil
		}
	}
	kinds := o.kinds
	if o.joined {
		kinds = []events.Kind{events.KindExamination}
	} else if kinds == nil {
		kinds = events.Kinds()
	}
	if p := fieldPlace(kinds, name, func(x *RowContext) events.Payload { return x.Payload }); p != nil {
		return p, nil
	}
	return nil, o.placeNames(kinds)
}

// placeNames lists the names of places, for a message.
func (o *Outward) placeNames(kinds []events.Kind) []string {
	names := []string{"identifier", "notes", remarksField, feetField}
	for n := range attributes {
		names = append(names, n)
	}
	for n := range deriveds {
		names = append(names, "derived."+n)
	}
	for _, s := range codes.Find("schemes").Codes() {
		names = append(names, "animal."+s, "given."+s)
	}
	for _, k := range kinds {
		for _, f := range k.Fields() {
			names = append(names, f.Name)
		}
	}
	for _, f := range events.KindExamination.Fields() {
		names = append(names, "examination."+f.Name)
	}
	slices.Sort(names)
	return slices.Compact(names)
}

// fieldPlace reads a field by name; a kind that does not have it has nothing
// there. It is nil if none of the kinds has it.
func fieldPlace(kinds []events.Kind, name string, of func(*RowContext) events.Payload) *outPlace {
	byKind := map[events.Kind]*events.Field{}
	var any *events.Field
	for _, k := range kinds {
		if f := k.Field(name); f != nil {
			if byKind[k] = f; any == nil || any.Type != events.MomentField {
				any = f // a day is written where a moment may be, not the other way round
			}
		}
	}
	if any == nil {
		return nil
	}
	p := &outPlace{typ: any.Type, unit: any.Unit, clock: name == "occurred.time"}
	for _, k := range kinds { // a name such as what stands for another list in each kind
		if f := byKind[k]; f != nil && f.List != "" {
			p.list, p.others = codes.Find(f.List), append(p.others, codes.Find(f.List))
		}
	}
	p.read = func(_ *Outward, x *RowContext, _ []filter) (outValue, error) {
		payload := of(x)
		if payload == nil {
			return outValue{}, nil
		}
		if f := byKind[payload.Kind()]; f != nil {
			return fieldValue(f, payload), nil
		}
		return outValue{}, nil
	}
	return p
}

func fieldValue(f *events.Field, p events.Payload) outValue {
	v := f.Get(p)
	if v.Number.IsSet() {
		return outValue{text: v.Number.String()}
	}
	return outValue{text: v.Text, list: v.List}
}

// joinedPlace reads a field of all joined events of a kind; nil if the kind does
// not have it.
func joinedPlace(kind events.Kind, name string) *outPlace {
	f := kind.Field(name)
	if f == nil {
		return nil
	}
	p := &outPlace{typ: f.Type, unit: f.Unit, many: true}
	if f.List != "" {
		p.list = codes.Find(f.List)
	}
	p.read = func(_ *Outward, x *RowContext, where []filter) (outValue, error) {
		var out outValue
		for _, e := range x.Joined {
			if e.Kind() != kind || !matches(e, where) {
				continue
			}
			switch v := fieldValue(f, e); {
			case v.text != "":
				out.list = append(out.list, v.text)
			default:
				out.list = append(out.list, strings.Join(v.list, "+"))
			}
		}
		return out, nil
	}
	return p
}

// matches reports whether a joined event passes all filters.
func matches(e events.Payload, where []filter) bool {
	for _, w := range where {
		f := e.Kind().Field(w.field)
		if f == nil || !slices.Contains(w.words, fieldValue(f, e).text) {
			return false
		}
	}
	return true
}

func readIdentifier(o *Outward, x *RowContext, _ []filter) (outValue, error) {
	c := x.Payload.Base()
	for _, s := range o.schemes {
		if v := normalized(c, s); v != "" {
			return outValue{text: v}, nil
		}
	}
	if len(o.schemes) == 0 && len(c.Animal) > 0 {
		return outValue{text: normalized(c, c.Animal[0].Scheme)}, nil
	}
	if !x.Payload.Kind().Animals() {
		return outValue{}, nil // it has none to miss
	}
	switch o.missing {
	case "skip":
		return outValue{}, ErrSkip
	case "empty":
		return outValue{}, nil
	}
	got := "none"
	if len(c.Animal) > 0 {
		got = "only " + c.Animal[0].Scheme + " " + quote(c.Animal[0].Value)
	}
	return outValue{}, &events.Fault{
		Kind: events.ErrInvalid, Where: "event " + x.Event.ID(), What: "identifier",
		Wanted: "an identifier of " + listed(o.schemes), Got: got,
	}
}

// normalized returns the identifier of a scheme in its normalized form.
func normalized(c *events.Common, scheme string) string {
	for _, id := range c.Derived.Animal {
		if id.Scheme == scheme {
			return id.Value
		}
	}
	return given(c, scheme)
}

func given(c *events.Common, scheme string) string {
	for _, id := range c.Animal {
		if id.Scheme == scheme {
			return id.Value
		}
	}
	return ""
}

func schemePlace(scheme string, norm bool) *outPlace {
	return textPlace(func(x *RowContext) string {
		if norm {
			return normalized(x.Payload.Base(), scheme)
		}
		return given(x.Payload.Base(), scheme)
	})
}

func readNotes(_ *Outward, x *RowContext, _ []filter) (v outValue, err error) {
	for _, n := range x.Payload.Base().Notes {
		v.list = append(v.list, n.Code)
	}
	return v, nil
}

func readRemarks(_ *Outward, x *RowContext, _ []filter) (v outValue, err error) {
	for _, r := range x.Payload.Base().Remarks {
		v.list = append(v.list, r.Text)
	}
	return v, nil
}

// examined returns the examination of a row: the event itself, or the one it
// belongs to.
func (x *RowContext) examined() *events.Examination {
	if e, ok := x.Payload.(*events.Examination); ok {
		return e
	}
	e, _ := x.Examination.(*events.Examination)
	return e
}

func readFeet(_ *Outward, x *RowContext, _ []filter) (v outValue, err error) {
	if e := x.examined(); e != nil {
		for _, f := range e.Feet {
			if f.Examined == "yes" {
				v.list = append(v.list, f.Foot)
			}
		}
	}
	return v, nil
}

// footPlace reads what an examination says of one foot: its result, or what was
// trimmed.
func footPlace(what, foot string) *outPlace {
	list := codes.Find("exam-results")
	if what == trimmedField {
		list = codes.Find("trimmed")
	}
	p := textPlace(func(x *RowContext) string {
		if e := x.examined(); e != nil {
			for _, f := range e.Feet {
				if f.Foot == foot && what == trimmedField {
					return f.Trimmed
				} else if f.Foot == foot {
					return f.Result
				}
			}
		}
		return ""
	})
	p.typ, p.list = events.CodeField, list
	return p
}
