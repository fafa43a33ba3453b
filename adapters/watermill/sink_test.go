package watermill

import (
	"encoding/json"
	"errors"
	"fmt"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	cloudevents "github.com/cloudevents/sdk-go/v2"
)

func lesion(n int) events.Event {
	return events.Event{
		Kind: events.KindLesion, Entity: events.Entity(fmt.Sprint("e", n)), Revision: 1, Change: events.Recorded,
		Farm: "larkfield", Source: "chute", Subject: "ear-tag:DE1", Recorded: time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC),
		Data: json.RawMessage(fmt.Sprintf(`{"code":"SU","foot":"RH","remarks":[{"text":"%d ü"}]}`, n)),
	}
}

// What leaves is read with watermill's own subscriber, and by the CloudEvents
// project's own SDK.
func TestSend_PublishesCloudEventsInOrder(t *testing.T) {
	each(t, func(t *testing.T, s *server) {
		sink, err := OpenSink(SinkOptions{Who: "feed vet", Server: s.at, Topic: "fed"})
		must(t, err)
		defer sink.Close()
		b := &adapters.Batch{}
		for n := range 2*batchRows + 30 {
			b.Events = append(b.Events, lesion(n))
		}
		must(t, sink.Send(t.Context(), b))
		must(t, sink.Send(t.Context(), &adapters.Batch{Events: b.Events[:1]}))
		must(t, sink.Send(t.Context(), &adapters.Batch{Events: b.Events[:1], Generation: 2, Late: true}))
		got := s.receive("fed", len(b.Events)+2)
		for n, m := range got[:len(b.Events)] {
			var ce cloudevents.Event
			must(t, json.Unmarshal(m.Payload, &ce))
			if err := ce.Validate(); err != nil || ce.ID() != b.Events[n].ID() || m.Metadata.Get("farm") != "larkfield" || m.Metadata.Get("late") != "" {
				t.Fatalf("message %d is %v, %v (%v)", n, m.Metadata, ce, err)
			}
		}
		again, rewound := got[len(b.Events)], got[len(b.Events)+1]
		if again.UUID != got[0].UUID {
			t.Errorf("sent again it has another UUID")
		}
		if rewound.UUID == got[0].UUID || rewound.Metadata.Get("late") != "true" {
			t.Errorf("of a new generation, late: %v, %v", rewound.UUID, rewound.Metadata)
		}
	})
}

func TestSend_SaysThatTheServerIsAway(t *testing.T) {
	alone(t, func(t *testing.T, s *server) {
		sink, err := OpenSink(SinkOptions{Who: "feed vet", Server: s.at, Topic: "fed"})
		must(t, err)
		defer sink.Close()
		must(t, sink.Send(t.Context(), &adapters.Batch{Events: []events.Event{lesion(1)}}))
		must(t, s.Kill())
		if err := sink.Send(t.Context(), &adapters.Batch{Events: []events.Event{lesion(2)}}); !errors.Is(err, events.ErrUnavailable) {
			t.Fatalf("got %v", err)
		}
		must(t, s.Start())
		for end := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
			if err = sink.Send(t.Context(), &adapters.Batch{Events: []events.Event{lesion(2)}}); err == nil || time.Now().After(end) {
				break
			}
		}
		must(t, err)
		if got := s.receive("fed", 2); len(got) != 2 {
			t.Errorf("%d messages", len(got))
		}
	})
}
