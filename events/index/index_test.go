package index_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/index"

	"pgregory.net/rapid"
)

// chunk is an entry of source a with n facts of its own.
func chunk(first, n int) *events.Entry {
	e := &events.Entry{Cause: events.CauseChunk, Source: "a"}
	for i := range n {
		f := fact{record: record(0, first+i), text: "x", rev: events.Revision{Number: 1, Change: events.Recorded}}
		e.Events = append(e.Events, f.stored())
	}
	return e
}

// filled returns a log of entries and the index of them, closed.
func filled(t *testing.T, entries int) (*fakeLog, string) {
	t.Helper()
	log, path := &fakeLog{id: "log-1"}, filepath.Join(t.TempDir(), "index.db")
	ix := open(t, path, log)
	for i := range entries {
		if err := ix.Apply(t.Context(), log.append(t, chunk(i*40, 40)), nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := ix.Close(); err != nil {
		t.Fatal(err)
	}
	return log, path
}

func TestOpen_BuildsAnewWhatItCannotTrust(t *testing.T) {
	tests := []struct {
		name string
		harm func(t *testing.T, log *fakeLog, path string)
	}{
		{"missing", func(t *testing.T, _ *fakeLog, path string) { must(t, os.Remove(path)) }},
		{"empty", func(t *testing.T, _ *fakeLog, path string) { must(t, os.Truncate(path, 0)) }},
		{"cut", func(t *testing.T, _ *fakeLog, path string) { must(t, os.Truncate(path, 10000)) }},
		{"not SQLite", func(t *testing.T, _ *fakeLog, path string) {
			must(t, os.WriteFile(path, []byte("something else"), 0o600))
		}},
		{"damaged head", func(t *testing.T, _ *fakeLog, path string) { index.Overwrite(t, path, 20) }},
		{"of another log", func(t *testing.T, log *fakeLog, _ string) {
			entries := log.bytes
			log.id, log.bytes = "log-2", nil
			for _, b := range entries {
				e, err := events.ParseEntry(b)
				must(t, err)
				log.append(t, e)
			}
		}},
		{"ahead of the log", func(_ *testing.T, log *fakeLog, _ string) { log.bytes = log.bytes[:3] }},
		{"log went another way", func(t *testing.T, log *fakeLog, _ string) {
			log.bytes = log.bytes[:4]
			log.append(t, chunk(4000, 7))
		}},
		{"log went another way and on", func(t *testing.T, log *fakeLog, _ string) {
			log.bytes = log.bytes[:4]
			log.append(t, chunk(4000, 7))
			log.append(t, chunk(5000, 7))
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			log, path := filled(t, 5)
			tt.harm(t, log, path)
			must(t, open(t, path, log).Close())
			fresh := filepath.Join(t.TempDir(), "fresh.db")
			must(t, open(t, fresh, log).Close())
			if got, want := index.Dump(t, path), index.Dump(t, fresh); got != want {
				t.Errorf("got:\n%s\nwant:\n%s", got, want)
			}
		})
	}
}

// A flipped byte inside a stored record is met when the record is read; the
// index then says so, and the next start builds it anew.
func TestIndex_NoticesADamagedRecord(t *testing.T) {
	log, path := filled(t, 5)
	b, err := os.ReadFile(path)
	must(t, err)
	id := record(0, 3)
	found := 0
	for at := range b {
		if bytes.HasPrefix(b[at:], id[:]) {
			index.Overwrite(t, path, int64(at+len(id)+30))
			found++
		}
	}
	if found == 0 {
		t.Fatal("the record is not in the file")
	}
	ix := open(t, path, log)
	_, err = ix.Lookup("a", []events.RecordID{id}, nil)
	if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), "built anew") {
		t.Fatalf("got %v, want unavailable, built anew", err)
	}
	must(t, ix.Close())
	ix = open(t, path, log)
	got, err := ix.Lookup("a", []events.RecordID{id}, nil)
	if err != nil || !got[0].Known {
		t.Fatalf("got %v, %v, want a known record", got, err)
	}
	must(t, ix.Close())
}

