package delivery

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

func TestDesk_RewindBackfillsUnderANewGeneration(t *testing.T) {
	w := newWorld(t, vet("where: {lesion: {code: [SU]}}"))
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.say("A", "r2/x", lesion("DD"))
	w.commit()
	w.once()
	w.configure(vet("where: {lesion: {code: [DD]}}"))
	d := w.desk()
	if err := d.Rewind(w.ctx(), "vet", 9); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("rewound to the future: %v", err)
	}
	if err := d.Rewind(w.ctx(), "vet", 0); err != nil {
		t.Fatal(err)
	}
	if s := w.show(d); s.Generation != 2 || s.Position != 1 || s.Behind != 2 {
		t.Errorf("got %+v", s)
	}
	w.once()
	// the first generation sent r1, which this one takes back
	w.want("r1/x 1 recorded", "r1/x 1 retracted", "r2/x 1 recorded")
	if names := w.files(); !strings.HasPrefix(names[1], "vet-g2-") {
		t.Errorf("got %v", names)
	}
}

func TestDesk_PauseOutlastsARestart(t *testing.T) {
	w := newWorld(t, vet(""))
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	if err := w.desk().Pause(w.ctx(), "vet", "the practice is closed"); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want()
	d := w.desk()
	if s := w.show(d); s.State != "paused" || s.Why != "the practice is closed" || s.Behind != 1 {
		t.Errorf("got %+v", s)
	}
	if err := d.Resume(w.ctx(), "vet", false); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r1/x 1 recorded")
	if err := d.Pause(w.ctx(), "vte", ""); !errors.Is(err, events.ErrNotFound) {
		t.Errorf("got %v", err)
	}
}

// A dead and a hanging recipient do not hold up the one that lives.
func TestDesk_DeadRecipientSlowsNobody(t *testing.T) {
	w := newWorld(t, `
feeds:
  dead: {recipient: vet, farms: [larkfield], kinds: [lesion], to: {folder: NOWHERE}}
  hangs: {recipient: vet, farms: [larkfield], kinds: [lesion], to: {folder: NOWHERE}}
  lives: {recipient: vet, farms: [larkfield], kinds: [lesion], to: {folder: OUT}}
grants:
  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion], fields: identities, from: 2026-01-01}
`)
	var clock sync.Mutex
	now := w.clock
	w.o.Now = func() time.Time { clock.Lock(); defer clock.Unlock(); return now }
	w.o.After = time.After
	hang := make(chan struct{})
	inner := w.o.Sink
	w.o.Sink = func(ctx context.Context, f *config.Feed) (adapters.Sink, error) {
		if f.ID == "hangs" {
			return hangingSink{hang}, nil
		}
		return inner(ctx, f)
	}
	for i := range 100 {
		w.say("A", fmt.Sprintf("r%d/x", i), lesion("SU"))
	}
	w.commit()
	d := w.desk()
	ctx, cancel := context.WithCancel(w.ctx())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	eventually(t, func() bool { s, err := d.Show(ctx, "lives"); return err == nil && s.Rows == 100 })
	w.say("A", "more/x", lesion("SU"))
	w.commit()
	eventually(t, func() bool { s, err := d.Show(ctx, "lives"); return err == nil && s.Rows == 101 })
	eventually(t, func() bool {
		s, err := d.Show(ctx, "dead")
		return err == nil && s.State == "waiting" && s.Attempt >= 1 && s.Retry != "" && strings.Contains(s.Error, "NOWHERE")
	})
	if s, err := d.Show(ctx, "hangs"); err != nil || s.Rows != 0 {
		t.Errorf("got %+v, %v", s, err)
	}
	close(hang) // it answers again, and the batch arrives
	eventually(t, func() bool { s, err := d.Show(ctx, "hangs"); return err == nil && s.Behind == 0 })
	cancel()
	if err := <-done; err != nil {
		t.Errorf("Run: %v", err)
	}
}

