package intake_test

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"

	"pgregory.net/rapid"
)

const gaitByMessage = `
mapping: gait
direction: in
read: {format: json}
record: {key: $.id}
animal: {transponder: $.cow}
occurred: {at: $.at, layout: "YYYY-MM-DDTHH:mm:ss"}
events:
  - locomotion: {scale: =mob4-uk, score: $.score, role: =scorer}
`

func gaitSource(t tb) *intake.Source {
	return source(t, "gait", "larkfield", "gait.yaml", []byte(gaitByMessage))
}

func score(id string, score any) string {
	return fmt.Sprintf(`{"id":%q,"cow":"276000941200731","at":"2026-03-05T06:10:11","scale":"0-3","score":%v}`, id, score)
}

// A stream hands messages over and notes what became of them.
type stream struct {
	verdicts map[uint64][]adapters.Verdict
}

func (s *stream) message(sequence uint64, body string) *adapters.Delivery {
	d := delivery("chute.gait", []byte(body))
	d.Stream, d.Sequence, d.Message = "S@1", sequence, fmt.Sprintf("S@1#%d", sequence)
	d.Settle = func(_ context.Context, v adapters.Verdict) error {
		s.verdicts[sequence] = append(s.verdicts[sequence], v)
		return nil
	}
	return d
}

