package mapping

import (
	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/rules"
)

// Glimpse returns what can be read of a row although it is held: events with the
// values that could be read, unchecked, for people only. A row that cannot be
// worked on gives nil. It may be called while mappers work.
func (r *Run) Glimpse(row adapters.Row) (seen []events.Payload) {
	defer func() {
		if recover() != nil {
			seen = nil // nothing can be seen; the row is held already
		}
	}()
	m := r.newMapper()
	m.row = &row
	m.begin()
	if !m.run.in.csv && row.Value == nil || m.run.in.csv && row.Cells == nil {
		return nil
	}
	m.evaluate()
	for i := range m.stage.made {
		seen = append(seen, m.stage.made[i].p)
	}
	for i := range m.stage.exams {
		seen = append(seen, m.stage.exams[i].p)
	}
	rules.Apply(seen, r.job.Rules)
	return seen
}

// Farm returns the farm that a row names, one of the source's; "" if the mapping
// reads none or it cannot be read. It may be called while mappers work.
func (r *Run) Farm(row adapters.Row) (farm string) {
	defer func() {
		if recover() != nil {
			farm = ""
		}
	}()
	in := r.in
	if in.farm == nil {
		return ""
	}
	m := r.newMapper()
	m.row = &row
	m.begin()
	if whole := row.Fault == nil && (in.csv && row.Cells != nil || !in.csv && row.Value != nil); whole || in.sureFarm() {
		m.rowFarm()
	}
	return m.farm
}
