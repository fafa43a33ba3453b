package index

import (
	"encoding/json"
	"fmt"

	"dewclaw/events"
)

// A Touch is what one event of an entry does to its entity: what the index
// keeps of it.
type Touch struct {
	Record   events.RecordID
	Slot     events.Slot
	Kind     events.Kind
	Revision int
	Change   events.Change
	Digest   events.Digest
	List     List   // complete sources only
	Day      string // complete sources only: local day of the fact, "" if it has none
	Fresh    bool   // the record was not known before this entry; false means nothing
}

// An Extra is what is known of an entry when it is made and is not in it, or
// dear to work out again. The zero value is right for every entry.
type Extra struct {
	Touches []Touch           // one an event, in order; nil: worked out from the entry
	Raw     []RawRow          // rows to know again before mapping, in the order of the original
	RawKey  string            // what raw digests depend on beside the row: see [Index.Raw]
	Unraw   []events.RecordID // records whose raw row must not be known again
}

// Derive works out the touches of an entry from its bytes. Errors are of kind
// [events.ErrCorrupt].
func Derive(e *events.Entry) ([]Touch, error) {
	touches := make([]Touch, len(e.Events))
	for i := range e.Events {
		ev, err := e.Event(i)
		if err != nil {
			return nil, err
		}
		t := &touches[i]
		if t.Record, t.Slot, err = ev.Entity.Split(); err != nil {
			return nil, fmt.Errorf("event %d of log position %d: %w: %w", i, e.At, err, events.ErrCorrupt)
		}
		t.Kind, t.Revision, t.Change = ev.Kind, ev.Revision, ev.Change
		t.Digest = events.StoredDigest(ev.Data)
		if e.AsOf != "" {
			t.List = List{ev.Farm, ev.Scope}
			if t.Day, err = dayOf(ev.Data); err != nil {
				return nil, fmt.Errorf("event %d of log position %d: %w: %w", i, e.At, err, events.ErrCorrupt)
			}
		}
	}
	return touches, nil
}

func dayOf(data []byte) (string, error) {
	var d struct {
		Occurred struct {
			Date string `json:"date"`
		} `json:"occurred"`
	}
	err := json.Unmarshal(data, &d)
	return d.Occurred.Date, err
}

// decisions returns the decision events of an entry, decoded.
func decisions(e *events.Entry) ([]*events.Decision, error) {
	if e.Cause != events.CauseDecision {
		return nil, nil
	}
	var out []*events.Decision
	for ev, err := range e.All() {
		if err != nil {
			return nil, err
		}
		if ev.Kind != events.KindDecision {
			continue
		}
		p, err := ev.Payload()
		if err != nil {
			return nil, err
		}
		out = append(out, p.(*events.Decision))
	}
	return out, nil
}
