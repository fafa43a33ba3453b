package delivery

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/folder"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

func TestFeed_SendsEachEventOnceInOrder(t *testing.T) {
	w := newWorld(t, vet(""))
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("DD"))
	w.commit()
	w.say("A", "r3/x", lesion("WL"))
	w.commit()
	w.once()
	w.want("r1/x 1 recorded", "r2/x 1 recorded", "r3/x 1 recorded")
	w.once()
	w.want("r1/x 1 recorded", "r2/x 1 recorded", "r3/x 1 recorded")
	w.say("A", "r1/x", lesion("SH"))
	w.commit()
	w.once()
	w.want("r1/x 1 recorded", "r2/x 1 recorded", "r3/x 1 recorded", "r1/x 2 amended")
	names := w.files()
	if want := []string{"vet-g1-000000000001.0000-000000000002.0000.ndjson", "vet-g1-000000000003.0000-000000000003.0000.ndjson"}; !slices.Equal(names, want) {
		t.Errorf("got files %v, want %v", names, want)
	}
	m, err := folder.ReadManifest([]byte(w.read(names[0] + folder.ManifestSuffix)))
	if err != nil {
		t.Fatal(err)
	}
	if m.Rows != 3 || m.First != (events.Place{Position: 1}) || m.Last != (events.Place{Position: 2}) || m.Feed != "vet" || m.Recipient != "vet" ||
		m.Grant != "larkfield: care, identities, from 2026-01-01" || !slices.Equal(m.Schemas, []string{events.KindLesion.DataSchema()}) {
		t.Errorf("manifest says %+v", m)
	}
	if !strings.Contains(w.read(names[0]), `"origin":{"archive":"ab12"`) && !strings.Contains(w.read(names[0]), `"specversion":"1.0"`) {
		t.Error("the envelope is not whole")
	}
}

// The corrections matrix (DESIGN "Feeds"): what each pair of revisions makes.
func TestFeed_JudgesBothRevisions(t *testing.T) {
	const only = "where: {lesion: {code: [SU]}}"
	tests := []struct {
		name string
		do   func(w *world)
		want []string
	}{
		{"match, then match", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			l := lesion("SU")
			l.Claw = "inner"
			w.say("A", "r/x", l)
			w.commit()
		}, []string{"r/x 1 recorded", "r/x 2 amended"}},
		{"match, then no match: delete", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.say("A", "r/x", lesion("DD"))
			w.commit()
		}, []string{"r/x 1 recorded", "r/x 2 retracted"}},
		{"no match, then match: upsert", func(w *world) {
			w.say("A", "r/x", lesion("DD"))
			w.commit()
			w.say("A", "r/x", lesion("SU"))
			w.commit()
		}, []string{"r/x 2 amended"}},
		{"never matched: nothing, and no delete", func(w *world) {
			w.say("A", "r/x", lesion("DD"))
			w.commit()
			w.say("A", "r/x", lesion("WL"))
			w.commit()
			w.unsay("A", "r/x", lesion("WL"))
			w.commit()
		}, nil},
		{"match, then taken back", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.unsay("A", "r/x", lesion("SU"))
			w.commit()
		}, []string{"r/x 1 recorded", "r/x 2 retracted"}},
		{"taken back, then back again", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.unsay("A", "r/x", lesion("SU"))
			w.commit()
			w.say("A", "r/x", lesion("SU"))
			w.commit()
		}, []string{"r/x 1 recorded", "r/x 2 retracted", "r/x 3 recorded"}},
		{"match, no match, taken back: one delete", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.say("A", "r/x", lesion("DD"))
			w.commit()
			w.unsay("A", "r/x", lesion("DD"))
			w.commit()
		}, []string{"r/x 1 recorded", "r/x 2 retracted"}},
		{"recorded and taken back in one entry", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commitRetracted("A", "r/x", lesion("SU"))
		}, []string{"r/x 1 recorded", "r/x 2 retracted"}},
		{"a kind it does not carry", func(w *world) {
			w.say("A", "r/x", &events.Locomotion{Scale: "mob4-uk", Score: events.DecimalOf(2, 0)})
			w.commit()
		}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, each := range []bool{false, true} {
				w := newWorld(t, vet(only))
				if each { // delivered after each entry, by a new process
					n := 0
					w.o.Beat = func(string) { n++ }
					log := w.log
					w.log = newMemory()
					w.o.Log = w.log
					tt.do(w)
					all := w.log.entries
					w.log.entries = nil
					for _, e := range all {
						w.log.append(e)
						w.once()
					}
					_ = log
				} else {
					tt.do(w)
					w.once()
				}
				w.want(tt.want...)
			}
		})
	}
}

