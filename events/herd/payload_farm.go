package herd

import "dewclaw/events"

func (d *decoder) animal(p *events.Animal, name string, v []byte) bool {
	switch name {
	case "born":
		p.Born = d.text(v)
	case "breed":
		p.Breed = d.text(v)
	case "calvings":
		p.Calvings = d.texts(v)
	case "driedOff":
		p.DriedOff = d.text(v)
	case "entered":
		p.Entered = d.text(v)
	case "expectedCalving":
		p.ExpectedCalving = d.text(v)
	case "left":
		p.Left = d.text(v)
	case "leftWhy":
		p.LeftWhy = d.text(v)
	case "parity":
		p.Parity = d.count(v)
	case "pen":
		p.Pen = d.text(v)
	case "penFrom":
		p.PenFrom = d.text(v)
	case "plannedDryOff":
		p.PlannedDryOff = d.text(v)
	case "services":
		p.Services = d.texts(v)
	case "sex":
		p.Sex = d.text(v)
	case "use":
		p.Use = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) visit(p *events.Visit, name string, v []byte) bool {
	switch name {
	case "begin":
		p.Begin = d.text(v)
	case "booked":
		p.Booked = d.count(v)
	case "chosen":
		p.Chosen = d.text(v)
	case "device":
		p.Device = d.text(v)
	case "eligible":
		p.Eligible = d.count(v)
	case "end":
		p.End = d.text(v)
	case "endedEarly":
		p.EndedEarly = d.text(v)
	case "floor":
		p.Floor = d.text(v)
	case "operators":
		p.Operators = d.texts(v)
	case "pens":
		p.Pens = d.texts(v)
	case "purpose":
		p.Purpose = d.text(v)
	case "shown":
		p.Shown = d.count(v)
	default:
		return false
	}
	return true
}

func (d *decoder) decision(p *events.Decision, name string, v []byte) bool {
	switch name {
	case "action":
		p.Action = d.text(v)
	case "held":
		p.Held = d.text(v)
	case "other":
		p.Other = d.identifiers(v)
	case "set":
		d.array(v, func(d *decoder, v []byte) { p.Set = append(p.Set, d.assignment(v)) })
	case "targets":
		d.array(v, func(d *decoder, v []byte) { p.Targets = append(p.Targets, events.Entity(d.text(v))) })
	case "who":
		p.Who = d.text(v)
	case "why":
		p.Why = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) assignment(v []byte) (a events.Assignment) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "field":
			a.Field = d.text(v)
		case "from":
			a.From = d.text(v)
		case "to":
			a.To = d.text(v)
		}
	})
	return a
}