// What was applied and not committed is lost in a crash and read from the log
// again; Apply reads what was appended behind its back.
func TestIndex_FollowsTheLog(t *testing.T) {
	log, path := filled(t, 3)
	ix := open(t, path, log)
	must(t, ix.Apply(t.Context(), log.append(t, chunk(1000, 5)), nil))
	crashed := filepath.Join(t.TempDir(), "index.db")
	for _, suffix := range []string{"", "-wal"} {
		b, err := os.ReadFile(path + suffix)
		must(t, err)
		must(t, os.WriteFile(crashed+suffix, b, 0o600))
	}
	log.append(t, chunk(2000, 5))
	e := log.append(t, chunk(3000, 5))
	must(t, ix.Apply(t.Context(), e, nil))
	must(t, ix.Apply(t.Context(), e, nil)) // again: nothing
	if got := ix.Applied(); got != 6 {
		t.Errorf("applied: got %d, want 6", got)
	}
	must(t, ix.Close())
	must(t, open(t, crashed, log).Close())
	if got, want := index.Dump(t, crashed), index.Dump(t, path); got != want {
		t.Errorf("after the crash:\n%s\nwant:\n%s", got, want)
	}
}

func TestIndex_KeepsNothingOfAnEntryThatFails(t *testing.T) {
	log, path := filled(t, 3)
	ix := open(t, path, log)
	bad := log.append(t, &events.Entry{
		Cause: events.CauseChunk, Source: "new", Archive: "aa", AsOf: "yesterday",
		To: &events.Cursor{Records: 1}, Held: []events.Held{{ID: "h-1"}},
	})
	if err := ix.Apply(t.Context(), bad, nil); !errors.Is(err, events.ErrCorrupt) {
		t.Fatalf("got %v, want corrupt", err)
	}
	if _, known, err := ix.Held("h-1"); known || err != nil {
		t.Errorf("held record of the failed entry: known %v, %v", known, err)
	}
	if got := ix.Applied(); got != 3 {
		t.Errorf("applied: got %d, want 3", got)
	}
	must(t, ix.Close())
}

