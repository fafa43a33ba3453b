package herd

import "dewclaw/events"

func (d *decoder) check(p *events.Check, name string, v []byte) bool {
	switch name {
	case "claw":
		p.Claw = d.text(v)
	case "foot":
		p.Foot = d.text(v)
	case "since":
		p.Since = d.text(v)
	case "state":
		p.State = d.text(v)
	case "what":
		p.What = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) claw(p *events.Claw, name string, v []byte) bool {
	switch name {
	case "cause":
		p.Cause = d.text(v)
	case "claw":
		p.Claw = d.text(v)
	case "foot":
		p.Foot = d.text(v)
	case "since":
		p.Since = d.text(v)
	case "state":
		p.State = d.text(v)
	case "until":
		p.Until = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) order(p *events.Order, name string, v []byte) bool {
	switch name {
	case "cancels":
		p.Cancels = d.texts(v)
	case "claw":
		p.Claw = d.text(v)
	case "detail":
		p.Detail = d.text(v)
	case "due":
		p.Due = d.text(v)
	case "foot":
		p.Foot = d.text(v)
	case "orderedBy":
		p.OrderedBy = d.text(v)
	case "until":
		p.Until = d.text(v)
	case "what":
		p.What = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) group(p *events.Group, name string, v []byte) bool {
	switch name {
	case "concentration":
		p.Concentration = d.text(v)
	case "passed":
		p.Passed = d.count(v)
	case "pens":
		p.Pens = d.texts(v)
	case "product":
		p.Product = d.text(v)
	case "what":
		p.What = d.text(v)
	default:
		return false
	}
	return true
}
