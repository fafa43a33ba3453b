package nats

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
	cloudevents "github.com/cloudevents/sdk-go/v2"
	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
)

func lesion(animal string, n int) events.Event {
	return events.Event{
		Kind: events.KindLesion, Entity: events.Entity(fmt.Sprintf("%s-%d", strings.ReplaceAll(animal, ":", "-"), n)), Revision: 1,
		Change: events.Recorded, Farm: "larkfield", Source: "chute", Subject: animal,
		Recorded: time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC),
		Data:     json.RawMessage(fmt.Sprintf(`{"code":"SU","foot":"RH","occurred":{"date":"2026-03-04"},"remarks":[{"text":"%d ü"}]}`, n)),
	}
}

func batchOf(list ...events.Event) *adapters.Batch { return &adapters.Batch{Name: "b", Events: list} }

func newSink(t testing.TB, b *broker, change ...func(*SinkOptions)) *Sink {
	t.Helper()
	o := SinkOptions{Who: "feed vet", Server: b.server(), Prefix: "herd.out"}
	for _, f := range change {
		f(&o)
	}
	s, err := OpenSink(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func stored(t testing.TB, s jetstream.Stream) []*jetstream.RawStreamMsg {
	t.Helper()
	info, err := s.Info(t.Context())
	must(t, err)
	var out []*jetstream.RawStreamMsg
	for n := info.State.FirstSeq; n <= info.State.LastSeq; n++ {
		m, err := s.GetMsg(t.Context(), n)
		must(t, err)
		out = append(out, m)
	}
	return out
}

// What leaves is read by the CloudEvents project's own SDK, and its subject and
// content type compared with NATS Protocol Binding for CloudEvents 1.0.2, 3.2.
func TestSend_PublishesCloudEvents(t *testing.T) {
	b := newBroker(t)
	st := b.stream(b.js(), "HERD", "herd.>")
	one, two := lesion("ear-tag:DE1", 1), lesion("ear-tag:DE2", 2)
	two.Farm, two.Kind, two.Revision, two.Change = "stony.run north", events.KindTreatment, 2, events.Amended
	must(t, newSink(t, b).Send(t.Context(), batchOf(one, two)))
	got := stored(t, st)
	if len(got) != 2 {
		t.Fatalf("%d messages, want 2", len(got))
	}
	slices.SortFunc(got, func(a, b *jetstream.RawStreamMsg) int { return strings.Compare(a.Subject, b.Subject) })
	for i, want := range []struct {
		subject string
		e       events.Event
	}{{"herd.out.larkfield.lesion", one}, {"herd.out.stony%2Erun%20north.treatment", two}} {
		m := got[i]
		if m.Subject != want.subject || m.Header.Get("content-type") != "application/cloudevents+json" || m.Header.Get("Nats-Msg-Id") != want.e.ID() {
			t.Errorf("subject %q, headers %v", m.Subject, m.Header)
		}
		var ce cloudevents.Event
		if err := json.Unmarshal(m.Data, &ce); err != nil {
			t.Fatal(err)
		}
		if err := ce.Validate(); err != nil {
			t.Errorf("event %d: %v", i, err)
		}
		if ce.ID() != want.e.ID() || ce.Type() != want.e.Kind.Type() || ce.Subject() != want.e.Subject || ce.Extensions()["farm"] != want.e.Farm {
			t.Errorf("event %d is %v", i, ce)
		}
		var data, sent any
		must(t, errors.Join(json.Unmarshal(ce.Data(), &data), json.Unmarshal(want.e.Data, &sent)))
		if diff := cmp.Diff(sent, data); diff != "" {
			t.Errorf("data (-want +got):\n%s", diff)
		}
	}
}

func TestSend_AgainIsDroppedByTheServer(t *testing.T) {
	b := newBroker(t)
	st := b.stream(b.js(), "HERD", "herd.>")
	batch := batchOf(lesion("a:1", 1), lesion("a:1", 2), lesion("a:2", 1))
	must(t, newSink(t, b).Send(t.Context(), batch))
	must(t, newSink(t, b).Send(t.Context(), batch))
	if got := stored(t, st); len(got) != 3 {
		t.Errorf("%d messages, want 3", len(got))
	}
	must(t, newSink(t, b).Send(t.Context(), batchOf()))
}

// A feed that was rewound sends again on purpose, within the server's window
// too; what had to wait says so.
func TestSend_OfANewGenerationIsNotDropped(t *testing.T) {
	b := newBroker(t)
	st := b.stream(b.js(), "HERD", "herd.>")
	s := newSink(t, b)
	for _, again := range []*adapters.Batch{
		{Generation: 1}, {Generation: 2}, {Generation: 2}, {Generation: 3, Late: true},
	} {
		again.Events = []events.Event{lesion("ear-tag:DE1", 1)}
		must(t, s.Send(t.Context(), again))
	}
	got := stored(t, st)
	if len(got) != 3 {
		t.Fatalf("got %d messages, wanted one for each generation", len(got))
	}
	for i, want := range []string{"", "", "true"} {
		if late := got[i].Header.Get(LateHeader); late != want {
			t.Errorf("message %d: late %q, wanted %q", i, late, want)
		}
	}
}

func TestSend_KeepsTheOrderOfEachAnimal(t *testing.T) {
	b := newBroker(t)
	st := b.stream(b.js(), "HERD", "herd.>")
	const animals, each = 40, 25
	var list []events.Event
	for n := range each {
		for a := range animals {
			list = append(list, lesion(fmt.Sprint("a:", a), n))
		}
	}
	for _, window := range []int{1, 7, 256} {
		must(t, st.Purge(t.Context()))
		for i := range list {
			list[i].Revision = window // other ids, or the server would drop them
		}
		start := time.Now()
		must(t, newSink(t, b, func(o *SinkOptions) { o.Window = window }).Send(t.Context(), batchOf(list...)))
		took := time.Since(start)
		next := map[string]int{}
		got := stored(t, st)
		for _, m := range got {
			var ce struct {
				Subject string
				Data    struct{ Remarks []struct{ Text string } }
			}
			must(t, json.Unmarshal(m.Data, &ce))
			if want := fmt.Sprint(next[ce.Subject], " ü"); ce.Data.Remarks[0].Text != want {
				t.Fatalf("window %d: %s has %q, want %q", window, ce.Subject, ce.Data.Remarks[0].Text, want)
			}
			next[ce.Subject]++
		}
		if len(got) != animals*each {
			t.Errorf("window %d: %d messages, want %d", window, len(got), animals*each)
		}
		t.Logf("window %d: %d events in %v", window, len(got), took)
	}
}

func TestSend_TellsWhatIsWrong(t *testing.T) {
	b := newBroker(t, func(o *server.Options) { o.MaxPayload = 8 << 10 })
	js := b.js()
	s := newSink(t, b)
	err := s.Send(t.Context(), batchOf(lesion("a:1", 1)))
	if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), "feed vet: subject herd.out.>") || len(events.Hints(err)) == 0 {
		t.Errorf("no stream: %v, want unavailable, the subject and a hint", err)
	}
	st := b.stream(js, "HERD", "herd.>")
	large := lesion("a:2", 1)
	behind := lesion("a:2", 2)
	large.Data = json.RawMessage(`{"description":"` + strings.Repeat("x", 9<<10) + `"}`)
	err = s.Send(t.Context(), batchOf(lesion("a:1", 1), large, behind))
	if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), large.ID()) {
		t.Errorf("too large: %v, want invalid and the event", err)
	}
	for _, m := range stored(t, st) {
		if m.Header.Get("Nats-Msg-Id") == behind.ID() {
			t.Error("an event went before the one of its animal that was refused")
		}
	}

	info, err := st.Info(t.Context())
	must(t, err)
	small := info.Config
	small.MaxMsgSize = 600
	_, err = js.UpdateStream(t.Context(), small)
	must(t, err)
	middling := lesion("a:3", 1)
	middling.Data = json.RawMessage(`{"description":"` + strings.Repeat("x", 1<<10) + `"}`)
	if err := s.Send(t.Context(), batchOf(middling)); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), middling.ID()) {
		t.Errorf("too large for the stream: %v, want invalid and the event", err)
	}

	full := small
	full.MaxMsgSize, full.MaxMsgs, full.Discard = -1, int64(info.State.Msgs), jetstream.DiscardNew
	_, err = js.UpdateStream(t.Context(), full)
	must(t, err)
	if err := s.Send(t.Context(), batchOf(lesion("a:4", 1))); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("a full stream: %v, want unavailable", err)
	}

	other := newSink(t, b, func(o *SinkOptions) { o.Prefix = "farm"; o.Stream = "OTHER"; o.Create = true })
	b.stream(js, "FARM", "farm.>")
	if err := other.Send(t.Context(), batchOf(lesion("a:1", 1))); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("a subject that another stream has: %v, want unavailable", err)
	}
	b.stream(js, "OTHER", "elsewhere")
	if err := other.Send(t.Context(), batchOf(lesion("a:1", 1))); !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), "got one of stream FARM") {
		t.Errorf("acknowledged by another stream: %v, want unavailable and its name", err)
	}

	must(t, js.DeleteStream(t.Context(), "HERD"))
	for range 2 {
		if err := s.Send(t.Context(), batchOf(lesion("a:5", 1))); !errors.Is(err, events.ErrUnavailable) || len(events.Hints(err)) == 0 {
			t.Errorf("the stream is gone: %v, want unavailable and a hint", err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := s.Send(ctx, batchOf(lesion("a:5", 1))); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: %v", err)
	}
	must(t, errors.Join(s.Close(), s.Close()))
	if err := s.Send(t.Context(), batchOf(lesion("a:5", 1))); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("after Close: %v, want unavailable", err)
	}
}

