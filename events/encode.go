package events

import "slices"

// This file writes payloads. Every appendCounted lists its members in the order
// of RFC 8785; TestDigest_AgreesWithRFC8785 holds it to that.

func (c *Common) appendHead(e *encoder) {
	if len(c.Animal) > 0 {
		if !slices.Equal(c.Animal, e.animal.of) {
			start := len(e.buf)
			e.identifiers("animal", c.Animal)
			e.animal.keep(e.buf, start)
			e.animal.of = append(e.animal.of[:0], c.Animal...)
		} else {
			e.buf = e.animal.append(e.buf)
		}
	}
	if c.AsGiven != (AsGiven{}) {
		e.object("asGiven", func(e *encoder) {
			e.text("daysInMilk", c.AsGiven.DaysInMilk)
			e.text("parity", c.AsGiven.Parity)
			e.text("pen", c.AsGiven.Pen)
		})
	}
}

func (c *Common) appendOccurred(e *encoder) {
	if c.Occurred == (Occurred{}) {
		return
	}
	if c.Occurred == e.occurred.of {
		e.buf = e.occurred.append(e.buf)
		return
	}
	start := len(e.buf)
	e.object("occurred", func(e *encoder) {
		e.text("date", c.Occurred.Date)
		e.text("offset", c.Occurred.Offset)
		e.text("precision", c.Occurred.Precision)
		e.text("time", c.Occurred.Time)
		e.text("zone", c.Occurred.Zone)
	})
	e.occurred.keep(e.buf, start)
	e.occurred.of = c.Occurred
}

func (c *Common) appendRemarks(e *encoder) {
	if len(c.Remarks) == 0 {
		return
	}
	e.key("remarks")
	e.buf = append(e.buf, '[')
	for _, r := range c.Remarks {
		e.item()
		e.open()
		e.text("claw", r.Claw)
		e.text("foot", r.Foot)
		e.key("text")
		e.buf = AppendJSONString(e.buf, r.Text)
		e.close()
	}
	e.buf = append(e.buf, ']')
}

// appendUncounted writes the members that do not count for the digest.
func appendUncounted(e *encoder, p Payload) {
	c := p.Base()
	e.object("derived", c.Derived.append)
	if len(c.Notes) > 0 {
		e.key("notes")
		e.buf = append(e.buf, '[')
		for _, n := range c.Notes {
			e.item()
			e.open()
			e.key("code")
			e.buf = AppendJSONString(e.buf, n.Code)
			e.text("detail", n.Detail)
			e.close()
		}
		e.buf = append(e.buf, ']')
	}
	p.appendPseudonyms(e)
	e.object("origin", c.Origin.append)
	if len(c.Words) > 0 {
		e.key("words")
		e.buf = appendWords(e.buf, c.Words)
	}
}

func (d *Derived) append(e *encoder) {
	e.identifiers("animal", d.Animal)
	e.text("dueOff", d.DueOff)
	e.integers("gait", d.Gait)
	e.text("lame", d.Lame)
	e.text("lateFrom", d.LateFrom)
	e.text("rules", d.Rules)
	e.text("severe", d.Severe)
	e.text("severeNative", d.SevereNative)
}

func (o *Origin) append(e *encoder) {
	e.text("archive", o.Archive)
	e.integer("lastLine", o.LastLine)
	e.integer("line", o.Line)
	e.text("member", o.Member)
	e.text("message", o.Message)
	e.text("path", o.Path)
}

func (*Common) appendPseudonyms(*encoder) {}

func (v *Visit) appendCounted(e *encoder) {
	v.appendHead(e)
	e.text("begin", v.Begin)
	e.count("booked", v.Booked)
	e.text("chosen", v.Chosen)
	e.text("device", v.Device)
	e.count("eligible", v.Eligible)
	e.text("end", v.End)
	e.text("endedEarly", v.EndedEarly)
	e.text("examination", string(v.Examination))
	e.text("floor", v.Floor)
	v.appendOccurred(e)
	e.texts("pens", v.Pens)
	e.text("purpose", v.Purpose)
	v.appendRemarks(e)
	e.text("role", v.Role)
	e.count("shown", v.Shown)
}

func (v *Visit) appendPseudonyms(e *encoder) { e.texts("operators", v.Operators) }

func (x *Examination) appendCounted(e *encoder) {
	x.appendHead(e)
	e.text("examination", string(x.Common.Examination))
	if len(x.Feet) > 0 {
		e.key("feet")
		e.buf = append(e.buf, '[')
		for _, f := range x.Feet {
			e.item()
			e.open()
			e.text("examined", f.Examined)
			e.text("foot", f.Foot)
			e.text("result", f.Result)
			e.text("trimmed", f.Trimmed)
			e.close()
		}
		e.buf = append(e.buf, ']')
	}
	e.text("notDone", x.NotDone)
	x.appendOccurred(e)
	e.text("outcome", x.Outcome)
	e.integer("pass", x.Pass)
	e.texts("reasons", x.Reasons)
	x.appendRemarks(e)
	e.text("restraint", x.Restraint)
	e.text("role", x.Role)
}

