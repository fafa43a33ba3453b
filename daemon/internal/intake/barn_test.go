package intake_test

import (
	"bytes"
	"context"
	"errors"
	"slices"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// repeat takes over what a hub lacks of a barn's log.
func (h *house) repeat(b *intake.Barn, log *memoryLog) error {
	ctx := context.Background()
	at, hash, err := h.in.After(ctx, b.ID, log.id)
	if err != nil {
		return err
	}
	if at > 0 && hash != events.EntryHash(log.bytes[at-1]) {
		h.t.Fatalf("after %d: got hash %s, want that of the barn's entry", at, hash)
	}
	for _, body := range log.bytes[at:] {
		e, err := events.ParseEntry(slices.Clone(body))
		if err != nil {
			h.t.Fatal(err)
		}
		if _, err := h.in.Repeat(ctx, b, e, events.EntryHash(body)); err != nil {
			return err
		}
	}
	return nil
}

// cloudEvents are the events of a log as they leave.
func cloudEvents(t tb, log *memoryLog) []string {
	t.Helper()
	var out []string
	for _, ev := range eventsOf(t, log, 1) {
		out = append(out, string(ev.AppendCloudEvent(nil)))
	}
	return out
}

// TestRepeat_TheHubSaysWhatTheBarnsSay takes the samples in at two barns, with
// decisions, and repeats both at a hub, in turns: it has every event of both byte
// for byte, every held record, the same books, and verifying proves that.
func TestRepeat_TheHubSaysWhatTheBarnsSay(t *testing.T) {
	lark := newHouse(t, t.TempDir(), &memoryLog{id: "log-lark"})
	stony := newHouse(t, t.TempDir(), &memoryLog{id: "log-stony"})
	hub := newHouse(t, t.TempDir(), &memoryLog{id: "log-hub"})
	for _, h := range []*house{lark, stony, hub} {
		t.Cleanup(h.close)
	}
	barns := map[*house]*intake.Barn{
		lark:  {ID: "lark", Farms: []string{"larkfield"}, Others: []string{"stony/", ""}},
		stony: {ID: "stony", Farms: []string{"stony-run"}, Others: []string{"lark/", ""}},
	}
	var books events.Counts
	for _, s := range inputs {
		h := lark
		if s.farm == "stony-run" {
			h = stony
		}
		r := h.take(s.of(t), s.file, s.bytes(t))
		books = books.Add(r.Counts)
		if s.file == "03-gait.ndjson" {
			continue // two originals go at once
		}
		if err := hub.repeat(barns[h], h.log); err != nil {
			t.Fatalf("%s: %v", s.file, err)
		}
	}
	// Decisions about what the barns have.
	held := firstHeld(t, stony.log)
	decide := events.Decision{Action: events.ActionDrop, Held: held.ID, Who: "test", Why: "test"}
	if _, err := stony.in.Settle(t.Context(), intake.Settlement{Source: "stony-run-chute", Farm: "stony-run", Decision: decide}); err != nil {
		t.Fatal(err)
	}
	for h, b := range barns {
		if err := hub.repeat(b, h.log); err != nil {
			t.Fatal(err)
		}
	}

	for h, b := range barns {
		var got []string
		farm := b.Farms[0]
		for _, ev := range eventsOf(t, hub.log, 1) {
			if ev.Farm == farm {
				got = append(got, string(ev.AppendCloudEvent(nil)))
			}
		}
		if want := cloudEvents(t, h.log); !slices.Equal(got, want) {
			t.Errorf("barn %s: the hub has %d events, the barn %d, or they differ", b.ID, len(got), len(want))
		}
	}
	if got, want := len(hub.log.bytes), len(lark.log.bytes)+len(stony.log.bytes); got != want {
		t.Errorf("got %d entries, want %d, one for one", got, want)
	}
	r := hub.verify()
	for _, d := range r.Differences {
		t.Errorf("verify: %+v", d)
	}
	if r.Counts != books {
		t.Errorf("books of the hub: got %v, want %v", r.Counts, books)
	}
	if h, ok, err := hub.ix.Held("stony/" + held.ID); err != nil || !ok || h.State.String() != "dropped" || h.Source != "stony/stony-run-chute" {
		t.Errorf("held record that was dropped at the barn: got %+v, %t, %v", h, ok, err)
	}
	n, err := hub.ix.CountHeld("")
	if want := 5 + 1 + 1 + 18 + 5 - 1; err != nil || n != want {
		t.Errorf("held records: got %d, %v, want %d", n, err, want)
	}
	// What belongs to a barn is decided there.
	decide.Held = firstHeld(t, lark.log).ID
	if _, err := hub.in.Settle(t.Context(), intake.Settlement{Source: "lark/larkfield-gait", Farm: "larkfield", Decision: decide}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("a decision at the hub: got %v, want %v", err, events.ErrInvalid)
	}
	// A hub that is built again from its log knows the same.
	again := newHouse(t, t.TempDir(), hub.log)
	defer again.close()
	for h, b := range barns {
		at, _, err := again.in.After(t.Context(), b.ID, h.log.id)
		if last, _ := h.log.Last(); err != nil || at != last {
			t.Errorf("barn %s, index built anew: got position %d, %v, want %d", b.ID, at, err, last)
		}
	}
}

func firstHeld(t tb, log *memoryLog) *events.Held {
	t.Helper()
	for e, err := range log.Read(context.Background(), 1) {
		if err != nil {
			t.Fatal(err)
		}
		if len(e.Held) > 0 {
			return &e.Held[0]
		}
	}
	t.Fatal("nothing is held")
	return nil
}

// TestVerify_NamesWhatABarnDidNotSay changes entries of a hub in ways that leave
// its own chain whole.
func TestVerify_NamesWhatABarnDidNotSay(t *testing.T) {
	barn, hub := newHouse(t, t.TempDir(), &memoryLog{id: "log-1"}), newHouse(t, t.TempDir(), &memoryLog{id: "log-hub"})
	t.Cleanup(barn.close)
	t.Cleanup(hub.close)
	barn.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	barn.take(inputs[5].of(t), "06.csv", inputs[5].bytes(t)) // amends and retracts
	if err := hub.repeat(&intake.Barn{ID: "lark", Farms: []string{"larkfield"}}, barn.log); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name   string
		change func(e *events.Entry)
	}{
		{"a value", func(e *events.Entry) {
			for i := range e.Events {
				e.Events[i] = bytes.Replace(e.Events[i], []byte(`"value":78.5`), []byte(`"value":77.5`), 1)
			}
		}},
		{"a count", func(e *events.Entry) { e.Counts.Accepted, e.Counts.Duplicate = e.Counts.Duplicate, e.Counts.Accepted }},
		{"the time", func(e *events.Entry) { e.Time = "2026-04-01T00:00:01Z" }},
		{"the position", func(e *events.Entry) { e.Barn.At++ }},
	} {
		r := verifyLog(t, hub.dir, hub.log.rewrite(t, 1, x.change))
		if len(r.Differences) == 0 {
			t.Errorf("%s: verifying finds nothing", x.name)
		}
	}
}