// commitRetracted commits what was said and its retraction in one entry.
func (w *world) commitRetracted(animal, name string, p events.Payload) {
	w.unsay(animal, name, p)
	last, _ := w.log.Last()
	first := w.pending[len(w.pending)-2].entity
	w.newest[first] = nil
	delete(w.newest, first)
	// the second revision finds the first in the same entry
	two := w.pending
	w.pending = two[:1]
	var enc events.Encoder
	data, _ := enc.Append(nil, p)
	open := events.AppendOpen(nil, events.Envelope{Kind: p.Kind(), Entity: first, Subject: two[0].subject}, data)
	e := &events.Entry{Cause: events.CauseChunk, Source: "chute", Time: events.FormatTime(w.clock), Defaults: events.Defaults{Farm: "larkfield"}}
	e.Events = append(e.Events,
		events.AppendRevision(nil, open, events.Revision{Number: 1, Change: events.Recorded}),
		events.AppendRevision(nil, open, events.Revision{Number: 2, Change: events.Retracted, Before: &events.Place{Position: last + 1, Index: 0}}))
	w.pending = nil
	w.log.append(e)
}

func TestFeed_DeleteTellsWhatTheRecipientHas(t *testing.T) {
	w := newWorld(t, vet("where: {lesion: {code: [SU]}}"))
	w.say("A", "r/x", lesion("SU"))
	w.commit()
	secret := lesion("DD")
	secret.Description = "not for this feed"
	w.say("A", "r/x", secret)
	w.commit()
	w.once()
	sent := w.sent()
	if len(sent) != 2 || !strings.Contains(string(sent[1].Data), `"code":"SU"`) || strings.Contains(string(sent[1].Data), "not for this feed") {
		t.Errorf("got %s", sent[len(sent)-1].Data)
	}
}

func TestFeed_TellsDeletesInAReport(t *testing.T) {
	w := newWorld(t, vet("deletes: report"))
	w.say("A", "r/x", lesion("SU"))
	w.commit()
	w.once()
	w.unsay("A", "r/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r/x 1 recorded")
	names := w.files()
	if len(names) != 2 || !strings.HasSuffix(names[1], "-deletes.txt") {
		t.Fatalf("got %v", names)
	}
	if got := w.read(names[1]); !strings.Contains(got, "lesion of 2026-03-04, ear-tag:A, farm larkfield, revision 1: taken back") {
		t.Errorf("report says\n%s", got)
	}
}

func TestFeed_WritesAnArray(t *testing.T) {
	w := newWorld(t, vet("format: cloudevents-array"))
	w.say("A", "r1/x", lesion("SU"))
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	w.once()
	var list []sentEvent
	if err := json.Unmarshal([]byte(w.read(w.files()[0])), &list); err != nil || len(list) != 2 {
		t.Errorf("got %d events, %v", len(list), err)
	}
	if !strings.HasSuffix(w.files()[0], ".json") {
		t.Errorf("got %v", w.files())
	}
}

