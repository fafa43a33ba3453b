package delivery

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

var long = flag.Bool("long", false, "run the long forms")

// An oracle knows what a recipient should have: it looks at codes and revisions
// only, and never at a rule of the feed.
type oracle struct {
	revisions map[string][]revision // by name, oldest first
	codes     []map[string]bool     // what the feed carries, by log position
	matched   map[string]bool       // name and animal of which a revision was carried by some rule
}

// judge notes what the rules of today match.
func (o *oracle) judge() {
	for name, list := range o.revisions {
		for _, x := range list {
			if x.code != "" && o.codes[x.at-1][x.code] {
				o.matched[name+" of "+x.animal] = true
			}
		}
	}
}

type revision struct {
	at     events.Position
	code   string // "" if retracted
	animal string
}

func (o *oracle) wanted() map[string]string {
	out := map[string]string{}
	for name, list := range o.revisions {
		last := list[len(list)-1]
		if last.code != "" && o.codes[last.at-1][last.code] {
			out[name] = last.code + " of " + last.animal
		}
	}
	return out
}

// applied is what two recipients have that take every file in the order it came:
// one that goes by the entity, and one that goes by the animal too, as a herd
// system does. A delete of what never matched must not be.
func (w *world) applied(t *rapid.T, o *oracle) (byEntity, byAnimal map[string]string) {
	names := map[events.Entity]string{}
	for n, e := range w.ids {
		names[e] = n
	}
	byEntity, byAnimal = map[string]string{}, map[string]string{}
	for _, e := range w.sent() {
		name, animal := names[e.Entity], strings.TrimPrefix(e.Subject, "ear-tag:")
		if e.Change == "retracted" {
			if !o.matched[name+" of "+animal] {
				t.Errorf("%s of %s is deleted and never matched", name, animal)
			}
			delete(byEntity, name)
			delete(byAnimal, name+" of "+animal)
			continue
		}
		_, code, _ := strings.Cut(string(e.Data), `"code":"`)
		code, _, _ = strings.Cut(code, `"`)
		byEntity[name] = code + " of " + animal
		byAnimal[name+" of "+animal] = code
	}
	return byEntity, byAnimal
}

var (
	codesOf = []string{"SU", "DD", "WL", "TS"}
	filters = [][]string{{"SU", "DD", "WL", "TS"}, {"SU"}, {"SU", "DD"}, {"DD", "WL"}, {"TS"}}
	animals = []string{"A", "B", "C", "D", "E"}
)

func filtered(codes []string, rows int) string {
	return vet(fmt.Sprintf("where: {lesion: {code: [%s]}}\nknown-animals: wait\nbatch: {rows: %d}", strings.Join(codes, ", "), rows))
}

