package delivery

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// plainWriter writes lesions, but none of digital dermatitis, and refuses toe
// ulcers.
type plainWriter struct{ settings string }

var plainWriters = map[config.Format]WriterMaker{config.ADE: {
	Settings: func(_ *config.Config, f *config.Feed) string { return f.ADE.Source },
	New:      func(s string) (Writer, error) { return plainWriter{s}, nil },
}}

func (plainWriter) Kinds() []events.Kind { return []events.Kind{events.KindLesion, events.KindAnimal} }

func (plainWriter) Carries(_ events.Kind, p events.Payload) bool {
	l, ok := p.(*events.Lesion)
	return ok && l.Code != "DD"
}

func (w plainWriter) Append(b []byte, e *events.Event, p events.Payload) ([]byte, error) {
	code := p.(*events.Lesion).Code
	if code == "TU" {
		return b, &events.Fault{Kind: events.ErrInvalid, What: "code", Wanted: "no TU", Got: code}
	}
	return fmt.Appendf(b, `{"id":%q,"revision":%d,"code":%q,"gone":%v,"by":%q}`, e.Entity, e.Revision, code, e.Change == events.Retracted, w.settings), nil
}

const adeFeed = "format: ade\nade: {source: org.example.first}\n"

func adeVet(more string) string {
	return strings.ReplaceAll(vet(adeFeed+more), "[lesion, examination, treatment, animal]", "[lesion, animal]")
}

// written tells what all files say, in order: "name revision code", with a minus
// for what is gone.
func (w *world) written() (out []string) {
	w.t.Helper()
	names := map[events.Entity]string{}
	for n, e := range w.ids {
		names[e] = n
	}
	for _, name := range w.order {
		if !strings.HasSuffix(name, ".json") || strings.HasSuffix(name, ".manifest.json") {
			continue
		}
		var file struct {
			Member []struct {
				ID       events.Entity
				Revision int
				Code     string
				Gone     bool
				By       string
			}
		}
		if err := json.Unmarshal([]byte(w.read(name)), &file); err != nil {
			w.t.Fatalf("%v: %s", err, w.read(name))
		}
		for _, m := range file.Member {
			sign := map[bool]string{true: "-", false: "+"}[m.Gone]
			out = append(out, fmt.Sprintf("%s%s %d %s %s", sign, names[m.ID], m.Revision, m.Code, strings.TrimPrefix(m.By, "org.example.")))
		}
	}
	return out
}

// What a writer does not carry is judged like what the feed does not want: its
// corrections become deletes, in their order.
func TestFeed_WhatAWriterDoesNotCarryIsTakenBack(t *testing.T) {
	w := newWorld(t, adeVet(""))
	say := func(name, code string) { w.say("A", name, lesion(code)) }
	say("a/x", "SU")
	say("b/x", "DD")
	say("c/x", "WL")
	w.commit()
	say("a/x", "DD") // sent, no longer carried
	say("b/x", "DD") // never carried
	w.unsay("A", "c/x", lesion("WL"))
	w.commit()
	say("a/x", "SU") // carried again
	say("b/x", "SH") // for the first time
	w.unsay("A", "d/x", lesion("DD"))
	w.commit()
	w.once()
	want := []string{
		"+a/x 1 SU first", "+c/x 1 WL first", "-a/x 2 SU first", "-c/x 2 WL first", "+a/x 3 SU first", "+b/x 3 SH first",
	}
	if got := w.written(); !slices.Equal(got, want) {
		t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

// What a writer refuses is parked, and with it what follows of its animal.
func TestFeed_WhatAWriterRefusesIsParked(t *testing.T) {
	w := newWorld(t, adeVet(""))
	w.say("A", "a/x", lesion("TU"))
	w.say("A", "b/x", lesion("SU"))
	w.say("B", "c/x", lesion("SU"))
	w.commit()
	d := w.desk()
	if err := d.Once(w.ctx()); err != nil {
		t.Fatal(err)
	}
	if got := w.written(); !slices.Equal(got, []string{"+c/x 1 SU first"}) {
		t.Errorf("got %v", got)
	}
	if s := w.show(d); s.Parked != 2 {
		t.Errorf("%d events are parked, want 2: %+v", s.Parked, s)
	}
}

// A batch that was planned is made again by the settings it was planned with.
func TestFeed_APlannedBatchKeepsTheSettingsOfItsWriter(t *testing.T) {
	w := newWorld(t, adeVet(""))
	w.say("A", "a/x", lesion("SU"))
	w.commit()
	sink := w.o.Sink
	w.o.Sink = func(ctx context.Context, f *config.Feed) (adapters.Sink, error) { return nil, errCrash }
	if err := w.desk().Once(w.ctx()); err == nil {
		t.Fatal("the crash did not happen")
	}
	w.o.Sink = sink
	w.configure(strings.Replace(adeVet(""), "first", "second", 1))
	w.say("A", "b/x", lesion("SU"))
	w.commit()
	w.once()
	if got, want := w.written(), []string{"+a/x 1 SU first", "+b/x 1 SU second"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}

// A kind the writer has no form for is a mistake in the config.
func TestNew_RefusesAKindTheWriterHasNoFormFor(t *testing.T) {
	w := newWorld(t, vet(adeFeed))
	if _, err := New(w.o); err == nil || !strings.Contains(err.Error(), "examination") {
		t.Errorf("got %v", err)
	}
}

// In ADE a resource replaces the one with its id as a whole (adewg/ICAR,
// docs/generic-data-exchange-api.md), so another animal needs no delete.
func TestFeed_AnotherAnimalReplacesTheResourceOfAWriter(t *testing.T) {
	w := newWorld(t, adeVet(""))
	for _, animal := range []string{"A", "B"} {
		w.say(animal, "r/x", lesion("SU"))
		w.commit()
	}
	w.say("C", "r/x", lesion("DD"))
	w.commit()
	w.once()
	if got, want := w.written(), []string{"+r/x 1 SU first", "+r/x 2 SU first", "-r/x 3 SU first"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
