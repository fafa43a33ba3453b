package delivery

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base32"
	"hash"
	"strings"

	"dewclaw/events"
)

// pseudonymScheme is the scheme of identifiers that are pseudonyms.
const pseudonymScheme = "pseudonym"

// A mask replaces what names an animal by pseudonyms: HMAC (RFC 2104) with
// SHA-256 under a key of the recipient, 26 characters. The same animal has the
// same pseudonym in every feed to that recipient, and another one elsewhere.
//
// Entities are masked too: they are made from an identifier without a key, so
// that who guesses tags could test them. Taken out are the origin, the source's
// own words, remarks and other free text, and pen, parity and days in milk as
// the device wrote them. Not for use by several goroutines at once.
type mask struct {
	mac hash.Hash
	enc events.Encoder
}

func newMask(key []byte) *mask { return &mask{mac: hmac.New(sha256.New, key)} }

var maskText = base32.NewEncoding("0123456789abcdefghijklmnopqrstuv").WithPadding(base32.NoPadding)

func (m *mask) sum(parts ...string) []byte {
	m.mac.Reset()
	for _, p := range parts {
		m.mac.Write([]byte(p))
		m.mac.Write([]byte{0})
	}
	return m.mac.Sum(nil)
}

// entity masks e in its own form: events of one record still share its first part.
func (m *mask) entity(e events.Entity) events.Entity {
	rec, _, err := e.Split()
	if err != nil {
		return ""
	}
	return events.RecordID(m.sum("record", rec.String())[:13]).Entity(events.Slot(m.sum("entity", string(e))[:5]))
}

func (m *mask) identifier(farm, scheme, value string) string {
	return maskText.EncodeToString(m.sum("animal", farm, scheme, events.Compact(value)))[:26]
}

// apply returns a masked copy of f. The error is of kind corrupt.
func (m *mask) apply(f *fact) (*fact, error) {
	p, err := events.DecodePayload(f.Kind, f.Data) // a copy: the other may be shared
	if err != nil {
		return nil, err
	}
	m.payload(f.Farm, p)
	e := *f.Event
	e.Entity, e.Visit, e.Scope = m.entity(f.Entity), string(m.entity(events.Entity(f.Visit))), ""
	if scheme, value, ok := strings.Cut(f.Subject, ":"); ok {
		e.Subject = pseudonymScheme + ":" + m.identifier(f.Farm, scheme, value)
	}
	e.Data, _ = m.enc.Append(nil, p)
	return &fact{Event: &e, payload: p}, nil
}

func (m *mask) payload(farm string, p events.Payload) {
	c := p.Base()
	normal := c.Derived.Animal
	for i, id := range c.Animal {
		value := id.Value
		for _, n := range normal {
			if n.Scheme == id.Scheme {
				value = n.Value
			}
		}
		c.Animal[i] = events.Identifier{Scheme: pseudonymScheme, Value: m.identifier(farm, id.Scheme, value), From: id.From, To: id.To}
	}
	c.Derived.Animal = nil
	c.AsGiven, c.Remarks, c.Words, c.Origin = events.AsGiven{}, nil, nil, events.Origin{}
	c.Examination = m.entity(c.Examination)
	for i := range c.Notes {
		c.Notes[i].Detail = ""
	}
	switch p := p.(type) {
	case *events.Visit:
		p.Chosen, p.Device, p.EndedEarly, p.Operators, p.Pens = "", "", "", nil, nil
	case *events.Lesion:
		p.Description = ""
		for i := range p.Signs {
			p.Signs[i].Detail = ""
		}
	case *events.Treatment:
		p.For = m.entity(p.For)
		p.Device.Material, p.Device.Purpose = "", ""
	case *events.Order:
		p.Detail = ""
	case *events.Group:
		p.Concentration, p.Pens, p.Product = "", nil, ""
	case *events.Locomotion:
		p.NotScorable, p.Observer = "", ""
	case *events.ClawMeasure:
		p.Method = ""
	case *events.Animal:
		p.LeftWhy, p.Pen, p.Use = "", "", ""
	}
}
