package herd

import "dewclaw/events"

// payload decodes the data of an event of kind k. Members it does not know are
// left out: a newer dewclaw may have written them.
func payload(k events.Kind, data []byte) (events.Payload, error) {
	var d decoder
	p := k.New()
	if p == nil {
		d.fail("kind", []byte(k))
		return nil, d.err
	}
	d.object(data, func(d *decoder, name, v []byte) {
		if !d.own(p, string(name), v) {
			d.common(p.Base(), string(name), v)
		}
	})
	return p, d.err
}

// own decodes a member that only the kind of p has.
func (d *decoder) own(p events.Payload, name string, v []byte) bool {
	switch p := p.(type) {
	case *events.Lesion:
		return d.lesion(p, name, v)
	case *events.Examination:
		return d.examination(p, name, v)
	case *events.Treatment:
		return d.treatment(p, name, v)
	case *events.TakenOff:
		return d.takenOff(p, name, v)
	case *events.Check:
		return d.check(p, name, v)
	case *events.Claw:
		return d.claw(p, name, v)
	case *events.Order:
		return d.order(p, name, v)
	case *events.Group:
		return d.group(p, name, v)
	case *events.Locomotion:
		return d.locomotion(p, name, v)
	case *events.ClawMeasure:
		return d.clawMeasure(p, name, v)
	case *events.Animal:
		return d.animal(p, name, v)
	case *events.Visit:
		return d.visit(p, name, v)
	case *events.Decision:
		return d.decision(p, name, v)
	}
	return false
}

func (d *decoder) common(c *events.Common, name string, v []byte) {
	switch name {
	case "animal":
		c.Animal = d.identifiers(v)
	case "asGiven":
		d.object(v, func(d *decoder, name, v []byte) {
			switch string(name) {
			case "daysInMilk":
				c.AsGiven.DaysInMilk = d.text(v)
			case "parity":
				c.AsGiven.Parity = d.text(v)
			case "pen":
				c.AsGiven.Pen = d.text(v)
			}
		})
	case "examination":
		c.Examination = events.Entity(d.text(v))
	case "occurred":
		d.occurred(&c.Occurred, v)
	case "remarks":
		d.array(v, func(d *decoder, v []byte) { c.Remarks = append(c.Remarks, d.remark(v)) })
	case "role":
		c.Role = d.text(v)
	case "derived":
		d.derived(&c.Derived, v)
	case "notes":
		d.array(v, func(d *decoder, v []byte) { c.Notes = append(c.Notes, d.note(v)) })
	case "origin":
		d.origin(&c.Origin, v)
	case "words":
		d.object(v, func(d *decoder, name, v []byte) {
			c.Words = append(c.Words, events.Word{Field: string(name), Text: d.text(v)})
		})
	}
}

func (d *decoder) occurred(o *events.Occurred, v []byte) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "date":
			o.Date = d.text(v)
		case "offset":
			o.Offset = d.text(v)
		case "precision":
			o.Precision = d.text(v)
		case "time":
			o.Time = d.text(v)
		case "zone":
			o.Zone = d.text(v)
		}
	})
}

func (d *decoder) remark(v []byte) (r events.Remark) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "claw":
			r.Claw = d.text(v)
		case "foot":
			r.Foot = d.text(v)
		case "text":
			r.Text = d.text(v)
		}
	})
	return r
}

func (d *decoder) note(v []byte) (n events.Note) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "code":
			n.Code = d.text(v)
		case "detail":
			n.Detail = d.text(v)
		}
	})
	return n
}

func (d *decoder) derived(x *events.Derived, v []byte) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "animal":
			x.Animal = d.identifiers(v)
		case "dueOff":
			x.DueOff = d.text(v)
		case "gait":
			x.Gait = d.integers(v)
		case "lame":
			x.Lame = d.text(v)
		case "lateFrom":
			x.LateFrom = d.text(v)
		case "rules":
			x.Rules = d.text(v)
		case "severe":
			x.Severe = d.text(v)
		case "severeNative":
			x.SevereNative = d.text(v)
		}
	})
}

func (d *decoder) origin(o *events.Origin, v []byte) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "archive":
			o.Archive = d.text(v)
		case "lastLine":
			o.LastLine = d.integer(v)
		case "line":
			o.Line = d.integer(v)
		case "member":
			o.Member = d.text(v)
		case "message":
			o.Message = d.text(v)
		case "path":
			o.Path = d.text(v)
		}
	})
}
