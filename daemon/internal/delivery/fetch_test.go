package delivery

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// pulled is vetFeed beside a feed of the same that is fetched.
func pulled(more string) string {
	feed := vet(more)
	at := strings.Index(feed, "  vet:\n")
	end := strings.Index(feed, "grants:")
	twin := strings.NewReplacer("  vet:\n", "  pull:\n", "{folder: OUT}", "{pull: {}}").Replace(feed[at:end])
	return feed[:end] + twin + feed[end:] + `listen: {address: "127.0.0.1:0"}
tokens: [{name: vet, sha256: "` + strings.Repeat("0", 64) + `", feeds: [pull]}]
`
}

func newPullWorld(t testing.TB, more string) *world {
	w := newWorld(t, pulled(more))
	files := w.o.Sink
	w.o.Sink = func(ctx context.Context, f *config.Feed) (adapters.Sink, error) {
		if f.Pull != nil {
			return nowhere{}, nil
		}
		return files(ctx, f)
	}
	return w
}

type nowhere struct{}

func (nowhere) Send(context.Context, *adapters.Batch) error { return nil }
func (nowhere) Close() error                                { return nil }

// fetchAll fetches everything from a place on in pages of so many.
func (w *world) fetchAll(d *Desk, from events.Place, most int) (told []string, next events.Place) {
	w.t.Helper()
	names := map[events.Entity]string{}
	for n, e := range w.ids {
		names[e] = n
	}
	for range 10_000 {
		p, err := d.Fetch(w.ctx(), "pull", from, most)
		if err != nil {
			w.t.Fatal(err)
		}
		if len(p.Events) > most || len(p.After) != len(p.Events) || len(p.Events) > 0 && p.After[len(p.After)-1] != p.Next && !p.After[len(p.After)-1].Before(p.Next) {
			w.t.Fatalf("a page of %d events ends at %v, next %v", len(p.Events), p.After, p.Next)
		}
		for i := range p.Events {
			e := &p.Events[i]
			told = append(told, fmt.Sprintf("%s %d %s", names[e.Entity], e.Revision, e.Change))
		}
		if len(p.Events) == 0 {
			return told, p.Next
		}
		from = p.Next
	}
	w.t.Fatal("the pages have no end")
	return nil, from
}

// Whatever is recorded, amended and taken back, and however it is fetched, a
// recipient that fetches gets what one gets that is sent to.
func TestDesk_FetchGivesWhatIsSentToOthers(t *testing.T) {
	for seed := range uint64(20) {
		r := rand.New(rand.NewPCG(seed, 1))
		w := newPullWorld(t, "where: {lesion: {code: [SU, DD]}}")
		start := events.Place{Position: 1}
		said := map[string]events.Payload{}
		for range 30 {
			for range 1 + r.IntN(5) {
				name := fmt.Sprintf("r%d/x", r.IntN(12))
				if p := said[name]; p != nil && r.IntN(4) == 0 {
					w.unsay(name, name, p)
					continue
				}
				p := lesion([]string{"SU", "DD", "WL", "HHE"}[r.IntN(4)])
				w.say(name, name, p)
				said[name] = p
			}
			dedupe(w)
			w.commit()
			if r.IntN(3) == 0 {
				w.once()
			}
		}
		w.once()
		d := w.desk()
		want := w.told()
		for _, most := range []int{1, 2, 7, 1000} {
			if got, next := w.fetchAll(d, start, most); !slices.Equal(got, want) || next != (events.Place{Position: 31}) {
				t.Fatalf("seed %d, pages of %d: got %d events up to %v\n%v\nwant %d\n%v", seed, most, len(got), next, got, len(want), want)
			}
		}
		if s, err := d.Show(w.ctx(), "pull"); err != nil || s.Fetched != 31 || s.FetchedAt == "" {
			t.Errorf("got %+v, %v", s, err)
		}
	}
}

// dedupe leaves one statement of each name in the entry that is being made.
func dedupe(w *world) {
	seen := map[string]bool{}
	w.pending = slices.DeleteFunc(w.pending, func(d draft) bool {
		old := seen[d.name]
		seen[d.name] = true
		h := w.newest[d.entity]
		return old || d.change == events.Retracted && (h == nil || h.gone)
	})
}

func TestDesk_FetchGivesNothingWithoutAGrant(t *testing.T) {
	w := newPullWorld(t, "")
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.configure(strings.Replace(pulled(""), "from: 2026-01-01}", "from: 2026-01-01, until: 2026-04-10}", 1))
	d := w.desk()
	if got, _ := w.fetchAll(d, events.Place{Position: 1}, 10); len(got) != 1 {
		t.Fatalf("got %v, want one event", got)
	}
	w.clock = w.clock.Add(15 * 24 * time.Hour)
	if _, err := d.Fetch(w.ctx(), "pull", events.Place{Position: 1}, 10); !errors.Is(err, ErrPaused) {
		t.Errorf("after the grant: got %v", err)
	}
	w.say("A", "r2/x", lesion("SU")) // while there is none
	w.commit()
	w.once()
	w.configure(strings.Replace(pulled(""), "from: 2026-01-01}", "from: 2026-01-01, until: 2026-04-10}\n  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion, examination, treatment, animal], fields: pseudonyms, from: 2026-04-20}", 1))
	w.clock = w.clock.Add(15 * 24 * time.Hour)
	w.say("A", "r3/x", lesion("SU"))
	w.commit()
	w.once()
	p, err := w.desk().Fetch(w.ctx(), "pull", events.Place{Position: 1}, 10)
	if err != nil || len(p.Events) != 2 {
		t.Fatalf("got %d events, %v; want the two that were recorded under a grant", len(p.Events), err)
	}
	for i := range p.Events { // what the new grant gives is less, for what is old too
		if s := string(p.Events[i].AppendCloudEvent(nil)); strings.Contains(s, `"value":"A"`) || strings.Contains(s, "ear-tag:A") {
			t.Errorf("an animal is named: %s", s)
		}
	}
	if err := w.desk().Pause(w.ctx(), "pull", "a person"); err != nil {
		t.Fatal(err)
	}
	if _, err := w.desk().Fetch(w.ctx(), "pull", events.Place{Position: 1}, 10); !errors.Is(err, ErrPaused) || !strings.Contains(err.Error(), "a person") {
		t.Errorf("paused: got %v", err)
	}
}

func TestDesk_FetchGivesNothingFromBeforeTheFeedBegan(t *testing.T) {
	w := newPullWorld(t, "begin: now")
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	w.once()
	d := w.desk()
	if got, _ := w.fetchAll(d, events.Place{Position: 1}, 10); !slices.Equal(got, []string{"r2/x 1 recorded"}) {
		t.Errorf("got %v", got)
	}
	if _, err := d.Fetch(w.ctx(), "pull", events.Place{Position: 4}, 10); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("behind the end: got %v", err)
	}
	if _, err := d.Fetch(w.ctx(), "none", events.Place{Position: 1}, 10); !errors.Is(err, events.ErrNotFound) {
		t.Errorf("no such feed: got %v", err)
	}
}