func TestIndex_KnowsOriginalsStreamsHeldAndWaits(t *testing.T) {
	log, path := &fakeLog{id: "log-1"}, filepath.Join(t.TempDir(), "index.db")
	ix := open(t, path, log)
	r, s := record(1, 1), events.Slot{1}
	put := func(e *events.Entry) { t.Helper(); must(t, ix.Apply(t.Context(), log.append(t, e), nil)) }
	day := fact{record: r, slot: s, text: "x", day: "2026-03-04", rev: events.Revision{Number: 1, Change: events.Recorded}}

	put(&events.Entry{
		Cause: events.CauseChunk, Source: "c", Archive: "aa", Name: "one.csv", Mapping: "m", AsOf: "2026-03-05T10:00:00Z",
		To:       &events.Cursor{Records: 2, Line: 3, Waiting: []events.Waiting{{Record: record(9, 9).String(), Line: 2, At: 1, Earlier: []int{7}}}},
		Counts:   events.Counts{Read: 1, Accepted: 1},
		Defaults: events.Defaults{Farm: "larkfield", Scope: "barn 1"}, Events: [][]byte{day.stored()},
	})
	if got, err := ix.Unfinished("c"); err != nil || len(got) != 1 || got[0].Cursor.Records != 2 || got[0].Reading != 1 {
		t.Errorf("unfinished: got %+v, %v", got, err)
	}
	if got, err := ix.Waiting("c", "aa"); err != nil || len(got) != 1 || got[record(9, 9)].At != 1 {
		t.Errorf("waiting: got %v, %v", got, err)
	}
	put(&events.Entry{
		Cause: events.CauseChunk, Source: "c", Archive: "aa", Name: "one.csv", Mapping: "m", AsOf: "2026-03-05T10:00:00Z",
		From: &events.Cursor{Records: 2, Line: 3}, To: &events.Cursor{Records: 3, Line: 4, Settled: []string{record(9, 9).String()}},
		Counts: events.Counts{Read: 1, Held: 1},
		Held:   []events.Held{{ID: "h-1", Record: r.String(), Reasons: make([]events.Reason, 2)}, {ID: "h-2", Reasons: make([]events.Reason, 1)}},
		Waits:  []events.Wait{{Entity: r.Entity(s), Why: "a wrap"}},
	})
	if got, err := ix.Waiting("c", "aa"); err != nil || len(got) != 0 {
		t.Errorf("waiting after it was settled: got %v, %v", got, err)
	}
	if got, err := ix.Waits("c"); err != nil || len(got) != 1 || got[0].Entity != r.Entity(s) || got[0].Why != "a wrap" {
		t.Errorf("waits: got %v, %v", got, err)
	}
	put(&events.Entry{
		Cause: events.CauseChunk, Source: "c", Archive: "aa", Name: "one.csv", Mapping: "m", AsOf: "2026-03-05T10:00:00Z",
		From: &events.Cursor{Records: 3, Line: 4}, To: &events.Cursor{Records: 3, Line: 4, End: true},
		Counts:   events.Counts{Read: 1, Duplicate: 1},
		Complete: &events.Complete{AsOf: "2026-03-05T10:00:00Z", Farm: "larkfield", Scope: "barn 1", Days: []string{"2026-03-04"}, Other: []string{"2026-03-03"}},
	})
	o, known, err := ix.Original("c", "aa")
	want := events.Counts{Read: 3, Accepted: 1, Duplicate: 1, Held: 1}
	if err != nil || !known || !o.Cursor.End || o.Counts != want || o.Reading != 1 || o.Newest != 3 || o.AsOf != "2026-03-05T10:00:00Z" {
		t.Errorf("original: got %+v, %v, %v", o, known, err)
	}
	asOf := time.Date(2026, 3, 5, 10, 0, 0, 0, time.UTC)
	for day, want := range map[string]index.Export{
		"2026-03-04": {Newest: asOf, Whole: asOf}, "2026-03-03": {Newest: asOf}, "2026-03-02": {},
	} {
		if got, err := ix.Export("c", index.List{Farm: "larkfield", Scope: "barn 1"}, day); err != nil || got != want {
			t.Errorf("export of %s: got %v, %v, want %v", day, got, err, want)
		}
	}
	for _, other := range []index.List{{Farm: "larkfield", Scope: "barn 2"}, {Farm: "stony-run", Scope: "barn 1"}} {
		if got, err := ix.Export("c", other, "2026-03-04"); err != nil || got != (index.Export{}) {
			t.Errorf("export of %+v: got %v, %v", other, got, err)
		}
	}
	recs, err := ix.Day(index.Day{Source: "c", List: index.List{Farm: "larkfield", Scope: "barn 1"}, Day: "2026-03-04"}, events.RecordID{}, 10)
	if err != nil || len(recs) != 1 || recs[0].ID != r || recs[0].Slots[0].State != index.Live|index.Waits {
		t.Errorf("records of the day: got %+v, %v", recs, err)
	}

	// bytes that were read before come under another name: no reading of their own
	put(&events.Entry{
		Cause: events.CauseChunk, Source: "c", Archive: "aa", Name: "two.csv", From: &events.Cursor{Records: 3, End: true},
		To: &events.Cursor{Records: 3, End: true}, Counts: events.Counts{Read: 3, Duplicate: 2, Held: 1},
	})
	if o, _, err = ix.Original("c", "aa"); err != nil || o.Counts != want || o.Newest != 3 {
		t.Errorf("original after it came again: got %+v, %v", o, err)
	}
	for name, want := range map[string]bool{"one.csv": true, "two.csv": true, "three.csv": false} {
		if got, err := ix.Named("c", "aa", name); err != nil || got != want {
			t.Errorf("named %s: got %v, %v, want %v", name, got, err, want)
		}
	}

	// decisions: drop one held record, release the other into record r, refuse the retraction
	decide := func(d *events.Decision, behind ...[]byte) {
		t.Helper()
		var x events.Encoder
		data, _ := x.Append(nil, d)
		env := events.Envelope{Kind: events.KindDecision, Entity: record(50, len(log.bytes)).Entity(events.Slot{})}
		first := events.AppendRevision(nil, events.AppendOpen(nil, env, data), events.Revision{Number: 1, Change: events.Recorded})
		put(&events.Entry{Cause: events.CauseDecision, Source: "c", Events: append([][]byte{first}, behind...)})
	}
	decide(&events.Decision{Action: events.ActionFix, Held: "h-2"})
	decide(&events.Decision{Action: events.ActionDrop, Held: "h-1"})
	if got, err := ix.HeldOf(r); err != nil || len(got) != 0 {
		t.Errorf("held records of %v: got %v, %v, want none", r, got, err)
	}
	released := fact{record: r, slot: events.Slot{2}, text: "y", rev: events.Revision{Number: 1, Change: events.Recorded}}
	decide(&events.Decision{Action: events.ActionRelease, Held: "h-2", Targets: []events.Entity{r.Entity(events.Slot{2})}}, released.stored())
	for id, want := range map[string]index.HeldState{"h-1": index.Dropped, "h-2": index.Released} {
		h, known, err := ix.Held(id)
		if err != nil || !known || h.State != want || h.Record != r || h.Settled == 0 {
			t.Errorf("held %s: got %+v, %v, %v, want %v", id, h, known, err, want)
		}
	}
	if h, _, err := ix.Held("h-2"); err != nil || h.Fixed != 5 {
		t.Errorf("held h-2: got fixed at %d, %v, want 5", h.Fixed, err)
	}
	decide(&events.Decision{Action: events.ActionRefuse, Targets: []events.Entity{r.Entity(s)}})
	if got, err := ix.Waits(""); err != nil || len(got) != 0 {
		t.Errorf("waits after the refusal: got %v, %v", got, err)
	}
	gone := fact{record: r, slot: events.Slot{2}, text: "y", rev: events.Revision{Number: 2, Change: events.Retracted}}
	decide(&events.Decision{Action: events.ActionConfirm, Targets: []events.Entity{r.Entity(events.Slot{2})}}, gone.stored())
	_, rec, err := ix.Find(r)
	if err != nil || rec.Slots[0].State != index.Live|index.Kept || rec.Slots[1].State != index.Gone|index.FromHeld {
		t.Errorf("record after the decisions: got %+v, %v", rec, err)
	}
	if any, err := ix.AnySettled("c"); !any || err != nil {
		t.Errorf("any settled: got %v, %v", any, err)
	}
	if list, err := ix.HeldRecords(index.Dropped, events.Place{}, 10); err != nil || len(list) != 1 || list[0].ID != "h-1" {
		t.Errorf("dropped records: got %v, %v", list, err)
	}
	must(t, ix.Close())
	fresh := filepath.Join(t.TempDir(), "fresh.db")
	must(t, open(t, fresh, log).Close())
	if got, want := index.Dump(t, fresh), index.Dump(t, path); got != want {
		t.Errorf("rebuilt:\n%s\nwant:\n%s", got, want)
	}
}