func TestSend_MakesTheStreamIfTold(t *testing.T) {
	b := newBroker(t)
	js := b.js()
	s := newSink(t, b, func(o *SinkOptions) { o.Create = true; o.Duplicates = time.Minute })
	must(t, s.Send(t.Context(), batchOf(lesion("a:1", 1))))
	st, err := js.Stream(t.Context(), "HERD-OUT")
	must(t, err)
	if c := st.CachedInfo().Config; !slices.Equal(c.Subjects, []string{"herd.out.>"}) || c.Storage != jetstream.FileStorage || c.Duplicates != time.Minute {
		t.Errorf("made %+v", c)
	}
	must(t, js.DeleteStream(t.Context(), "HERD-OUT"))
	until(t, "it is made again", func() bool { return s.Send(t.Context(), batchOf(lesion("a:1", 1))) == nil })
}

func TestSend_ComesBackWithTheServer(t *testing.T) {
	b := newBroker(t)
	b.stream(b.js(), "HERD", "herd.>")
	b.stop()
	s := newSink(t, b)
	if err := s.Send(t.Context(), batchOf(lesion("a:1", 1))); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("away at the start: %v, want unavailable", err)
	}
	b.start()
	must(t, s.Send(t.Context(), batchOf(lesion("a:1", 1))))
	b.stop()
	until(t, "Send says that the server is away", func() bool {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		return errors.Is(s.Send(ctx, batchOf(lesion("a:1", 2))), events.ErrUnavailable)
	})
	b.start()
	until(t, "the feed is back", func() bool { return s.Send(t.Context(), batchOf(lesion("a:1", 2))) == nil })
	st, err := b.js().Stream(t.Context(), "HERD")
	must(t, err)
	if got := stored(t, st); len(got) != 2 {
		t.Errorf("%d messages, want 2", len(got))
	}
}