func TestFeed_ClosesABatchAtItsLimits(t *testing.T) {
	w := newWorld(t, vet("batch: {rows: 2}"))
	for i := range 5 {
		w.say("A", fmt.Sprintf("r%d/x", i), lesion("SU"))
	}
	w.commit()
	w.once()
	want := []string{
		"vet-g1-000000000001.0000-000000000001.0001.ndjson", "vet-g1-000000000001.0002-000000000001.0003.ndjson",
		"vet-g1-000000000001.0004-000000000001.0004.ndjson",
	}
	if got := w.files(); !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	w.want("r0/x 1 recorded", "r1/x 1 recorded", "r2/x 1 recorded", "r3/x 1 recorded", "r4/x 1 recorded")
}

// A batch waits for more until its first event is old enough; a limit or a
// flush ends the wait.
func TestFeed_WaitsForABatchToFill(t *testing.T) {
	w := newWorld(t, vet("every: 15m\nbatch: {rows: 3}"))
	d := w.desk()
	f := d.feeds[0]
	step := func() pass { return f.round(w.ctx(), false) }
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	if p := step(); p.err != nil || !p.idle || p.wait != 15*time.Minute {
		t.Fatalf("got %+v", p)
	}
	w.clock = w.clock.Add(10 * time.Minute)
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	if p := step(); !p.idle || p.wait != 5*time.Minute || len(w.files()) != 0 {
		t.Fatalf("got %+v, files %v", p, w.files())
	}
	w.clock = w.clock.Add(5 * time.Minute)
	for p := step(); !p.idle; p = step() {
	}
	w.want("r1/x 1 recorded", "r2/x 1 recorded")
	for i := range 3 {
		w.say("A", fmt.Sprintf("s%d/x", i), lesion("SU"))
	}
	w.commit()
	for p := step(); !p.idle; p = step() {
	}
	if len(w.files()) != 2 {
		t.Errorf("a full batch waits: %v", w.files())
	}
	f.shut()
}

func TestFeed_BeginsNowIfAsked(t *testing.T) {
	w := newWorld(t, vet("begin: now"))
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.want()
	w.unsay("A", "r1/x", lesion("SU")) // from before the feed: the recipient never had it
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r2/x 1 recorded")
}

func TestFeed_ChangedFilterHoldsFromTheNextPosition(t *testing.T) {
	w := newWorld(t, vet("where: {lesion: {code: [SU]}}"))
	w.say("A", "r1/x", lesion("SU"))
	w.say("A", "r2/x", lesion("DD"))
	w.commit()
	w.once()
	w.configure(vet("where: {lesion: {code: [DD]}}"))
	w.say("A", "r3/x", lesion("DD"))
	w.say("A", "r1/x", lesion("WL")) // went out under the old filter
	w.say("A", "r2/x", lesion("SU")) // did not
	w.commit()
	w.once()
	w.want("r1/x 1 recorded", "r3/x 1 recorded", "r1/x 2 retracted")
}

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

// Nothing leaves without a grant in force on the day of delivery, and what was
// recorded meanwhile only if somebody asks for it.
func TestFeed_PausesWithoutAGrant(t *testing.T) {
	until := strings.Replace(vet(""), "from: 2026-01-01", "from: 2026-01-01, until: 2026-04-30", 1)
	w := newWorld(t, until)
	day := func(s string) {
		at, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		w.clock = at.Add(10 * time.Hour)
	}
	day("2026-04-30")
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r1/x 1 recorded")
	day("2026-05-01")
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	w.once()
	d := w.desk()
	if s := w.show(d); s.State != "no grant" || !strings.Contains(s.Why, "no grant of farm larkfield lets recipient vet have lesion") {
		t.Errorf("got %+v", s)
	}
	w.want("r1/x 1 recorded")
	day("2026-05-05")
	w.configure(strings.Replace(until, "until: 2026-04-30", "until: 2026-12-31", 1))
	w.once() // renewed
	w.say("A", "r3/x", lesion("SU"))
	w.say("A", "r2/x", lesion("SH")) // the recipient has never had it: an upsert
	w.unsay("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r1/x 1 recorded", "r3/x 1 recorded", "r2/x 2 amended", "r1/x 2 retracted")
	if s := w.show(w.desk()); s.Skipped != 1 {
		t.Errorf("got %+v", s)
	}
	if err := w.desk().Resume(w.ctx(), "vet", true); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r1/x 1 recorded", "r3/x 1 recorded", "r2/x 2 amended", "r1/x 2 retracted",
		"r2/x 1 recorded", "r3/x 1 recorded", "r2/x 2 amended", "r1/x 2 retracted")
}