func TestIndex_KnowsEveryMessageOnceWhateverTheOrder(t *testing.T) {
	log, path := filled(t, 1)
	ix := open(t, path, log)
	defer func() { must(t, ix.Close()) }()
	streams := 0
	rapid.Check(t, func(t *rapid.T) {
		streams++
		stream := fmt.Sprint("S", streams)
		taken := map[uint64]bool{}
		for range rapid.IntRange(1, 20).Draw(t, "entries") {
			first := rapid.Uint64Range(1, 60).Draw(t, "first")
			last := first + rapid.Uint64Range(0, 12).Draw(t, "more")
			for s := first; s <= last; s++ {
				taken[s] = true
			}
			e := &events.Entry{Cause: events.CauseChunk, Source: "n", To: &events.Cursor{
				Stream: stream, Sequence: last, Ranges: []events.Range{{First: first, Last: last}},
			}}
			if err := ix.Apply(t.Context(), log.append(t, e), nil); err != nil {
				t.Fatal(err)
			}
		}
		newest := uint64(0)
		for s := uint64(0); s < 80; s++ {
			got, err := ix.Taken("n", stream, s)
			if err != nil || got != taken[s] {
				t.Fatalf("message %d: got %v, %v, want %v", s, got, err, taken[s])
			}
			if taken[s] {
				newest = s
			}
		}
		if got, ok, err := ix.Newest("n", stream); err != nil || !ok || got != newest {
			t.Fatalf("newest: got %d, %v, %v, want %d", got, ok, err, newest)
		}
		if got, err := ix.Taken("n", "another stream", 1); got || err != nil {
			t.Fatalf("message of another stream: got %v, %v", got, err)
		}
	})
}