// TestRepeat_Refuses is what a hub does not take over.
func TestRepeat_Refuses(t *testing.T) {
	barn := fresh(t)
	barn.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	barn.take(inputs[5].of(t), "06.csv", inputs[5].bytes(t))
	at := func(p int) (*events.Entry, string) {
		e, err := events.ParseEntry(slices.Clone(barn.log.bytes[p-1]))
		if err != nil {
			t.Fatal(err)
		}
		return e, events.EntryHash(barn.log.bytes[p-1])
	}
	lark := &intake.Barn{ID: "lark", Farms: []string{"larkfield"}, Others: []string{""}}
	for _, x := range []struct {
		name string
		do   func(hub *house) error
		want error
	}{
		{"another farm", func(hub *house) error {
			return hub.repeat(&intake.Barn{ID: "lark", Farms: []string{"stony-run"}}, barn.log)
		}, events.ErrInvalid},
		{"a revision of what the hub lacks", func(hub *house) error {
			e, hash := at(len(barn.log.bytes))
			_, err := hub.in.Repeat(t.Context(), lark, e, hash)
			return err
		}, events.ErrCorrupt},
		{"members this version does not know", func(hub *house) error {
			body := bytes.Replace(barn.log.bytes[0], []byte(`,"cause":`), []byte(`,"novel":1,"cause":`), 1)
			e, err := events.ParseEntry(body)
			if err != nil {
				t.Fatal(err)
			}
			_, err = hub.in.Repeat(t.Context(), lark, e, events.EntryHash(body))
			return err
		}, events.ErrInvalid},
		{"a source that the hub has itself", func(hub *house) error {
			hub.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
			return hub.repeat(lark, barn.log)
		}, events.ErrInvalid},
		{"a new log of the same barn", func(hub *house) error {
			if err := hub.repeat(lark, barn.log); err != nil {
				t.Fatal(err)
			}
			again := newHouse(t, t.TempDir(), &memoryLog{id: "log-2"})
			t.Cleanup(again.close)
			again.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
			return hub.repeat(lark, again.log)
		}, events.ErrInvalid},
		{"the old log, when a new one has gone on", func(hub *house) error {
			if err := hub.repeat(lark, barn.log); err != nil {
				t.Fatal(err)
			}
			again := lostBarn(t, hub, "log-3", "lark")
			again.take(inputs[2].of(t), "03.ndjson", inputs[2].bytes(t))
			if err := hub.repeat(lark, again.log); err != nil {
				t.Fatal(err)
			}
			was := newHouse(t, t.TempDir(), barn.log.cut(events.Position(len(barn.log.bytes))))
			t.Cleanup(was.close)
			was.take(inputs[2].of(t), "03.ndjson", inputs[2].bytes(t))
			return hub.repeat(lark, was.log)
		}, events.ErrInvalid},
		{"a log that went on before it had everything back", func(hub *house) error {
			if err := hub.repeat(lark, barn.log); err != nil {
				t.Fatal(err)
			}
			back, err := hub.in.GiveBack(t.Context(), "lark", 0)
			if err != nil {
				t.Fatal(err)
			}
			half := newHouse(t, t.TempDir(), &memoryLog{id: "log-4"})
			t.Cleanup(half.close)
			if _, err := half.in.TakeBack(t.Context(), back.Entries[0], back.Of); err != nil {
				t.Fatal(err)
			}
			half.take(inputs[2].of(t), "03.ndjson", inputs[2].bytes(t))
			return hub.repeat(lark, half.log)
		}, events.ErrInvalid},
		{"something else as what the hub gave back", func(hub *house) error {
			if err := hub.repeat(lark, barn.log); err != nil {
				t.Fatal(err)
			}
			again := lostBarn(t, hub, "log-5", "lark")
			forged := again.log.rewrite(t, 1, func(e *events.Entry) { e.Counts.Ignored++; e.Counts.Read++ })
			return hub.repeat(lark, forged)
		}, events.ErrInvalid},
		{"what another hub took over", func(hub *house) error {
			if err := hub.repeat(lark, barn.log); err != nil {
				t.Fatal(err)
			}
			other := fresh(t)
			return other.repeat(&intake.Barn{ID: "hub", Farms: lark.Farms}, hub.log)
		}, events.ErrInvalid},
	} {
		hub := newHouse(t, t.TempDir(), &memoryLog{id: "log-hub"})
		t.Cleanup(hub.close)
		if err := x.do(hub); !errors.Is(err, x.want) {
			t.Errorf("%s: got %v, want %v", x.name, err, x.want)
		}
	}
}