// A time without a grant counts although no daemon ran in it.
func TestFeed_KnowsAGapNobodySaw(t *testing.T) {
	w := newWorld(t, strings.Replace(vet(""), "from: 2026-01-01}", "from: 2026-01-01, until: 2026-04-10}\n"+
		"  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion, examination, treatment, animal], fields: identities, from: 2026-04-20}", 1))
	w.say("A", "r0/x", lesion("SU"))
	w.commit()
	w.once()
	for _, d := range []int{9, 15, 25} {
		w.clock = time.Date(2026, 4, d, 12, 0, 0, 0, time.UTC)
		w.say("A", fmt.Sprintf("r%d/x", d), lesion("SU"))
		w.commit()
	}
	w.once()
	w.want("r0/x 1 recorded", "r9/x 1 recorded", "r25/x 1 recorded")
}

func TestFeed_CarriesOnlyThePeriodOfTheGrant(t *testing.T) {
	w := newWorld(t, strings.Replace(vet(""), "fields:", "period: {from: 2026-03-01, to: 2026-03-31}, fields:", 1))
	for i, day := range []string{"2026-02-28", "2026-03-01", "2026-03-31", "2026-04-01"} {
		l := lesion("SU")
		l.Occurred = events.Occurred{Date: day, Precision: "date"}
		w.say("A", fmt.Sprintf("r%d/x", i), l)
	}
	w.commit()
	w.once()
	w.want("r1/x 1 recorded", "r2/x 1 recorded")
}

func TestFeed_SendsPseudonyms(t *testing.T) {
	w := newWorld(t, strings.Replace(vet(""), "fields: identities", "fields: pseudonyms", 1))
	full := func() *events.Lesion {
		l := lesion("SU")
		l.Remarks = []events.Remark{{Text: "cow 731 kicks"}}
		l.Words = events.Words{{Field: "code", Text: "Geschwür 731"}}
		l.Origin = events.Origin{Line: 4}
		l.Derived.Animal = []events.Identifier{{Scheme: "ear-tag", Value: "DE0941200731"}}
		return l
	}
	w.say("DE 09 412 00731", "r1/x", full())
	w.say("DE 09 412 00731", "r2/x", full())
	w.say("DE 09 412 00744", "r3/x", full())
	w.commit()
	w.unsay("DE 09 412 00731", "r1/x", full())
	w.commit()
	w.once()
	body := w.read(w.files()[0])
	for _, bad := range []string{"731", "744", "kicks", "origin", "ear-tag", string(w.entity("r1/x"))} {
		if strings.Contains(body, bad) {
			t.Errorf("%q leaves:\n%s", bad, body)
		}
	}
	sent := w.sent()
	if len(sent) != 4 {
		t.Fatalf("got %d events", len(sent))
	}
	if sent[0].Subject != sent[1].Subject || sent[0].Subject == sent[2].Subject || !strings.HasPrefix(sent[0].Subject, "pseudonym:") {
		t.Errorf("got subjects %q %q %q", sent[0].Subject, sent[1].Subject, sent[2].Subject)
	}
	if sent[3].Change != "retracted" || sent[3].Entity != sent[0].Entity {
		t.Error("the delete does not name what was sent")
	}
	if _, _, err := sent[0].Entity.Split(); err != nil {
		t.Errorf("the entity is not one: %v", err)
	}
}