func TestTakeBatch(t *testing.T) {
	h := fresh(t)
	src := gaitSource(t)
	s := &stream{map[uint64][]adapters.Verdict{}}
	r, err := h.in.TakeBatch(t.Context(), src, []*adapters.Delivery{
		s.message(1, score("a", 2)), s.message(2, score("b", 9)), s.message(3, score("a", 3)), s.message(4, "{broken"), s.message(6, score("c", 1)),
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := (events.Counts{Read: 5, Accepted: 2, Amended: 1, Held: 2}); r.Counts != want || r.Entries != 1 {
		t.Errorf("got %v in %d entries, want %v in one", r.Counts, r.Entries, want)
	}
	e := h.entries[0]
	if want := []events.Range{{First: 1, Last: 4}, {First: 6, Last: 6}}; !slices.Equal(e.To.Ranges, want) || e.To.Sequence != 6 {
		t.Errorf("got %+v, want %v", e.To, want)
	}
	for ev, err := range e.All() {
		if err != nil || !strings.Contains(string(ev.Data), `"message":"S@1#`) || !strings.Contains(string(ev.Data), `"archive":"`+e.Archive) {
			t.Errorf("%s: %v: want message and archive in its origin", ev.Data, err)
		}
	}
	if n, ok, err := h.ix.Newest("gait", "S@1"); n != 6 || !ok || err != nil {
		t.Errorf("newest: got %d, %v, %v", n, ok, err)
	}
	// redelivered ones are settled and count nothing; the one that was missing counts
	r, err = h.in.TakeBatch(t.Context(), src, []*adapters.Delivery{s.message(3, score("a", 3)), s.message(5, score("d", 0)), s.message(6, score("c", 1))})
	if err != nil || r.Counts != (events.Counts{Read: 1, Accepted: 1}) {
		t.Errorf("redelivered: got %v, %v, want the one that is new", r.Counts, err)
	}
	for seq, v := range s.verdicts {
		if slices.Contains(v, adapters.NotTaken) || len(v) == 0 {
			t.Errorf("message %d: settled as %v", seq, v)
		}
	}
	if len(s.verdicts) != 6 {
		t.Errorf("%d messages settled, want 6", len(s.verdicts))
	}
	h.balanced()
}

// A message is an original of its own: what it says again of before is settled at
// its end, not at the end of the batch.
func TestTakeBatch_OlderContentAmendsBackAtTheEndOfItsMessage(t *testing.T) {
	h := fresh(t)
	s := &stream{map[uint64][]adapters.Verdict{}}
	r, err := h.in.TakeBatch(t.Context(), gaitSource(t), []*adapters.Delivery{
		s.message(1, score("a", 2)), s.message(2, score("a", 3)), s.message(3, score("a", 2)),
		s.message(4, "["+score("a", 3)+","+score("a", 2)+"]"), // ends where it stands: nothing
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := (events.Counts{Read: 5, Accepted: 1, Amended: 2, Duplicate: 2}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	h.balanced()
}

func TestTakeBatch_NothingIsSettledBeforeTheCommit(t *testing.T) {
	h := fresh(t)
	s := &stream{map[uint64][]adapters.Verdict{}}
	h.log.failAt(1, fmt.Errorf("disk: %w", events.ErrUnavailable))
	list := func() []*adapters.Delivery {
		return []*adapters.Delivery{s.message(1, score("a", 2)), s.message(2, score("b", 1))}
	}
	if _, err := h.in.TakeBatch(t.Context(), gaitSource(t), list()); !errors.Is(err, events.ErrUnavailable) {
		t.Fatalf("got %v, want unavailable", err)
	}
	for seq := range uint64(2) {
		if v := s.verdicts[seq+1]; len(v) != 1 || v[0] != adapters.NotTaken {
			t.Errorf("message %d: got %v, want not taken", seq+1, v)
		}
	}
	r, err := h.in.TakeBatch(t.Context(), gaitSource(t), list())
	if err != nil || r.Counts != (events.Counts{Read: 2, Accepted: 2}) {
		t.Errorf("again: got %v, %v, want both accepted", r.Counts, err)
	}
}

// Messages that do not fit into one entry go into several, and a large one is
// read as a file is; each is in the log once.
func TestTakeBatch_WhatDoesNotFit(t *testing.T) {
	dir := t.TempDir()
	h := newSizedHouse(t, dir, &memoryLog{id: "log"}, intake.Sizes{Records: 3})
	defer h.close()
	s := &stream{map[uint64][]adapters.Verdict{}}
	var many []string
	for i := range 900 {
		many = append(many, score(fmt.Sprint("m", i), 1))
	}
	list := []*adapters.Delivery{
		s.message(1, score("a", 2)), s.message(2, "["+score("b", 1)+","+score("c", 1)+"]"), s.message(3, score("d", 1)),
		s.message(4, "["+strings.Join(many[:5], ",")+"]"), s.message(5, "["+strings.Join(many, ",")+"]"), s.message(6, score("e", 1)),
	}
	r, err := h.in.TakeBatch(t.Context(), gaitSource(t), list)
	if err != nil {
		t.Fatal(err)
	}
	if want := (events.Counts{Read: 910, Accepted: 905, Duplicate: 5}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	for seq := uint64(1); seq <= 6; seq++ {
		if taken, err := h.ix.Taken("gait", "S@1", seq); !taken || err != nil {
			t.Errorf("message %d: in the log %v, %v", seq, taken, err)
		}
	}
	h.balanced()

	// a crash in the middle of the large one
	last, _ := h.log.Last()
	at := last - 100
	h.close()
	crashed := h.log.cut(at)
	again := newSizedHouse(t, dir, crashed, intake.Sizes{Records: 3})
	if taken, err := again.ix.Taken("gait", "S@1", 5); taken || err != nil {
		t.Fatalf("message 5 counts as taken in the middle of it: %v, %v", taken, err)
	}
	if _, err := again.in.Finish(t.Context(), gaitSource(t)); err != nil {
		t.Fatal(err)
	}
	if _, err := again.in.TakeBatch(t.Context(), gaitSource(t), list); err != nil {
		t.Fatal(err)
	}
	again.balanced()
	if got, want := story(t, crashed), story(t, h.log); got != want {
		t.Errorf("after the crash:\n%s\nwant:\n%s", got, want)
	}
	h = again
}

// What waits for the end of a message is settled in the order of its last rows, be
// the message an entry or, because it is too large for one, read as a file is.
func TestTakeBatch_SettlesInTheOrderOfTheLastRows(t *testing.T) {
	bodies := []string{
		"[" + score("b", 0) + "," + score("c", 0) + "]",
		"[" + score("b", 1) + "," + score("c", 1) + "]",
		"[" + score("b", 0) + "," + score("c", 0) + "," + score("b", 0) + "]",
	}
	told := func(records int) string {
		h := newSizedHouse(t, t.TempDir(), &memoryLog{id: "log"}, intake.Sizes{Records: records})
		s := &stream{map[uint64][]adapters.Verdict{}}
		for i, b := range bodies {
			if _, err := h.in.TakeBatch(t.Context(), gaitSource(t), []*adapters.Delivery{s.message(uint64(i+1), b)}); err != nil {
				t.Fatal(err)
			}
		}
		h.balanced()
		h.close()
		return story(t, h.log)
	}
	want := told(2)
	if got := told(512); got != want {
		t.Errorf("as an entry\n%s\nas a file\n%s", got, want)
	}
	ids := regexp.MustCompile(`\S+\.3 amended`).FindAllString(want, -1)
	firsts := regexp.MustCompile(`\S+\.1 recorded`).FindAllString(want, -1)
	if len(ids) != 2 || len(firsts) != 2 || ids[0][:20] != firsts[1][:20] {
		t.Errorf("wanted the third revision of c before that of b:\n%s", want)
	}
}

// However messages are put into batches, and whatever is handed over again, the
// events are the same.
func TestTakeBatch_BatchesChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var bodies []string
		for range rapid.IntRange(1, 8).Draw(t, "messages") {
			var list []string
			for range rapid.IntRange(1, 3).Draw(t, "rows") {
				list = append(list, score(rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "id"), rapid.IntRange(0, 4).Draw(t, "score")))
			}
			bodies = append(bodies, "["+strings.Join(list, ",")+"]")
		}
		src := gaitSource(t)
		take := func(h *house, size int, again bool) {
			s := &stream{map[uint64][]adapters.Verdict{}}
			for i := 0; i < len(bodies); {
				n := min(size, len(bodies)-i)
				var list []*adapters.Delivery
				for k := range n {
					list = append(list, s.message(uint64(i+k+1), bodies[i+k]))
				}
				if again && i > 0 {
					list = append([]*adapters.Delivery{s.message(uint64(i), bodies[i-1])}, list...)
				}
				if _, err := h.in.TakeBatch(context.Background(), src, list); err != nil {
					t.Fatal(err)
				}
				i += n
			}
		}
		one := newHouse(t, scratchDir(t), &memoryLog{id: "log"})
		take(one, 1, false)
		one.balanced()
		one.close()
		sizes := intake.Sizes{Records: rapid.IntRange(1, 6).Draw(t, "records")}
		other := newSizedHouse(t, scratchDir(t), &memoryLog{id: "log"}, sizes)
		take(other, rapid.IntRange(1, 8).Draw(t, "batch"), true)
		other.balanced()
		other.close()
		if got, want := story(t, other.log), story(t, one.log); got != want {
			t.Fatalf("got\n%s\nwant\n%s", got, want)
		}
	})
}

// A message that its source counts by itself is in the log only if the log has it
// under that number: another daemon may have counted on meanwhile.
func TestTakeBatch_WhatASourceCountsIsNotTakenForAnother(t *testing.T) {
	for _, large := range []bool{false, true} {
		t.Run(fmt.Sprint("large ", large), func(t *testing.T) {
			h := fresh(t)
			src := gaitSource(t)
			s := &stream{map[uint64][]adapters.Verdict{}}
			pad := map[bool]string{true: strings.Repeat(" ", 200<<10)}[large]
			message := func(sequence uint64, name string) *adapters.Delivery {
				d := s.message(sequence, score(name, 1)+pad)
				d.Message, d.Counted = fmt.Sprintf("%d %s", sequence, name), true
				return d
			}
			take := func(list ...*adapters.Delivery) (intake.Receipt, error) {
				clear(s.verdicts)
				return h.in.TakeBatch(t.Context(), src, list)
			}
			if _, err := take(message(1, "a"), message(2, "b")); err != nil {
				t.Fatal(err)
			}
			r, err := take(message(2, "b"), message(3, "c")) // once more, as the acknowledgement was lost
			if err != nil || r.Counts.Read != 1 || s.verdicts[2][0] != adapters.Taken {
				t.Errorf("again: %v, %v, %v", r.Counts, err, s.verdicts)
			}
			r, err = take(message(3, "d"), message(4, "e"))
			if !errors.Is(err, intake.ErrRecount) || !errors.Is(err, events.ErrUnavailable) || r.Counts.Read != 0 {
				t.Errorf("another one: %v, %v", r.Counts, err)
			}
			for seq := range uint64(2) {
				if v := s.verdicts[seq+3]; len(v) != 1 || v[0] != adapters.NotTaken {
					t.Errorf("message %d: got %v, want not taken", seq+3, v)
				}
			}
			if _, err := h.in.Take(t.Context(), src, message(1, "f"), intake.Options{}); !errors.Is(err, intake.ErrRecount) {
				t.Errorf("by itself: %v", err)
			}
			h.balanced()
		})
	}
}