func (l *Lesion) appendCounted(e *encoder) {
	l.appendHead(e)
	e.text("claw", l.Claw)
	e.text("code", l.Code)
	e.text("course", l.Course)
	e.truth("ddAssociated", l.DDAssociated)
	e.text("description", l.Description)
	e.text("examination", string(l.Examination))
	e.text("foot", l.Foot)
	l.appendOccurred(e)
	l.appendRemarks(e)
	e.text("role", l.Role)
	e.object("severity", func(e *encoder) {
		e.text("scale", l.Severity.Scale)
		e.text("value", l.Severity.Value)
	})
	if len(l.Signs) > 0 {
		e.key("signs")
		e.buf = append(e.buf, '[')
		for _, s := range l.Signs {
			e.item()
			e.open()
			e.text("detail", s.Detail)
			e.text("sign", s.Sign)
			e.close()
		}
		e.buf = append(e.buf, ']')
	}
	e.text("site", l.Site)
	e.decimal("sizeMM", l.SizeMM)
	e.text("stage", l.Stage)
	e.object("zones", func(e *encoder) {
		e.text("map", l.Zones.Map)
		e.integers("numbers", l.Zones.Numbers)
	})
}

func (t *Treatment) appendCounted(e *encoder) {
	t.appendHead(e)
	e.text("claw", t.Claw)
	e.object("device", func(e *encoder) {
		e.decimal("heightMM", t.Device.HeightMM)
		e.text("material", t.Device.Material)
		e.text("purpose", t.Device.Purpose)
	})
	e.text("examination", string(t.Examination))
	e.text("foot", t.Foot)
	e.text("for", string(t.For))
	e.object("medicine", t.Medicine.append)
	t.appendOccurred(e)
	e.text("plannedOff", t.PlannedOff)
	t.appendRemarks(e)
	e.text("role", t.Role)
	e.text("what", t.What)
}

func (m *Medicine) append(e *encoder) {
	e.text("batch", m.Batch)
	e.text("days", m.Days)
	e.object("meat", m.Meat.append)
	e.object("milk", m.Milk.append)
	e.text("name", m.Name)
	e.text("orderedBy", m.OrderedBy)
	e.text("quantity", m.Quantity)
	e.text("route", m.Route)
}

func (w *Withdrawal) append(e *encoder) {
	e.text("state", w.State)
	e.text("until", w.Until)
}

func (t *TakenOff) appendCounted(e *encoder) {
	t.appendHead(e)
	e.text("claw", t.Claw)
	e.text("examination", string(t.Examination))
	e.text("foot", t.Foot)
	e.text("how", t.How)
	t.appendOccurred(e)
	t.appendRemarks(e)
	e.text("role", t.Role)
	e.text("since", t.Since)
	e.text("what", t.What)
}

func (l *Locomotion) appendCounted(e *encoder) {
	l.appendHead(e)
	e.text("blockOn", l.BlockOn)
	e.object("cuts", func(e *encoder) {
		e.decimal("lame", l.Cuts.Lame)
		e.decimal("severe", l.Cuts.Severe)
	})
	e.text("examination", string(l.Examination))
	e.text("limb", l.Limb)
	e.text("notScorable", l.NotScorable)
	l.appendOccurred(e)
	l.appendRemarks(e)
	e.text("role", l.Role)
	e.text("scale", l.Scale)
	e.decimal("score", l.Score)
	e.text("wrapOn", l.WrapOn)
}

func (l *Locomotion) appendPseudonyms(e *encoder) { e.text("observer", l.Observer) }

func (m *ClawMeasure) appendCounted(e *encoder) {
	m.appendHead(e)
	e.text("claw", m.Claw)
	e.text("examination", string(m.Examination))
	e.text("foot", m.Foot)
	e.text("landmark", m.Landmark)
	e.text("method", m.Method)
	m.appendOccurred(e)
	m.appendRemarks(e)
	e.text("role", m.Role)
	e.text("unit", m.Unit)
	e.decimal("value", m.Value)
	e.text("what", m.What)
	e.text("when", m.When)
}

func (a *Animal) appendCounted(e *encoder) {
	a.appendHead(e)
	e.text("born", a.Born)
	e.text("breed", a.Breed)
	e.texts("calvings", a.Calvings)
	e.text("driedOff", a.DriedOff)
	e.text("entered", a.Entered)
	e.text("examination", string(a.Examination))
	e.text("expectedCalving", a.ExpectedCalving)
	e.text("left", a.Left)
	e.text("leftWhy", a.LeftWhy)
	a.appendOccurred(e)
	e.count("parity", a.Parity)
	e.text("pen", a.Pen)
	e.text("penFrom", a.PenFrom)
	e.text("plannedDryOff", a.PlannedDryOff)
	a.appendRemarks(e)
	e.text("role", a.Role)
	e.texts("services", a.Services)
	e.text("sex", a.Sex)
	e.text("use", a.Use)
}

func (d *Decision) appendCounted(e *encoder) {
	e.text("action", d.Action)
	d.appendHead(e)
	e.text("examination", string(d.Examination))
	e.text("held", d.Held)
	d.appendOccurred(e)
	e.identifiers("other", d.Other)
	d.appendRemarks(e)
	e.text("role", d.Role)
	if len(d.Set) > 0 {
		e.key("set")
		e.buf = append(e.buf, '[')
		for _, s := range d.Set {
			e.item()
			e.open()
			e.key("field")
			e.buf = AppendJSONString(e.buf, s.Field)
			e.text("from", s.From)
			e.text("to", s.To)
			e.close()
		}
		e.buf = append(e.buf, ']')
	}
	if len(d.Targets) > 0 {
		e.key("targets")
		e.buf = append(e.buf, '[')
		for _, t := range d.Targets {
			e.item()
			e.buf = AppendJSONString(e.buf, string(t))
		}
		e.buf = append(e.buf, ']')
	}
	e.text("why", d.Why)
}

func (d *Decision) appendPseudonyms(e *encoder) { e.text("who", d.Who) }
