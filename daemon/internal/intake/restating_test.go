package intake

import (
	"encoding/binary"
	"fmt"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events/index"
)

// What is kept of an original that is read as new does not grow with it without
// bound, and what was not looked at is said.
func TestRestating_KeepsToItsBound(t *testing.T) {
	var a restating
	known := &index.Record{Known: true}
	see := func(n int) {
		rec := &adapters.Record{}
		binary.BigEndian.PutUint64(rec.ID[:], uint64(n))
		a.see(rec, known)
	}
	for n := range mostRestated {
		see(n)
	}
	if got, err := a.notice(t.Context(), nil, ""); got != "" || err != nil {
		t.Errorf("at the bound: %q, %v", got, err)
	}
	see(mostRestated)
	see(0) // one that is looked at already
	if len(a.order) != mostRestated || len(a.records) != mostRestated {
		t.Errorf("%d records are kept, wanted %d", len(a.records), mostRestated)
	}
	if got, err := a.notice(t.Context(), nil, ""); !strings.Contains(got, fmt.Sprintf("of the first %d known records", mostRestated)) || err != nil {
		t.Errorf("beyond it: %q, %v", got, err)
	}
}
