package intake_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// lf saves a file again with other line ends: other bytes, the same rows.
func lf(b []byte) []byte { return bytes.ReplaceAll(b, []byte("\r\n"), []byte("\n")) }

// withoutLines leaves lines out, counted from 1.
func withoutLines(b []byte, lines ...int) []byte {
	var out []byte
	for i, l := range bytes.SplitAfter(b, []byte("\n")) {
		if !slices.Contains(lines, i+1) {
			out = append(out, l...)
		}
	}
	return out
}

func firstLines(b []byte, n int) []byte {
	return bytes.Join(bytes.SplitAfterN(b, []byte("\n"), n+1)[:n], nil)
}

// settle is what a house holds: the newest revisions by what they are about,
// without revision numbers, which depend on the order of reading.
func (h *house) settle() map[string]string {
	out := map[string]string{}
	for e, ev := range h.newest() {
		if ev.Change == events.Retracted {
			out[string(e)] = "retracted"
			continue
		}
		out[string(e)] = events.StoredDigest(ev.Data).String()
	}
	return out
}

func diff(got, want map[string]string) string {
	var b strings.Builder
	for k, v := range want {
		if got[k] != v {
			fmt.Fprintf(&b, "%s: got %q, want %q\n", k, got[k], v)
		}
	}
	for k, v := range got {
		if _, ok := want[k]; !ok {
			fmt.Fprintf(&b, "%s: got %q, want nothing\n", k, v)
		}
	}
	return b.String()
}

// all takes the inputs in.
func (h *house) all() {
	h.t.Helper()
	for _, s := range inputs {
		h.take(s.of(h.t), s.file, s.bytes(h.t))
	}
}

func TestSamples_ReadTwiceChangeNothing(t *testing.T) {
	h := fresh(t)
	h.all()
	last, _ := h.log.Last()
	var total events.Counts
	for _, s := range inputs {
		r := h.take(s.of(t), "again-"+s.file, s.bytes(t))
		if !r.Known || len(r.Notices) == 0 {
			t.Errorf("%s: got known %v, notices %q, want it said", s.file, r.Known, r.Notices)
		}
		total = total.Add(r.Counts)
	}
	if want := (events.Counts{Read: 83, Duplicate: 50, Held: 30, Ignored: 3}); total != want {
		t.Errorf("second pass: got %v, want %v", total, want)
	}
	if n := len(eventsOf(t, h.log, last+1)); n != 0 {
		t.Errorf("second pass: %d events, want none", n)
	}
	// and a third under the names of the second: not even an entry
	last, _ = h.log.Last()
	for _, s := range inputs {
		if r := h.take(s.of(t), "again-"+s.file, s.bytes(t)); !r.Known || r.Entries != 0 {
			t.Errorf("%s: got %+v, want known and no entry", s.file, r)
		}
	}
	if now, _ := h.log.Last(); now != last {
		t.Errorf("third pass: the log went from %d to %d", last, now)
	}
}

func TestSamples_SavedAgainWithOtherLineEnds(t *testing.T) {
	h := fresh(t)
	h.all()
	last, _ := h.log.Last()
	total := h.take(inputs[5].of(t), "06-lf.csv", lf(inputs[5].bytes(t))).Counts
	total = total.Add(h.take(inputs[0].of(t), "01-lf.csv", lf(inputs[0].bytes(t))).Counts)
	if want := (events.Counts{Read: 15, Duplicate: 13, Ignored: 2}); total != want {
		t.Errorf("got %v, want %v", total, want)
	}
	if evs := eventsOf(t, h.log, last+1); len(evs) != 0 {
		t.Errorf("got %d events, want none", len(evs))
	}
}

func TestSamples_OlderExportAfterTheNewer(t *testing.T) {
	inOrder := fresh(t)
	inOrder.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	inOrder.take(inputs[5].of(t), "06.csv", inputs[5].bytes(t))

	h := fresh(t)
	if got, want := h.take(inputs[5].of(t), "06.csv", inputs[5].bytes(t)).Counts, (events.Counts{Read: 8, Accepted: 7, Ignored: 1}); got != want {
		t.Errorf("06: got %v, want %v", got, want)
	}
	got := h.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t)).Counts
	if want := (events.Counts{Read: 7, Accepted: 1, Duplicate: 5, Ignored: 1, Retracted: 3}); got != want {
		t.Errorf("01 after 06: got %v, want %v", got, want)
	}
	if d := diff(h.settle(), inOrder.settle()); d != "" {
		t.Errorf("newest revisions differ from those of 01 then 06:\n%s", d)
	}
	for _, ev := range h.events() {
		if ev.Change == events.Retracted && (ev.Before == nil || ev.Before.Position != ev.Place.Position) {
			t.Errorf("%s is retracted in another entry than it was recorded in", ev.ID())
		}
	}

	// 01 without line 10 and with the total it then has: nothing vanishes
	less := bytes.Replace(withoutLines(inputs[0].bytes(t), 10), []byte("6 Tiere"), []byte("5 Tiere"), 1)
	before := h.settle()
	h.take(inputs[0].of(t), "01-less.csv", less)
	if d := diff(h.settle(), before); d != "" {
		t.Errorf("01 without line 10 after 06 changed:\n%s", d)
	}
}