// hangingSink takes everything and answers only when it is let go.
type hangingSink struct{ free chan struct{} }

func (h hangingSink) Send(ctx context.Context, _ *adapters.Batch) error {
	select {
	case <-h.free:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func eventually(t *testing.T, is func() bool) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); time.Now().Before(end); time.Sleep(2 * time.Millisecond) {
		if is() {
			return
		}
	}
	t.Fatal("it does not come to pass")
}

// A command is carried out while a send hangs, and interrupts it.
func TestDesk_CommandInterruptsASend(t *testing.T) {
	w := newWorld(t, vet(""))
	w.o.Sink = func(context.Context, *config.Feed) (adapters.Sink, error) {
		return hangingSink{make(chan struct{})}, nil
	}
	w.o.After = time.After
	w.say("A", "r/x", lesion("SU"))
	w.commit()
	d := w.desk()
	ctx, cancel := context.WithCancel(w.ctx())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	eventually(t, func() bool { s, err := d.Show(ctx, "vet"); return err == nil && s.Planned != "" })
	if err := d.Pause(ctx, "vet", "stop"); err != nil {
		t.Fatal(err)
	}
	if s, err := d.Show(ctx, "vet"); err != nil || s.State != "paused" {
		t.Errorf("got %+v, %v", s, err)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// What does not answer is tried again after twice the time, up to a ceiling,
// and said once.
func TestFeed_BacksOff(t *testing.T) {
	w := newWorld(t, vet(""))
	w.o.Sink = func(context.Context, *config.Feed) (adapters.Sink, error) {
		return nil, fmt.Errorf("connection refused: %w", events.ErrUnavailable)
	}
	w.say("A", "r/x", lesion("SU"))
	w.commit()
	f := w.desk().feeds[0]
	var waits []time.Duration
	for range 12 {
		p := f.round(w.ctx(), false)
		for !p.idle {
			p = f.round(w.ctx(), false)
		}
		waits = append(waits, p.wait)
		w.clock = w.clock.Add(p.wait)
	}
	want := []time.Duration{1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300, 300}
	for i := range want {
		if waits[i] != want[i]*time.Second {
			t.Fatalf("got %v", waits)
		}
	}
	err := w.desk().Once(w.ctx())
	if !errors.Is(err, events.ErrUnavailable) || !strings.HasPrefix(err.Error(), "feed vet: send 1 row from position 1: reach the recipient: connection refused: unavailable; attempt 3, the last; 1 entry of the log waits safely") {
		t.Errorf("got %v", err)
	}
	f.shut()
}

// tray keeps what it is sent.
type tray struct {
	mu      sync.Mutex
	batches []*adapters.Batch
}

func (t *tray) Send(_ context.Context, b *adapters.Batch) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.batches = append(t.batches, b)
	return nil
}

// A sink that takes events gets them whole, deletes among them.
func TestFeed_HandsEventsToAStream(t *testing.T) {
	w := newWorld(t, strings.Replace(vet("where: {lesion: {code: [SU]}}"), "to: {folder: OUT}", "to: {nats: {url: \"nats://a.example\", subject: farm.hooves}}", 1))
	box := new(tray)
	w.o.Sink = func(context.Context, *config.Feed) (adapters.Sink, error) { return box, nil }
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("DD"))
	w.commit()
	w.say("A", "r1/x", lesion("WL"))
	w.commit()
	w.once()
	if len(box.batches) != 1 {
		t.Fatalf("got %d batches", len(box.batches))
	}
	b := box.batches[0]
	if b.Body != nil || b.Rows != 2 || len(b.Events) != 2 || len(b.IDs) != 2 || b.Events[0].ID() != b.IDs[0] {
		t.Fatalf("got %+v", b)
	}
	del := b.Events[1]
	if del.Change != events.Retracted || del.Revision != 2 || !strings.Contains(string(del.Data), `"code":"SU"`) || del.Subject != "ear-tag:A" {
		t.Errorf("got %+v, data %s", del, del.Data)
	}
}
