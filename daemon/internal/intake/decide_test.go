package intake

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// dig is the digest of a content that is a word.
func dig(s string) events.Digest {
	var d events.Digest
	copy(d[:], s)
	return d
}

// draft makes a draft: slot "a" with content "x" is "a=x"; "!" guards it.
func draft(s string) adapters.Draft {
	slot, content, _ := strings.Cut(strings.TrimSuffix(s, "!"), "=")
	return adapters.Draft{
		Kind: events.KindLesion, Entity: events.RecordID{1}.Entity(events.Slot{slot[0]}), Digest: dig(content), Guarded: strings.HasSuffix(s, "!"),
	}
}

// known makes what is known of a slot: "a=x,y" last said x and before that y.
// State letters behind a slash: g gone, w withdrawn, d decided, p waits for a
// person, k kept, h from a held record; without g or w it is live.
func known(slots ...string) *index.Record {
	r := &index.Record{ID: events.RecordID{1}, Known: len(slots) > 0}
	for i, s := range slots {
		s, states, _ := strings.Cut(s, "/")
		slot, contents, _ := strings.Cut(s, "=")
		list := strings.Split(contents, ",")
		k := index.Slot{
			Slot: events.Slot{slot[0]}, Kind: events.KindLesion, Revision: len(list), Said: dig(list[0]),
			Place: events.Place{Position: 7, Index: i},
		}
		for _, o := range list[1:] {
			k.Older = append(k.Older, index.Short(dig(o)))
		}
		if !strings.ContainsAny(states, "gw") {
			k.State |= index.Live
		}
		for letter, state := range map[string]index.State{
			"g": index.Gone, "w": index.Withdrawn, "d": index.Decided, "p": index.Waits, "k": index.Kept, "h": index.FromHeld,
		} {
			if strings.Contains(states, letter) {
				k.State |= state
			}
		}
		r.Slots = append(r.Slots, k)
	}
	return r
}

// says writes a ruling: outcome, then each revision as slot number change.
func says(r *ruling, rec *adapters.Record, k *index.Record) string {
	slotName := func(e events.Entity) string {
		_, s, err := e.Split()
		if err != nil {
			panic(err)
		}
		return string(s[:1])
	}
	out := []string{[]string{"duplicate", "accepted", "amended", "waits"}[r.outcome]}
	for _, s := range r.steps {
		name := ""
		if s.draft >= 0 {
			name = slotName(rec.Drafts[s.draft].Entity)
		} else {
			name = string(k.Slots[s.slot].Slot[:1])
		}
		out = append(out, fmt.Sprintf("%s%d %s", name, s.number, s.change))
	}
	for _, i := range r.guarded {
		out = append(out, string(k.Slots[i].Slot[:1])+" asks")
	}
	for _, i := range r.unsure {
		out = append(out, slotName(rec.Drafts[i].Entity)+" asks")
	}
	for _, i := range r.back {
		out = append(out, string(k.Slots[i].Slot[:1])+" back")
	}
	return strings.Join(out, ", ")
}

