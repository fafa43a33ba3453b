package delivery

import (
	"slices"
	"strings"

	"dewclaw/adapters"
	"dewclaw/events"
)

// reportHead opens a report of deletes.
const reportHead = "Taken back at the source. This recipient takes no deletes: whoever reads this removes them there by hand.\n\n"

// A shipment is a batch ready to send: its parts in the order in which they go.
type shipment struct {
	parts []*adapters.Batch
}

// ship closes the outputs.
func (b *batch) ship(p *plan) (*shipment, error) {
	main, err := b.main.close()
	if err != nil {
		return nil, err
	}
	drops, err := b.drops.close()
	if err != nil {
		return nil, err
	}
	if b.err != nil {
		return nil, b.err
	}
	s := &shipment{}
	extents := b.extents(p.Rule)
	slices.Sort(b.barns)
	part := func(name string, body []byte, rows int, ids []string) *adapters.Batch {
		s.parts = append(s.parts, &adapters.Batch{
			Name: name, Body: body, Rows: rows, IDs: ids, First: p.From, Last: p.Last, Feed: b.f.cfg.ID, Recipient: b.f.cfg.Recipient,
			Generation: b.f.state.Generation, Grant: grantWords(b.f.d.o.Config, b.f.cfg, p.Rule), Schemas: b.schemas(), Late: p.Kind != planRange,
			Extents: extents, Barns: b.barns,
		})
		return s.parts[len(s.parts)-1]
	}
	ext := b.layout.extension()
	if rows := b.drops.rows; rows > 0 { // first: what is deleted may stand in the other file under another animal
		part(p.Name+"-deletes"+ext, drops, rows, b.drops.ids)
	}
	if rows := b.main.rows; rows > 0 {
		part(p.Name+ext, main, rows, b.main.ids).Events = b.events
	}
	if b.report.Len() > 0 {
		part(p.Name+"-deletes.txt", []byte(reportHead+b.report.String()), strings.Count(b.report.String(), "\n"), b.reported)
	}
	return s, nil
}

func (b *batch) schemas() []string {
	var out []string
	for _, k := range events.Kinds() {
		if slices.Contains(b.kinds, k) {
			out = append(out, k.DataSchema())
		}
	}
	return out
}
