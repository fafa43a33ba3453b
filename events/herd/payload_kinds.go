package herd

import "dewclaw/events"

func (d *decoder) examination(p *events.Examination, name string, v []byte) bool {
	switch name {
	case "feet":
		d.array(v, func(d *decoder, v []byte) { p.Feet = append(p.Feet, d.foot(v)) })
	case "notDone":
		p.NotDone = d.text(v)
	case "outcome":
		p.Outcome = d.text(v)
	case "pass":
		p.Pass = d.integer(v)
	case "reasons":
		p.Reasons = d.texts(v)
	case "restraint":
		p.Restraint = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) foot(v []byte) (f events.FootExam) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "examined":
			f.Examined = d.text(v)
		case "foot":
			f.Foot = d.text(v)
		case "result":
			f.Result = d.text(v)
		case "trimmed":
			f.Trimmed = d.text(v)
		}
	})
	return f
}

func (d *decoder) lesion(p *events.Lesion, name string, v []byte) bool {
	switch name {
	case "claw":
		p.Claw = d.text(v)
	case "code":
		p.Code = d.text(v)
	case "course":
		p.Course = d.text(v)
	case "ddAssociated":
		p.DDAssociated = string(v) == "true"
	case "description":
		p.Description = d.text(v)
	case "foot":
		p.Foot = d.text(v)
	case "severity":
		d.object(v, func(d *decoder, name, v []byte) {
			switch string(name) {
			case "scale":
				p.Severity.Scale = d.text(v)
			case "value":
				p.Severity.Value = d.text(v)
			}
		})
	case "signs":
		d.array(v, func(d *decoder, v []byte) { p.Signs = append(p.Signs, d.sign(v)) })
	case "site":
		p.Site = d.text(v)
	case "sizeMM":
		p.SizeMM = d.decimal(v)
	case "stage":
		p.Stage = d.text(v)
	case "zones":
		d.object(v, func(d *decoder, name, v []byte) {
			switch string(name) {
			case "map":
				p.Zones.Map = d.text(v)
			case "numbers":
				p.Zones.Numbers = d.integers(v)
			}
		})
	default:
		return false
	}
	return true
}

func (d *decoder) sign(v []byte) (s events.Sign) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "detail":
			s.Detail = d.text(v)
		case "sign":
			s.Sign = d.text(v)
		}
	})
	return s
}

func (d *decoder) treatment(p *events.Treatment, name string, v []byte) bool {
	switch name {
	case "claw":
		p.Claw = d.text(v)
	case "device":
		d.object(v, func(d *decoder, name, v []byte) {
			switch string(name) {
			case "heightMM":
				p.Device.HeightMM = d.decimal(v)
			case "material":
				p.Device.Material = d.text(v)
			case "purpose":
				p.Device.Purpose = d.text(v)
			}
		})
	case "foot":
		p.Foot = d.text(v)
	case "for":
		p.For = events.Entity(d.text(v))
	case "medicine":
		d.object(v, func(d *decoder, name, v []byte) { d.medicine(&p.Medicine, string(name), v) })
	case "plannedOff":
		p.PlannedOff = d.text(v)
	case "what":
		p.What = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) medicine(m *events.Medicine, name string, v []byte) {
	switch name {
	case "batch":
		m.Batch = d.text(v)
	case "days":
		m.Days = d.text(v)
	case "meat":
		m.Meat = d.withdrawal(v)
	case "milk":
		m.Milk = d.withdrawal(v)
	case "name":
		m.Name = d.text(v)
	case "orderedBy":
		m.OrderedBy = d.text(v)
	case "quantity":
		m.Quantity = d.text(v)
	case "route":
		m.Route = d.text(v)
	}
}

func (d *decoder) withdrawal(v []byte) (w events.Withdrawal) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "state":
			w.State = d.text(v)
		case "until":
			w.Until = d.text(v)
		}
	})
	return w
}

func (d *decoder) takenOff(p *events.TakenOff, name string, v []byte) bool {
	switch name {
	case "claw":
		p.Claw = d.text(v)
	case "foot":
		p.Foot = d.text(v)
	case "how":
		p.How = d.text(v)
	case "since":
		p.Since = d.text(v)
	case "what":
		p.What = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) locomotion(p *events.Locomotion, name string, v []byte) bool {
	switch name {
	case "blockOn":
		p.BlockOn = d.text(v)
	case "cuts":
		d.object(v, func(d *decoder, name, v []byte) {
			switch string(name) {
			case "lame":
				p.Cuts.Lame = d.decimal(v)
			case "severe":
				p.Cuts.Severe = d.decimal(v)
			}
		})
	case "limb":
		p.Limb = d.text(v)
	case "notScorable":
		p.NotScorable = d.text(v)
	case "observer":
		p.Observer = d.text(v)
	case "scale":
		p.Scale = d.text(v)
	case "score":
		p.Score = d.decimal(v)
	case "wrapOn":
		p.WrapOn = d.text(v)
	default:
		return false
	}
	return true
}

func (d *decoder) clawMeasure(p *events.ClawMeasure, name string, v []byte) bool {
	switch name {
	case "claw":
		p.Claw = d.text(v)
	case "foot":
		p.Foot = d.text(v)
	case "landmark":
		p.Landmark = d.text(v)
	case "method":
		p.Method = d.text(v)
	case "unit":
		p.Unit = d.text(v)
	case "value":
		p.Value = d.decimal(v)
	case "what":
		p.What = d.text(v)
	case "when":
		p.When = d.text(v)
	default:
		return false
	}
	return true
}