// Whatever is recorded, corrected and taken back, refused and replayed, whatever
// animal becomes known when, with crashes at any beat, changed filters and
// rewinds: in the end the recipient has the filter over the newest revisions.
func TestFeed_RecipientHasTheFilterOverTheNewestRevisions(t *testing.T) {
	if *long {
		if err := flag.Set("rapid.checks", "3000"); err != nil {
			t.Fatal(err)
		}
	}
	rapid.Check(t, func(r *rapid.T) {
		w := newWorld(t, filtered(filters[0], 3))
		w.clock = w.clock.Add(0)
		now := filters[0]
		o := &oracle{revisions: map[string][]revision{}, matched: map[string]bool{}}
		known := &roster{known: map[string]bool{}}
		w.o.Known = known
		picky := &pickySink{bad: map[string]string{}}
		w.o.Sink = func(_ context.Context, f *config.Feed) (adapters.Sink, error) {
			s, err := folder.OpenSink(folder.SinkOptions{Dir: f.Folder, IDs: true})
			picky.next = &postman{w, &quickSink{w: w, next: s}}
			return picky, err
		}
		plain := w.o
		deliver := func(crash int) {
			w.o = plain
			w.o.Config = w.cfg
			if crash > 0 {
				w.fragile(&guillotine{at: crash})
			}
			if err := w.desk().Once(w.ctx()); err != nil && !errors.Is(err, errCrash) {
				r.Fatal(err)
			}
			w.o = plain
			w.o.Config = w.cfg
		}
		settle := func() {
			clear(picky.bad)
			for _, a := range animals {
				known.known["larkfield|"+a] = true
			}
			deliver(0)
			d := w.desk()
			if _, err := d.Replay(w.ctx(), "vet", "", ""); err != nil && !errors.Is(err, events.ErrNotFound) {
				r.Fatal(err)
			}
			deliver(0)
			if s := w.show(w.desk()); s.Parked+s.Waiting+s.Behind != 0 {
				r.Fatalf("something stays behind: %+v", s)
			}
		}
		said := 0
		for range rapid.IntRange(1, 25).Draw(r, "steps") {
			switch rapid.IntRange(0, 9).Draw(r, "do") {
			case 0, 1, 2, 3: // an entry
				for range rapid.IntRange(1, 5).Draw(r, "events") {
					animal := rapid.SampledFrom(animals).Draw(r, "animal")
					of := animal
					if rapid.IntRange(0, 3).Draw(r, "moved") == 0 {
						of = rapid.SampledFrom(animals).Draw(r, "first of")
					}
					name := fmt.Sprintf("%s%d/x", of, rapid.IntRange(0, 3).Draw(r, "fact"))
					if slices.ContainsFunc(w.pending, func(d draft) bool { return d.name == name }) {
						continue
					}
					list := o.revisions[name]
					at, _ := w.log.Last()
					if n := len(list); n > 0 && list[n-1].code != "" && rapid.Bool().Draw(r, "retract") {
						w.unsay(list[n-1].animal, name, lesion(list[n-1].code))
						o.revisions[name] = append(list, revision{at: at + 1})
						continue
					}
					code := rapid.SampledFrom(codesOf).Draw(r, "code")
					w.say(animal, name, lesion(code))
					o.revisions[name] = append(list, revision{at: at + 1, code: code, animal: animal})
				}
				if len(w.pending) > 0 {
					w.commit()
					carries := map[string]bool{}
					for _, c := range now {
						carries[c] = true
					}
					o.codes = append(o.codes, carries)
					o.judge()
					said++
				}
			case 4, 5:
				deliver(0)
			case 6:
				deliver(rapid.IntRange(1, 40).Draw(r, "crash"))
			case 7:
				known.known["larkfield|"+rapid.SampledFrom(animals).Draw(r, "known")] = true
			case 8:
				if rapid.Bool().Draw(r, "refuse") && len(w.ids) > 0 {
					n := rapid.SampledFrom(sortedNames(w)).Draw(r, "refused")
					picky.bad[events.EventID(w.ids[n], rapid.IntRange(1, 2).Draw(r, "revision"))] = "refused"
				} else {
					clear(picky.bad)
				}
			case 9:
				settle() // what stays behind is judged by the rule of the day it goes
				if rapid.Bool().Draw(r, "rewind") && said > 0 {
					to := rapid.IntRange(1, said).Draw(r, "to")
					now = rapid.SampledFrom(filters).Draw(r, "filter")
					w.configure(filtered(now, rapid.IntRange(1, 4).Draw(r, "rows")))
					plain.Config = w.cfg
					if err := w.desk().Rewind(w.ctx(), "vet", events.Position(to)); err != nil {
						r.Fatal(err)
					}
					for i := to - 1; i < said; i++ {
						o.codes[i] = map[string]bool{}
						for _, c := range now {
							o.codes[i][c] = true
						}
					}
					o.judge()
				} else {
					now = rapid.SampledFrom(filters).Draw(r, "filter")
					w.configure(filtered(now, rapid.IntRange(1, 4).Draw(r, "rows")))
					plain.Config = w.cfg
				}
			}
		}
		settle()
		got, rows := w.applied(r, o)
		want := o.wanted()
		if fmt.Sprint(got) != fmt.Sprint(want) {
			r.Errorf("the recipient has %v, want %v\nsent:\n%s", got, want, strings.Join(w.told(), "\n"))
		}
		wantRows := map[string]string{}
		for name, x := range want {
			code, animal, _ := strings.Cut(x, " of ")
			wantRows[name+" of "+animal] = code
		}
		if fmt.Sprint(rows) != fmt.Sprint(wantRows) {
			r.Errorf("a recipient that goes by the animal has %v, want %v\nsent:\n%s", rows, wantRows, strings.Join(w.told(), "\n"))
		}
	})
}

func sortedNames(w *world) []string {
	var out []string
	for n := range w.ids {
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

// quickSink keeps bodies in memory: thousands of runs need no fsync.
type quickSink struct {
	w    *world
	next adapters.Sink
}

func (q *quickSink) Send(_ context.Context, b *adapters.Batch) error {
	q.w.mu.Lock()
	defer q.w.mu.Unlock()
	if q.w.bodies == nil {
		q.w.bodies = map[string]string{}
	}
	if old, ok := q.w.bodies[b.Name]; ok && old != string(b.Body) {
		return fmt.Errorf("%s has other bytes: %w", b.Name, events.ErrInvalid)
	}
	q.w.bodies[b.Name] = string(b.Body)
	return nil
}

func (q *quickSink) Close() error { return q.next.Close() }