func TestSamples_WithoutTheTotalNothingVanishes(t *testing.T) {
	h := fresh(t)
	h.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	before := h.settle()
	r := h.take(inputs[0].of(t), "01-cut.csv", firstLines(inputs[0].bytes(t), 7))
	if want := (events.Counts{Read: 2, Duplicate: 2}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	if d := diff(h.settle(), before); d != "" {
		t.Errorf("changed:\n%s", d)
	}
	if len(r.Complete) != 1 || len(r.Complete[0].Days) != 0 || !strings.Contains(r.Complete[0].Why, "total line is missing") {
		t.Errorf("got %+v, want no day counted and why", r.Complete)
	}
}

func TestSamples_AnotherListOfTheSameDayTakesNothingAway(t *testing.T) {
	h := fresh(t)
	h.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	before := h.settle()
	other := bytes.Replace(inputs[0].bytes(t), []byte("Liste Stall 2"), []byte("Liste Stall 1"), 1)
	for _, tag := range []string{"00731", "00744", "00758", "00760", "00772", "00785"} {
		other = bytes.ReplaceAll(other, []byte("DE 09 412 "+tag), []byte("DE 09 412 1"+tag[1:]))
	}
	r := h.take(inputs[0].of(t), "other.csv", other)
	if want := (events.Counts{Read: 7, Accepted: 6, Ignored: 1}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	got := h.settle()
	for e, v := range before {
		if got[e] != v {
			t.Errorf("%s: got %q, want %q", e, got[e], v)
		}
	}
}

func TestSamples_ARowThatEqualsAnOlderRevisionWaitsForTheEnd(t *testing.T) {
	h := fresh(t)
	h.take(inputs[2].of(t), "03.ndjson", inputs[2].bytes(t))
	before := h.settle()
	more := append(bytes.TrimRight(inputs[2].bytes(t), "\n"),
		[]byte("\n"+`{"id":"g-0011","cow":"276000941200731","at":"2026-03-30T06:02:00","scale":"0-3","score":1}`+"\n")...)
	last, _ := h.log.Last()
	r := h.take(inputs[2].of(t), "03-more.ndjson", more)
	if want := (events.Counts{Read: 13, Accepted: 1, Duplicate: 7, Held: 5}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	if evs := eventsOf(t, h.log, last+1); len(evs) != 1 || evs[0].Change != events.Recorded {
		t.Errorf("got %d events, want the one that is new", len(evs))
	}
	got := h.settle()
	for e, v := range before {
		if got[e] != v {
			t.Errorf("%s: got %q, want %q", e, got[e], v)
		}
	}
	// an export of the older content alone amends back, at its end
	old := []byte(`{"id":"g-0004","cow":"276000941200760","at":"2026-03-05T06:11:30","scale":"0-3","score":1}` + "\n")
	r = h.take(inputs[2].of(t), "03-old.ndjson", old)
	if want := (events.Counts{Read: 1, Amended: 1}); r.Counts != want {
		t.Errorf("older content alone: got %v, want %v", r.Counts, want)
	}
}

func TestTake_AgainReadsKnownBytesAsNew(t *testing.T) {
	h := fresh(t)
	h.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	h.take(inputs[5].of(t), "06.csv", inputs[5].bytes(t))
	// as of now, 01 is the newest export: 00785 comes back, the rest of 06 on its
	// day goes back to what 01 says
	r := h.takeWith(inputs[0].of(t), "01.csv", inputs[0].bytes(t), intake.Options{Again: true})
	if want := (events.Counts{Read: 7, Accepted: 1, Amended: 1, Duplicate: 4, Ignored: 1}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	for _, ev := range h.newest() {
		if ev.Change == events.Retracted {
			t.Errorf("%s is retracted", ev.ID())
		}
	}
}