// A refused event parks what follows of its animal until it is replayed; other
// animals are not held up.
func TestFeed_ParksTheAnimalOfARefusedEvent(t *testing.T) {
	w := newWorld(t, vet(""))
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("SU"))
	w.commit()
	picky.bad[string(w.entity("r1/x"))+".1"] = "no such animal"
	w.say("A", "r3/x", lesion("DD"))
	w.say("B", "r4/x", lesion("DD"))
	w.commit()
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	d := w.desk()
	s := w.show(d)
	if s.Parked != 2 || len(s.Animals) != 1 || s.Animals[0].Subject != "ear-tag:A" || !strings.Contains(s.Animals[0].Why, "no such animal") || s.Behind != 0 {
		t.Errorf("got %+v", s)
	}
	w.say("A", "r5/x", lesion("WL"))
	w.commit()
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	if n, err := d.Replay(w.ctx(), "vet", "ear-tag:B"); n != 0 || !errors.Is(err, events.ErrNotFound) {
		t.Errorf("got %d, %v", n, err)
	}
	// still refused: stays parked
	d = w.desk()
	if _, err := d.Replay(w.ctx(), "vet", ""); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	if s := w.show(w.desk()); s.Parked != 3 {
		t.Errorf("got %+v", s)
	}
	clear(picky.bad)
	if n, err := w.desk().Replay(w.ctx(), "vet", "ear-tag:A"); n != 1 || err != nil {
		t.Fatalf("got %d, %v", n, err)
	}
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded", "r1/x 1 recorded", "r3/x 1 recorded", "r5/x 1 recorded")
	if s := w.show(w.desk()); s.Parked != 0 || len(s.Animals) != 0 {
		t.Errorf("got %+v", s)
	}
	if keys, _ := w.shelf.Keys(w.ctx()); slices.ContainsFunc(keys, func(k string) bool { return strings.Contains(k, ".animal.") }) {
		t.Errorf("keys are left: %v", keys)
	}
}

// A correction heals what was refused: a replay sends the newest revision only.
func TestDesk_ReplaySendsTheCorrection(t *testing.T) {
	w := newWorld(t, vet(""))
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.say("A", "r1/x", lesion("SU"))
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	picky.bad[string(w.entity("r1/x"))+".1"] = "refused"
	w.once()
	w.say("A", "r1/x", lesion("SH"))
	w.unsay("A", "r2/x", lesion("SU")) // never sent: nothing to delete
	w.commit()
	w.once()
	w.want()
	if _, err := w.desk().Replay(w.ctx(), "vet", ""); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r1/x 2 amended")
	if s := w.show(w.desk()); s.Parked != 0 {
		t.Errorf("got %+v", s)
	}
}

func TestFeed_StopsWhenEverythingIsRefused(t *testing.T) {
	w := newWorld(t, vet(""))
	picky := &pickySink{all: "no more, thank you"}
	w.picky(picky)
	for i := range 50 {
		w.say(fmt.Sprintf("A%d", i), fmt.Sprintf("r%d/x", i), lesion("SU"))
	}
	w.commit()
	w.once()
	s := w.show(w.desk())
	if s.State != "refused" || s.Parked >= maxRefusals+1 || !strings.Contains(s.Why, "no more") {
		t.Errorf("got %+v", s)
	}
	picky.all = ""
	d := w.desk()
	if err := d.Resume(w.ctx(), "vet", false); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Replay(w.ctx(), "vet", ""); err != nil {
		t.Fatal(err)
	}
	w.once()
	if n := len(w.sent()); n != 50 {
		t.Errorf("got %d events, want 50", n)
	}
}

// pickySink refuses whole batches that hold an event it does not like, as a
// folder or a server does, and gives the rest to another sink.
type pickySink struct {
	mu   sync.Mutex
	bad  map[string]string
	all  string
	next adapters.Sink
}