// lostBarn is a barn that has nothing but its sources and takes back what a hub has of it.
func lostBarn(t *testing.T, hub *house, log, id string) *house {
	t.Helper()
	h := newHouse(t, t.TempDir(), &memoryLog{id: log})
	t.Cleanup(h.close)
	for {
		last, _ := h.log.Last()
		back, err := hub.in.GiveBack(t.Context(), id, last)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range back.Entries {
			if _, err := h.in.TakeBack(t.Context(), b, back.Of); err != nil {
				t.Fatal(err)
			}
		}
		if now, _ := h.log.Last(); now == back.Of {
			return h
		} else if len(back.Entries) == 0 {
			t.Fatalf("the hub gives nothing behind position %d of %d", now, back.Of)
		}
	}
}

// TestRepeat_ALostBarnComesBack loses the data of a barn, twice, with revisions,
// retractions, held records and decisions in it: its new log has the same events, the
// same files add nothing there or at the hub, a changed one makes the next revisions,
// and verifying finds both as they were.
func TestRepeat_ALostBarnComesBack(t *testing.T) {
	barn := newHouse(t, t.TempDir(), &memoryLog{id: "log-1"})
	hub := newHouse(t, t.TempDir(), &memoryLog{id: "log-hub"})
	t.Cleanup(barn.close)
	t.Cleanup(hub.close)
	b := &intake.Barn{ID: "lark", Farms: []string{"larkfield", "stony-run"}, Others: []string{""}}
	other := newHouse(t, t.TempDir(), &memoryLog{id: "log-other"})
	t.Cleanup(other.close)
	other.take(inputs[3].of(t), inputs[3].file, inputs[3].bytes(t))
	follow := func(h *house) {
		t.Helper()
		if err := hub.repeat(b, h.log); err != nil {
			t.Fatal(err)
		}
	}
	barn.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	follow(barn)
	if err := hub.repeat(&intake.Barn{ID: "other", Farms: []string{"larkfield", "stony-run"}}, other.log); err != nil {
		t.Fatal(err) // positions of the hub are not those of the barn
	}
	barn.take(inputs[2].of(t), inputs[2].file, inputs[2].bytes(t))
	held := firstHeld(t, barn.log)
	if _, err := barn.in.Settle(t.Context(), intake.Settlement{
		Source: inputs[2].of(t).ID, Farm: inputs[2].farm,
		Decision: events.Decision{Action: events.ActionDrop, Held: held.ID, Who: "test", Why: "test"},
	}); err != nil {
		t.Fatal(err)
	}
	follow(barn)
	want, at := cloudEvents(t, barn.log), len(hub.log.bytes)

	check := func(h *house, was []string) {
		t.Helper()
		if got := cloudEvents(t, h.log); !slices.Equal(got, was) {
			t.Fatalf("came back with %d events, want the same %d", len(got), len(was))
		}
		has := len(eventsOf(t, hub.log, 1))
		follow(h)
		if got := len(eventsOf(t, hub.log, 1)); got != has {
			t.Errorf("the hub has %d events, want %d as before", got, has)
		}
	}
	again := lostBarn(t, hub, "log-2", "lark")
	check(again, want)
	if got := len(hub.log.bytes) - at; got != len(again.log.bytes) {
		t.Errorf("the hub noted %d entries that came back, want %d", got, len(again.log.bytes))
	}
	for _, n := range []int{0, 2} {
		n0 := len(again.log.bytes)
		if r := again.take(inputs[n].of(t), inputs[n].file, inputs[n].bytes(t)); r.Counts.Accepted+r.Counts.Amended > 0 || !r.Known {
			t.Errorf("%s read again: got %v, want nothing new", inputs[n].file, r.Counts)
		}
		for _, e := range again.log.bytes[n0:] {
			if x, err := events.ParseEntry(e); err != nil || len(x.Events)+len(x.Held) > 0 {
				t.Errorf("%s read again: got %d events (%v)", inputs[n].file, len(x.Events), err)
			}
		}
	}
	r := again.take(inputs[5].of(t), "06.csv", inputs[5].bytes(t)) // amends and retracts
	if r.Counts.Amended == 0 || r.Counts.Retracted == 0 {
		t.Errorf("a later export: got %v, want amended and retracted", r.Counts)
	}
	follow(again)
	want = cloudEvents(t, again.log)
	third := lostBarn(t, hub, "log-3", "lark")
	check(third, want)
	if r := third.take(inputs[5].of(t), "06.csv", inputs[5].bytes(t)); r.Counts.Amended+r.Counts.Accepted+r.Counts.Retracted > 0 {
		t.Errorf("lost a second time, the same export: got %v, want nothing new", r.Counts)
	}
	follow(third)
	for name, h := range map[string]*house{"hub": hub, "second log": again, "third log": third} {
		r := h.verify()
		for _, d := range r.Differences {
			t.Errorf("%s: verify: %+v", name, d)
		}
	}
	if r := third.verify(); r.Returned == 0 || r.Absent == 0 {
		t.Errorf("third log: verify: got %d entries that came back and %d absent originals, want some", r.Returned, r.Absent)
	}
	// A hub whose index is built again from its log still gives the same.
	anew := newHouse(t, t.TempDir(), hub.log)
	t.Cleanup(anew.close)
	if got := cloudEvents(t, lostBarn(t, anew, "log-4", "lark").log); !slices.Equal(got, cloudEvents(t, third.log)) {
		t.Error("index built anew: the hub gives back something else")
	}
	// A change in an entry that came back is found.
	forged := third.log.rewrite(t, 1, func(e *events.Entry) { e.Counts.Accepted, e.Counts.Duplicate = e.Counts.Duplicate, e.Counts.Accepted })
	if r := verifyLog(t, third.dir, forged); len(r.Differences) == 0 {
		t.Error("a changed entry that came back: verifying finds nothing")
	}
}
