package metrics

import (
	"errors"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"dewclaw/events"
)

// The series are held to the rules of Prometheus by its own linter.
func TestMetrics_AreWhatPrometheusExpects(t *testing.T) {
	m := New(func() (State, error) {
		return State{
			Position: 7, Held: 2, HeldAge: 90 * time.Second, Bodies: map[string]int{"chute": 3}, Ready: true,
			Feeds:  []Feed{{ID: "vet", Sent: 5, Behind: 4, Age: 30 * time.Second, Parked: 1, Waiting: 2, Delivering: true}, {ID: "herd"}},
			Barns:  []Barn{{"north", true, 3, 2}},
			Leases: []Lease{{"source", "chute", true}, {"feed", "vet", false}},
		}, nil
	})
	m.Entry(&events.Entry{Cause: events.CauseChunk, Source: "chute", Counts: events.Counts{Read: 6, Accepted: 3, Duplicate: 1, Amended: 1, Held: 1}, Events: make([][]byte, 9)})
	m.Entry(&events.Entry{Cause: events.CauseDecision, Source: "chute", Counts: events.Counts{Read: 1, Accepted: 1}})
	m.Append(3 * time.Millisecond)
	m.Request("/v1/records/{source}", 200, time.Millisecond)
	problems, err := testutil.GatherAndLint(m.registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		if strings.HasPrefix(p.Metric, "dewclaw_") {
			t.Errorf("%s: %s", p.Metric, p.Text)
		}
	}
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	for _, want := range []string{
		`dewclaw_records_total{outcome="accepted",source="chute"} 3`, `dewclaw_records_total{outcome="ignored",source="chute"} 0`,
		`dewclaw_records_read_total{source="chute"} 6`, `dewclaw_events_total{source="chute"} 9`, `dewclaw_append_seconds_count 1`,
		`dewclaw_log_position 7`, `dewclaw_held_records 2`, `dewclaw_oldest_held_seconds 90`, `dewclaw_waiting_bodies{source="chute"} 3`,
		`dewclaw_feed_sent_total{feed="vet"} 5`, `dewclaw_feed_behind_events{feed="vet"} 4`, `dewclaw_feed_behind_seconds{feed="vet"} 30`,
		`dewclaw_feed_parked_events{feed="vet"} 1`, `dewclaw_feed_waiting_events{feed="vet"} 2`, `dewclaw_feed_delivering{feed="vet"} 1`,
		`dewclaw_feed_delivering{feed="herd"} 0`, `dewclaw_barn_connected{barn="north"} 1`, `dewclaw_barn_behind_entries{barn="north"} 3`, `dewclaw_barn_missing_originals{barn="north"} 2`, `dewclaw_lease_held{id="chute",what="source"} 1`, `dewclaw_lease_held{id="vet",what="feed"} 0`, `dewclaw_ready 1`, `dewclaw_requests_total{code="200",route="/v1/records/{source}"} 1`,
		`go_goroutines `, `go_gc_heap_live_bytes `, `process_open_fds `,
	} {
		if !strings.Contains(w.Body.String(), "\n"+want) {
			t.Errorf("%s is not told", want)
		}
	}
}

func TestMetrics_TellTheRestIfTheStateCannotBeHad(t *testing.T) {
	m := New(func() (State, error) { return State{}, errors.New("the disk is away") })
	m.Append(time.Millisecond)
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	if body := w.Body.String(); w.Code != 200 || !strings.Contains(body, "dewclaw_append_seconds_count 1") || strings.Contains(body, "dewclaw_ready") {
		t.Errorf("got %d\n%s", w.Code, body)
	}
}