// Every row is a rule of identity; the rules are those of the package comment.
func TestDecide(t *testing.T) {
	whole := true
	tests := []struct {
		name   string
		drafts string
		known  []string
		whole  bool
		s      situation
		guard  string // slots whose retraction needs a person
		want   string
	}{
		{"unknown record", "a=x b=y", nil, false, situation{}, "", "accepted, a1 recorded, b1 recorded"},
		{"the same again", "a=x b=y", []string{"a=x", "b=y"}, false, situation{}, "", "duplicate"},
		{"one event more", "a=x b=y", []string{"a=x"}, false, situation{}, "", "accepted, b1 recorded"},
		{"other content", "a=z", []string{"a=x"}, false, situation{}, "", "amended, a2 amended"},
		{"amended counts before recorded", "a=z b=y", []string{"a=x"}, false, situation{}, "", "amended, a2 amended, b1 recorded"},
		{"older content waits", "a=x", []string{"a=y,x"}, false, situation{}, "", "waits"},
		{"what is new beside it goes in", "a=x b=n", []string{"a=y,x"}, false, situation{}, "", "waits, b1 recorded"},
		{"older content at the end", "a=x", []string{"a=y,x"}, false, situation{ended: true}, "", "amended, a3 amended"},
		{"older content in a later row of the original", "a=x", []string{"a=y,x"}, false, situation{continues: true}, "", "waits"},

		{"a person changed it, the source says the same", "a=x", []string{"a=x/d"}, false, situation{}, "", "duplicate"},
		{"a person changed it, the source says something new", "a=z", []string{"a=x/d"}, false, situation{}, "", "amended, a2 amended"},
		{"a person withdrew it, the source says the same", "a=x", []string{"a=x/wd"}, false, situation{}, "", "duplicate"},
		{"a person withdrew it, the source says something new", "a=z", []string{"a=x/wd"}, false, situation{}, "", "accepted, a2 recorded"},

		{"what vanished comes back", "a=x", []string{"a=x/g"}, false, situation{}, "", "waits"},
		{"what vanished comes back, at the end", "a=x", []string{"a=x/g"}, false, situation{ended: true}, "", "accepted, a2 recorded"},
		{"what vanished comes back otherwise", "a=z", []string{"a=x/g"}, false, situation{}, "", "accepted, a2 recorded"},

		{"a group lacks nothing", "a=x", []string{"a=x", "b=y"}, false, situation{}, "", "duplicate"},
		{"a whole record that lacks an event waits", "a=x", []string{"a=x", "b=y"}, whole, situation{}, "", "waits"},
		{"and is retracted at the end", "a=x", []string{"a=x", "b=y"}, whole, situation{ended: true}, "", "duplicate, b2 retracted"},
		{"what else is new goes in at once", "a=z", []string{"a=x", "b=y"}, whole, situation{}, "", "waits, a2 amended"},
		{"or with it at the end", "a=z", []string{"a=x", "b=y"}, whole, situation{ended: true}, "", "amended, a2 amended, b2 retracted"},
		{"a guarded one asks a person", "a=x", []string{"a=x", "b=y"}, whole, situation{ended: true}, "b", "duplicate, b asks"},
		{"a further row never retracts", "a=x", []string{"a=x", "b=y"}, whole, situation{continues: true}, "", "duplicate"},
		{"what vanished is not lacking", "a=x", []string{"a=x", "b=y/g"}, whole, situation{}, "", "duplicate"},
		{"what a person withdrew is not lacking", "a=x", []string{"a=x", "b=y/wd"}, whole, situation{}, "", "duplicate"},
		{"what a person asked to keep is not lacking", "a=x", []string{"a=x", "b=y/k"}, whole, situation{}, "", "duplicate"},
		{"what came with a held row is not lacking", "a=x", []string{"a=x", "b=y/h"}, whole, situation{}, "", "duplicate"},
		{"what waits already is not asked again", "a=x", []string{"a=x", "b=y/p"}, whole, situation{}, "", "duplicate"},
		{"what waits comes back", "a=x b=y", []string{"a=x", "b=y/p"}, whole, situation{}, "", "duplicate, b back"},
		{"what waits comes back otherwise", "a=x b=z", []string{"a=x", "b=y/p"}, whole, situation{}, "", "amended, b2 amended"},

		{"older export, unknown", "a=x", nil, false, situation{older: true}, "", "accepted, a1 recorded"},
		{"older export, known", "a=z", []string{"a=x"}, false, situation{older: true}, "", "duplicate"},
		{"older export revives nothing", "a=z", []string{"a=x/g"}, false, situation{older: true}, "", "duplicate"},
		{"older export retracts nothing", "a=x", []string{"a=x", "b=y"}, whole, situation{older: true}, "", "duplicate"},
		{"older export gives nothing back", "a=x", []string{"a=x/p"}, false, situation{older: true}, "", "duplicate"},
		{"older export, one event unknown", "a=z b=n", []string{"a=x"}, false, situation{older: true}, "", "accepted, b1 recorded"},
		{"older export, overruled", "a=x", nil, false, situation{older: true, overruled: true}, "", "accepted, a1 recorded, a2 retracted"},
		{"older export, overruled and guarded", "a=x b=y!", nil, false, situation{older: true, overruled: true}, "", "accepted, a1 recorded, a2 retracted, b1 recorded, b asks"},
		{"older export goes on with what it recorded", "a=z", []string{"a=x"}, false, situation{older: true, continues: true}, "", "amended, a2 amended"},
		{"older export does not go on with what was overruled", "a=z", []string{"a=x/g"}, false, situation{older: true, continues: true}, "", "duplicate"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			rec := &adapters.Record{ID: events.RecordID{1}, Whole: tt.whole}
			for _, d := range strings.Fields(tt.drafts) {
				rec.Drafts = append(rec.Drafts, draft(d))
			}
			k := known(tt.known...)
			var r ruling
			err := decide(&r, rec, k, tt.s, func(slot int) (bool, error) {
				return strings.Contains(tt.guard, string(k.Slots[slot].Slot[:1])), nil
			})
			if err != nil {
				t.Fatal(err)
			}
			if got := says(&r, rec, k); got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
			for _, s := range r.steps {
				if s.slot >= 0 && s.before != k.Slots[s.slot].Place {
					t.Errorf("revision %d of slot %d: before is %v, want %v", s.number, s.slot, s.before, k.Slots[s.slot].Place)
				}
			}
		})
	}
}

func TestDecide_PassesOnWhyItCannotTell(t *testing.T) {
	rec := &adapters.Record{ID: events.RecordID{1}, Whole: true, Drafts: []adapters.Draft{draft("a=x")}}
	why := errors.New("log is away")
	var r ruling
	err := decide(&r, rec, known("a=x", "b=y"), situation{ended: true}, func(int) (bool, error) { return false, why })
	if !errors.Is(err, why) {
		t.Errorf("got %v, want %v", err, why)
	}
}

// A ruling is reused: what the last record left must not show.
func TestDecide_ForgetsTheRecordBefore(t *testing.T) {
	var r ruling
	rec := &adapters.Record{ID: events.RecordID{1}, Whole: true, Drafts: []adapters.Draft{draft("a=z"), draft("c=y")}}
	guard := func(int) (bool, error) { return true, nil }
	if err := decide(&r, rec, known("a=x", "b=y", "c=y/p"), situation{ended: true}, guard); err != nil {
		t.Fatal(err)
	}
	if len(r.guarded) != 1 || len(r.back) != 1 || len(r.steps) != 1 {
		t.Fatalf("got %+v, want one of each", r)
	}
	again := &adapters.Record{ID: events.RecordID{1}, Drafts: []adapters.Draft{draft("a=x")}}
	if err := decide(&r, again, known("a=x"), situation{}, guard); err != nil {
		t.Fatal(err)
	}
	if r.outcome != duplicate || len(r.guarded)+len(r.back)+len(r.steps)+len(r.unsure) != 0 || !slices.Equal(r.slots, []int{0}) {
		t.Errorf("got %+v, want nothing left", r)
	}
}
