package herd

func (a *Animal) unpack(body value) error {
	return unpacked(body, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "ID":
			a.ID = d.text(v)
		case "Farm":
			a.Farm = d.text(v)
		case "Known":
			a.Known = d.truth(v)
		case "Identifiers":
			a.Identifiers = list(d, v, (*decoder).claimed)
		case "Born":
			a.Born = d.text(v)
		case "Sex":
			a.Sex = d.text(v)
		case "Breed":
			a.Breed = d.text(v)
		case "Use":
			a.Use = d.text(v)
		case "Parity":
			a.Parity = d.count(v)
		case "AsOf":
			a.AsOf = d.text(v)
		case "Stays":
			a.Stays = list(d, v, (*decoder).stay)
		case "Pens":
			a.Pens = list(d, v, (*decoder).pen)
		case "Calvings":
			a.Calvings = list(d, v, (*decoder).text)
		case "Services":
			a.Services = list(d, v, (*decoder).text)
		case "DryOffs":
			a.DryOffs = list(d, v, (*decoder).text)
		default:
			a.rest(d, string(name), v)
		}
	})
}

// rest reads the members that few lists look at.
func (a *Animal) rest(d *decoder, name string, v []byte) {
	switch name {
	case "PlannedDryOff":
		a.PlannedDryOff = d.text(v)
	case "ExpectedCalving":
		a.ExpectedCalving = d.text(v)
	case "Sources":
		a.Sources = list(d, v, (*decoder).text)
	case "Statements":
		a.Statements = list(d, v, (*decoder).entity)
	case "Shared":
		a.Shared = list(d, v, (*decoder).shared)
	case "Suggestions":
		a.Suggestions = list(d, v, (*decoder).suggestion)
	case "Might":
		a.Might = list(d, v, (*decoder).text)
	case "Doubt":
		a.Doubt = d.text(v)
	}
}

func (d *decoder) claimed(v []byte) (n Identifier) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Scheme":
			n.Scheme = d.text(v)
		case "Value":
			n.Value = d.text(v)
		case "From":
			n.From = d.text(v)
		case "To":
			n.To = d.text(v)
		}
	})
	return n
}

func (d *decoder) stay(v []byte) (s Stay) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Entered":
			s.Entered = d.text(v)
		case "Left":
			s.Left = d.text(v)
		case "Why":
			s.Why = d.text(v)
		}
	})
	return s
}

func (d *decoder) pen(v []byte) (p Pen) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Name":
			p.Name = d.text(v)
		case "From":
			p.From = d.text(v)
		}
	})
	return p
}

func (d *decoder) shared(v []byte) (s Shared) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Scheme":
			s.Scheme = d.text(v)
		case "Value":
			s.Value = d.text(v)
		case "Other":
			s.Other = d.text(v)
		case "From":
			s.From = d.text(v)
		case "To":
			s.To = d.text(v)
		}
	})
	return s
}

func (d *decoder) suggestion(v []byte) (s Suggestion) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Animal":
			s.Animal = d.text(v)
		case "Given":
			s.Given = d.text(v)
		case "Found":
			s.Found = d.text(v)
		case "Why":
			s.Why = d.text(v)
		}
	})
	return s
}
