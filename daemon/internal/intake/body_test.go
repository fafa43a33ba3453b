package intake_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"
)

// A request is a body that waits for its answer.
type request struct {
	*adapters.Delivery
	account  *adapters.Account
	verdicts []adapters.Verdict
}

func body(key, text string) *request {
	r := &request{Delivery: delivery("body", []byte(text))}
	r.Body, r.Key = true, key
	r.Tell = func(a adapters.Account) {
		if r.account != nil || r.verdicts != nil {
			panic("told twice, or after it was settled")
		}
		r.account = &a
	}
	r.Settle = func(_ context.Context, v adapters.Verdict) error { r.verdicts = append(r.verdicts, v); return nil }
	return r
}

func (h *house) bodies(src *intake.Source, list ...*request) intake.Receipt {
	h.t.Helper()
	ds := make([]*adapters.Delivery, len(list))
	for i := range list {
		ds[i] = list[i].Delivery
	}
	r, err := h.in.TakeBatch(h.t.Context(), src, ds)
	if err != nil {
		h.t.Fatal(err)
	}
	for i, b := range list {
		if b.account == nil || len(b.verdicts) != 1 {
			h.t.Fatalf("body %d: told %v, settled as %v; want both once", i, b.account, b.verdicts)
		}
	}
	return r
}

func outcomes(a *adapters.Account) string {
	var out []string
	for _, f := range a.Fates {
		out = append(out, fmt.Sprint(f.Record, " ", f.Outcome, " ", f.Held != "", " ", len(f.Reasons)))
	}
	return strings.Join(out, "; ")
}

func TestTakeBatch_BodiesShareACommitAndEachIsAccountedFor(t *testing.T) {
	h := fresh(t)
	src := gaitSource(t)
	one, two := body("k-1", "["+score("a", 2)+",\n"+score("b", 9)+",\n"+score("c", 1)+"]"), body("", score("a", 3))
	same, broken := body("", score("a", 3)), body("", "{broken")
	r := h.bodies(src, one, two, broken)
	if r.Entries != 1 || r.Counts != (events.Counts{Read: 5, Accepted: 2, Amended: 1, Held: 2}) {
		t.Errorf("got %v in %d entries", r.Counts, r.Entries)
	}
	sum := sha256.Sum256([]byte(score("a", 3)))
	if two.account.SHA256 != hex.EncodeToString(sum[:]) || two.account.Last != 1 || two.account.Known {
		t.Errorf("got %+v", two.account)
	}
	for _, tt := range []struct {
		r    *request
		want string
	}{
		{one, "1 accepted false 0; 2 held true 1; 3 accepted false 0"}, {two, "1 amended false 0"}, {broken, "1 held true 1"},
	} {
		if got := outcomes(tt.r.account); got != tt.want {
			t.Errorf("got %q, want %q", got, tt.want)
		}
	}
	if f := one.account.Fates[1]; f.Line != 2 || f.Reasons[0].Field != "score" {
		t.Errorf("got %+v, want the score of line 2", f)
	}
	if r := h.bodies(src, same); !r.Known || r.Entries != 0 || !same.account.Known || same.account.Last != 1 {
		t.Errorf("the same bytes: got %+v, %+v", r, same.account)
	}
	h.balanced()
}

// Whatever has happened since, bytes that were read before change nothing and are
// answered with what they hold: after the index was built anew from the log too.
func TestTakeBatch_ABodyReadBeforeChangesNothing(t *testing.T) {
	h := fresh(t)
	src := gaitSource(t)
	first := "[" + score("a", 2) + "," + score("b", 9) + "]"
	h.bodies(src, body("k", first))
	h.bodies(src, body("", score("a", 3)))
	ask := func(h *house) {
		t.Helper()
		again, twin, other := body("k", first), body("other", first), body("k", score("z", 1))
		h.bodies(src, again, twin, other)
		want := events.Counts{Read: 2, Duplicate: 1, Held: 1}
		for _, r := range []*request{again, twin} {
			if a := r.account; !a.Known || a.Counts != want || outcomes(a) != "1 duplicate false 0; 2 held true 1" || a.Last != 1 || r.verdicts[0] != adapters.Taken {
				t.Errorf("got %+v, %v", a, r.verdicts)
			}
		}
		if a := other.account; a.Refused == nil || a.Refused.Kind != events.ErrInvalid || other.verdicts[0] != adapters.NotTaken {
			t.Errorf("a key with other bytes: got %+v, %v, want a refusal", a, other.verdicts)
		}
	}
	ask(h)
	if len(h.entries) != 2 {
		t.Errorf("%d entries, want 2", len(h.entries))
	}
	ix, err := index.Open(t.Context(), index.Options{Path: filepath.Join(t.TempDir(), "index.db"), Log: h.log, Passing: true})
	if err != nil {
		t.Fatal(err)
	}
	defer ix.Close()
	d := h.in.Deps
	d.Index = ix
	ask(&house{t: t, log: h.log, ix: ix, archive: h.archive, in: intake.New(d)})
	h.balanced()
}

func TestTakeBatch_TheSameBytesAtTheSameTimeCountOnce(t *testing.T) {
	h := fresh(t)
	a, b := body("k", score("a", 2)), body("k", score("a", 2))
	r := h.bodies(gaitSource(t), a, b)
	if r.Counts != (events.Counts{Read: 1, Accepted: 1}) || a.account.Known || !b.account.Known {
		t.Errorf("got %v, %+v, %+v", r.Counts, a.account, b.account)
	}
	h.balanced()
}

// A large body is an original of its own, of several entries, and its key is
// known all the same.
func TestTakeBatch_ALargeBodyIsReadByItself(t *testing.T) {
	h := fresh(t)
	src := source(t, "gait", "larkfield", "gait.yaml", []byte(strings.Replace(gaitByMessage, "format: json", "format: ndjson", 1)))
	var text strings.Builder
	for i := range 1500 {
		text.WriteString(score(fmt.Sprint("r", i), 2) + "\n")
	}
	text.WriteString(score("bad", 17) + "\n")
	small, large := body("", score("a", 1)), body("big", text.String())
	r := h.bodies(src, small, large)
	if r.Entries < 4 || large.account.Counts != (events.Counts{Read: 1501, Accepted: 1500, Held: 1}) || large.account.Last != r.Last {
		t.Errorf("got %+v, %v", r, large.account.Counts)
	}
	if n := len(large.account.Fates); n != 1501 || large.account.Fates[1500].Outcome != "held" || large.account.Fates[1500].Line != 1501 {
		t.Errorf("%d fates, the last %+v", n, large.account.Fates[n-1])
	}
	again, other := body("big", text.String()), body("big", score("b", 1))
	h.bodies(src, again, other)
	if a := again.account; !a.Known || !a.More || a.Counts.Duplicate != 1500 || a.Counts.Held != 1 || a.Last != r.Last {
		t.Errorf("again: got %+v", a)
	}
	if other.account.Refused == nil {
		t.Error("its key was taken with other bytes")
	}
	h.balanced()
}