// The entries with the newest messages of a stream are told, a bounded number.
func TestTail_TellsWhereTheNewestMessagesAre(t *testing.T) {
	log := &fakeLog{id: "log-1"}
	ix := open(t, filepath.Join(t.TempDir(), "index.db"), log)
	put := func(source, stream string, first, last uint64) events.Position {
		e := log.append(t, &events.Entry{Cause: events.CauseChunk, Source: source, To: &events.Cursor{
			Stream: stream, Sequence: last, Ranges: []events.Range{{First: first, Last: last}},
		}})
		must(t, ix.Apply(t.Context(), e, nil))
		return e.At
	}
	a, b := put("n", "s", 1, 3), put("n", "s", 4, 4)
	put("n", "t", 1, 9)
	put("m", "s", 1, 9)
	c := put("n", "s", 5, 6)
	for most, want := range map[int][]events.Position{0: nil, 1: {c}, 2: {c}, 3: {b, c}, 4: {a, b, c}, 100: {a, b, c}} {
		if got, err := ix.Tail("n", "s", most); err != nil || !slices.Equal(got, want) {
			t.Errorf("of %d: got %v, %v, want %v", most, got, err, want)
		}
	}
	d := put("n", "s", 7, 6+index.MaxTail)
	if got, err := ix.Tail("n", "s", index.MaxTail+10); err != nil || !slices.Equal(got, []events.Position{c, d}) {
		t.Errorf("behind %d more: got %v, %v, want %v", index.MaxTail, got, err, []events.Position{c, d})
	}
}

func TestScratch_RemembersBeyondMemory(t *testing.T) {
	log, path := filled(t, 1)
	ix := open(t, path, log)
	rapid.Check(t, func(t *rapid.T) {
		s := ix.Scratch(index.ScratchBounds{Records: 8, Bytes: 40})
		want := map[events.RecordID]string{}
		for range rapid.IntRange(0, 60).Draw(t, "puts") {
			id := record(rapid.IntRange(0, 3).Draw(t, "hint"), rapid.IntRange(0, 9).Draw(t, "n"))
			v := rapid.StringN(0, 12, 12).Draw(t, "value")
			if err := s.Put(id, []byte(v)); err != nil {
				t.Fatal(err)
			}
			want[id] = v
		}
		for hint := range 4 {
			for n := range 10 {
				id := record(hint, n)
				got, ok, err := s.Get(id)
				v, known := want[id]
				if err != nil || ok != known || string(got) != v {
					t.Fatalf("%v: got %q, %v, %v, want %q, %v", id, got, ok, err, v, known)
				}
			}
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	})
	must(t, ix.Close())
	if left, err := filepath.Glob(path + "-scratch-*"); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

func BenchmarkLookupAndApply(b *testing.B) {
	log, path := &fakeLog{id: "log-1"}, filepath.Join(b.TempDir(), "index.db")
	ix := open(b, path, log)
	defer func() { _ = ix.Close() }()
	n := 0
	for b.Loop() {
		e := &events.Entry{At: events.Position(n + 1), Cause: events.CauseChunk, Source: "a", Archive: "aa", Events: make([][]byte, 1000)}
		x := &index.Extra{RawKey: "k"}
		var ids []events.RecordID
		for i := range 500 {
			id, _ := events.ParseRecordID("000000000000000000000")
			d, _ := index.Digest(nil, fmt.Sprint(n, i), nil)
			copy(id[2:], d[:])
			id[0], id[1] = byte(n>>9), byte(n>>1)
			ids = append(ids, id)
			for s := range 2 {
				x.Touches = append(x.Touches, index.Touch{
					Record: id, Slot: events.Slot{byte(s)}, Kind: events.KindLesion, Revision: 1,
					Change: events.Recorded, Digest: events.Digest(make([]byte, 16)), Fresh: true,
				})
			}
			x.Raw = append(x.Raw, index.RawRow{Digest: d, Record: id})
		}
		if _, err := ix.Lookup("a", ids, nil); err != nil {
			b.Fatal(err)
		}
		log.bytes = append(log.bytes, nil)
		if err := ix.Apply(b.Context(), e, x); err != nil {
			b.Fatal(err)
		}
		n++
	}
	b.ReportMetric(float64(n*1000)/b.Elapsed().Seconds(), "events/s")
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