func (w *world) picky(p *pickySink) {
	inner := w.o.Sink
	w.o.Sink = func(ctx context.Context, f *config.Feed) (adapters.Sink, error) {
		s, err := inner(ctx, f)
		p.next = s
		return p, err
	}
}

func (p *pickySink) Send(ctx context.Context, b *adapters.Batch) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.all != "" {
		return fmt.Errorf("%s: %w", p.all, events.ErrInvalid)
	}
	for _, id := range b.IDs {
		if why, ok := p.bad[id]; ok {
			return fmt.Errorf("%s: %w", why, events.ErrInvalid)
		}
	}
	return p.next.Send(ctx, b)
}

func (p *pickySink) Close() error { return p.next.Close() }

// roster knows the animals it was told of.
type roster struct {
	mu    sync.Mutex
	known map[string]bool
}

func (r *roster) Known(_ context.Context, farm string, ids []events.Identifier, _ string) (bool, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.ContainsFunc(ids, func(id events.Identifier) bool { return r.known[farm+"|"+id.Value] }), nil
}

func (r *roster) WaitFor(context.Context, events.Position) error { return nil }

func TestFeed_WaitsUntilAnAnimalIsKnown(t *testing.T) {
	w := newWorld(t, vet("known-animals: wait"))
	r := &roster{known: map[string]bool{"larkfield|B": true}}
	w.o.Known = r
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("SU"))
	w.commit()
	w.say("A", "r3/x", &events.Treatment{What: "medicine", Foot: "RH", Medicine: events.Medicine{Name: "as entered"}})
	w.say("B", "r4/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r2/x 1 recorded", "r4/x 1 recorded")
	s := w.show(w.desk())
	if s.Waiting != 2 || s.Parked != 0 || !s.Animals[0].Urgent {
		t.Errorf("got %+v", s)
	}
	r.known["larkfield|A"] = true
	w.say("A", "a/x", &events.Animal{Sex: "female"})
	w.say("A", "r5/x", lesion("WL"))
	w.commit()
	w.once()
	// the statement goes in its turn, then what waited, in order; what comes
	// after it of the same animal waited with it
	w.want("r2/x 1 recorded", "r4/x 1 recorded", "a/x 1 recorded", "r1/x 1 recorded", "r3/x 1 recorded", "r5/x 1 recorded")
	names := w.files()
	if late := names[len(names)-1]; !strings.HasPrefix(late, "vet-g1-late-000001-") {
		t.Errorf("got %v", names)
	}
	m, err := folder.ReadManifest([]byte(w.read(names[len(names)-1] + folder.ManifestSuffix)))
	if err != nil || !m.Late {
		t.Errorf("manifest %+v, %v", m, err)
	}
	if s := w.show(w.desk()); s.Waiting != 0 || s.Late != 3 {
		t.Errorf("got %+v", s)
	}
}

// A retraction of what waits cancels out at the recipient, in order.
func TestFeed_KeepsTheOrderOfWhatWaits(t *testing.T) {
	w := newWorld(t, vet("known-animals: wait"))
	r := &roster{known: map[string]bool{}}
	w.o.Known = r
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.unsay("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	r.known["larkfield|A"] = true
	w.once()
	w.want("r1/x 1 recorded", "r1/x 2 retracted")
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
		return err == nil && s.State == "waiting" && s.Attempt >= 1 && s.Retry != "" && strings.Contains(s.Error, "out") == strings.Contains(s.Error, "out")
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

func (hangingSink) Close() error { return nil }

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
	if !errors.Is(err, events.ErrUnavailable) || !strings.HasPrefix(err.Error(), "feed vet: send 1 rows after position 1: attempt 3, the last; 1 entries wait safely in the log: reach the recipient: connection refused") {
		t.Errorf("got %v", err)
	}
	f.shut()
}
