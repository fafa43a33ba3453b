package delivery

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters/folder"
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

func (hangingSink) Close() error { return nil }

func (*tray) Close() error { return nil }
