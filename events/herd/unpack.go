package herd

import (
	"encoding/json"
	"fmt"

	"dewclaw/events"
)

// This file reads results back. Those that lists read by the thousand are
// decoded by hand, as payloads are; TestUnpack holds that to encoding/json.

func unpacked(body value, f func(d *decoder, name, v []byte)) error {
	var d decoder
	d.object([]byte(textOf(body)), f)
	if d.err != nil {
		return fmt.Errorf("herd: read a result: %w: %w: %w", d.err, errDamaged, events.ErrUnavailable)
	}
	return nil
}

func (d *decoder) truth(v []byte) bool { return string(v) == "true" }

// list decodes an array; null is none.
func list[T any](d *decoder, v []byte, f func(d *decoder, v []byte) T) (out []T) {
	if string(v) == "null" {
		return nil
	}
	d.array(v, func(d *decoder, v []byte) { out = append(out, f(d, v)) })
	return out
}

func (d *decoder) entity(v []byte) events.Entity { return events.Entity(d.text(v)) }

func (c *Case) unpack(body value) error {
	return unpacked(body, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Class":
			c.Class = d.text(v)
		case "Foot":
			c.Foot = d.text(v)
		case "Claw":
			c.Claw = d.text(v)
		case "Words":
			c.Words = d.text(v)
		case "First":
			c.First = d.text(v)
		case "Last":
			c.Last = d.text(v)
		case "Healed":
			c.Healed = d.text(v)
		case "Open":
			c.Open = d.truth(v)
		case "Recurrence":
			c.Recurrence = d.truth(v)
		case "Seen":
			c.Seen = list(d, v, (*decoder).sighting)
		case "Doubts":
			c.Doubts = list(d, v, (*decoder).text)
		}
	})
}

func (d *decoder) sighting(v []byte) (s Sighting) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Day":
			s.Day = d.text(v)
		case "Lesions":
			s.Lesions = list(d, v, (*decoder).found)
		}
	})
	return s
}

func (d *decoder) found(v []byte) (f Found) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Code":
			f.Code = d.text(v)
		case "Zones":
			f.Zones = d.integers(v)
		case "Stage":
			f.Stage = d.text(v)
		case "Reports":
			f.Reports = list(d, v, (*decoder).report)
		}
	})
	return f
}

func (d *decoder) report(v []byte) (r Report) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Entity":
			r.Entity = d.entity(v)
		case "Source":
			r.Source = d.text(v)
		case "Code":
			r.Code = d.text(v)
		case "Severity":
			d.object(v, func(d *decoder, name, v []byte) {
				switch string(name) {
				case "scale":
					r.Severity.Scale = d.text(v)
				case "value":
					r.Severity.Value = d.text(v)
				}
			})
		case "Stage":
			r.Stage = d.text(v)
		case "Course":
			r.Course = d.text(v)
		case "Signs":
			r.Signs = list(d, v, (*decoder).sign)
		case "Site":
			r.Site = d.text(v)
		case "DD":
			r.DD = d.truth(v)
		}
	})
	return r
}

func (x *Device) unpack(body value) error {
	return unpacked(body, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "What":
			x.What = d.text(v)
		case "Kind":
			x.Kind = d.text(v)
		case "Foot":
			x.Foot = d.text(v)
		case "Claw":
			x.Claw = d.text(v)
		case "On":
			x.On = d.text(v)
		case "OnAt":
			x.OnAt = d.text(v)
		case "Due":
			x.Due = d.text(v)
		case "Late":
			x.Late = d.text(v)
		case "Planned":
			x.Planned = d.text(v)
		case "ByVet":
			x.ByVet = d.truth(v)
		case "Off":
			x.Off = d.text(v)
		case "OffAt":
			x.OffAt = d.text(v)
		case "OffHow":
			x.OffHow = d.text(v)
		case "Gone":
			x.Gone = d.text(v)
		case "Found":
			x.Found = d.truth(v)
		case "State":
			x.State = d.text(v)
		case "Checks":
			x.Checks = list(d, v, (*decoder).seen)
		case "Order":
			if string(v) != "null" {
				x.Order = new(Order)
				if err := json.Unmarshal(v, x.Order); err != nil {
					d.fail("order", v)
				}
			}
		case "Details":
			var t events.Treatment
			d.treatment(&t, "device", v)
			x.Details = t.Device
		case "For":
			x.For = list(d, v, (*decoder).entity)
		case "Events":
			x.Events = list(d, v, (*decoder).entity)
		case "OffBy":
			x.OffBy = list(d, v, (*decoder).entity)
		case "Sources":
			x.Sources = list(d, v, (*decoder).text)
		case "Doubts":
			x.Doubts = list(d, v, (*decoder).text)
		case "Old":
			x.Old = d.truth(v)
		case "Before":
			x.Before = list(d, v, (*decoder).before)
		}
	})
}

func (d *decoder) seen(v []byte) (c Check) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Event":
			c.Event = d.entity(v)
		case "Source":
			c.Source = d.text(v)
		case "Day":
			c.Day = d.text(v)
		case "At":
			c.At = d.text(v)
		case "State":
			c.State = d.text(v)
		case "ByVet":
			c.ByVet = d.truth(v)
		case "Doubts":
			c.Doubts = list(d, v, (*decoder).text)
		}
	})
	return c
}

func (d *decoder) before(v []byte) (b Before) {
	d.object(v, func(d *decoder, name, v []byte) {
		switch string(name) {
		case "Event":
			b.Event = d.entity(v)
		case "On":
			b.On = d.text(v)
		case "OnAt":
			b.OnAt = d.text(v)
		case "Due":
			b.Due = d.text(v)
		case "Late":
			b.Late = d.text(v)
		case "Planned":
			b.Planned = d.text(v)
		}
	})
	return b
}