func TestOpenSink_RefusesOptionsThatMakeNoSense(t *testing.T) {
	for _, prefix := range []string{"", "a.*", "a.>", "a b", ".a", "a."} {
		if _, err := OpenSink(SinkOptions{Who: "feed vet", Server: Server{URL: "nats://localhost"}, Prefix: prefix}); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("prefix %q: %v, want invalid", prefix, err)
		}
	}
	if _, err := OpenSink(SinkOptions{Prefix: "a"}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("no server: %v, want invalid", err)
	}
}

func TestPublish_RefusesWhatWouldBeAnotherHeader(t *testing.T) {
	b := newBroker(t)
	st := b.stream(b.js(), "HERD", "herd.>")
	p, err := NewPublisher(PublisherOptions{Who: "test", Server: b.server()})
	must(t, err)
	defer p.Close()
	for k, v := range map[string]string{"a": "x\r\nNats-Rollup: all", "a\nb": "x", "a:b": "x", "": "x"} {
		m := message.NewMessage("id", nil)
		m.Metadata.Set(k, v)
		if err := p.Publish("herd.a", m); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%q: %q: %v, want invalid", k, v, err)
		}
	}
	m := message.NewMessage("id", []byte("x"))
	m.Metadata.Set("Nats-Expected-Last-Sequence", "99") // what means something to the server stays here
	m.Metadata.Set("kept", "yes")
	must(t, p.Publish("herd.a", m))
	got := stored(t, st)
	if len(got) != 1 || got[0].Header.Get("kept") != "yes" || got[0].Header.Get("Nats-Expected-Last-Sequence") != "" {
		t.Errorf("stored %v", got)
	}
	for _, topic := range []string{"", "a.*", "a b"} {
		if err := p.Publish(topic, m); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("topic %q: %v, want invalid", topic, err)
		}
	}
}
