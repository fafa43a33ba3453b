package delivery

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
)

func (w *world) reply(d *Desk, list ...Reply) []string {
	w.t.Helper()
	got, err := d.Reply(w.ctx(), w.cfg.Feeds[0].ID, list)
	if err != nil {
		w.t.Fatal(err)
	}
	var out []string
	for _, n := range got {
		out = append(out, n.Result)
	}
	return out
}

func TestDesk_RepliesAreMatchedToWhatWasSent(t *testing.T) {
	w := newWorld(t, vet("where: {lesion: {code: [SU]}}"))
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("SU"))
	w.say("C", "r3/x", lesion("DD"))
	w.commit()
	w.once()
	w.say("D", "r4/x", lesion("SU"))
	w.commit() // and not sent yet
	d := w.desk()
	id := func(name string, revision int) string { return events.EventID(w.entity(name), revision) }
	got := w.reply(d,
		Reply{ID: id("r1/x", 1), Outcome: Confirmed, Reference: "77"}, Reply{ID: id("r2/x", 1), Outcome: Refused, Reason: "no such\ncow"},
		Reply{ID: id("r3/x", 1), Outcome: Confirmed}, Reply{ID: id("r4/x", 1), Outcome: Confirmed}, Reply{ID: id("r1/x", 2), Outcome: Confirmed},
		Reply{ID: "nonsense", Outcome: Confirmed}, Reply{ID: id("r1/x", 1), Outcome: "maybe"}, Reply{ID: id("r1/x", 1), Outcome: Refused},
	)
	if want := []string{"noted", "noted", "unknown", "unknown", "unknown", "invalid", "invalid", "invalid"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	check := func(d *Desk, confirmed int, want ...string) {
		t.Helper()
		s := w.show(d)
		var got []string
		for _, x := range s.Refusals {
			got = append(got, fmt.Sprintf("%s %s %s %s", x.Subject, x.Reason, x.State, strings.TrimPrefix(x.Newer, string(w.entity("r2/x")))))
		}
		if s.Confirmed != confirmed || s.Refused != len(want) || !slices.Equal(got, want) {
			t.Errorf("got %d confirmed, %d refused %q; want %d, %q", s.Confirmed, s.Refused, got, confirmed, want)
		}
	}
	check(d, 1, "ear-tag:B no such cow open ")
	check(w.desk(), 1, "ear-tag:B no such cow open ")                         // after a restart too
	w.say("B", "r2/x", &events.Lesion{Code: "SU", Foot: "LH", Claw: "inner"}) // put right
	w.commit()
	check(d, 1, "ear-tag:B no such cow waits .2")
	w.once()
	check(w.desk(), 1, "ear-tag:B no such cow sent .2")
	d = w.desk()
	w.reply(d, Reply{ID: id("r2/x", 2), Outcome: Confirmed})
	check(d, 2, "ear-tag:B no such cow confirmed .2")
	w.reply(d, Reply{ID: id("r2/x", 1), Outcome: Confirmed}) // the newest reply counts
	check(d, 3)
	sent, err := d.Sent(w.ctx(), events.Place{Position: 1, Index: 1})
	if err != nil || sent[0].State != Confirmed {
		t.Errorf("got %+v, %v", sent, err)
	}
	if _, err := d.Reply(w.ctx(), "none", nil); !errors.Is(err, events.ErrNotFound) {
		t.Errorf("no such feed: got %v", err)
	}
}

// A recipient learns by replies of nothing that it did not get: of events that went out
// under a pseudonym, of those of another farm and of those that are not there it is told
// the same, whatever id it tries.
func TestDesk_RepliesTellNothingOfWhatWasNotSent(t *testing.T) {
	w := newWorld(t, `
feeds:
  vet: {recipient: vet, farms: [larkfield, stony-run], kinds: [lesion], to: {folder: OUT} }
grants:
  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion], fields: identities, from: 2026-01-01}
  - {farm: stony-run, recipient: vet, purpose: care, kinds: [lesion], fields: pseudonyms, from: 2026-01-01}
`)
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("SU")) // under a pseudonym
	w.pending[1].farm = "stony-run"
	w.say("C", "r3/x", lesion("SU")) // of a farm that is not in the feed
	w.pending[2].farm = "another"
	w.commit()
	w.unsay("B", "r2/x", lesion("SU"))
	w.pending[0].farm = "stony-run"
	w.commit()
	w.once()
	d := w.desk()
	if got := w.reply(d, Reply{ID: events.EventID(w.entity("r1/x"), 1), Outcome: Confirmed}); got[0] != "noted" {
		t.Errorf("what was sent by its id: %v", got)
	}
	none := w.keyer.OwnKey("none").Entity(w.keyer.Slot(events.KindLesion, 0, "x"))
	ids := []string{
		events.EventID(w.entity("r2/x"), 1), events.EventID(w.entity("r2/x"), 2), events.EventID(w.entity("r2/x"), 1) + ".moved",
		events.EventID(w.entity("r3/x"), 1), events.EventID(none, 1),
	}
	var list []Reply
	for _, id := range ids {
		list = append(list, Reply{ID: id, Outcome: Confirmed})
	}
	got, err := d.Reply(w.ctx(), "vet", list)
	if err != nil {
		t.Fatal(err)
	}
	for i, n := range got {
		if want := (Noted{ID: ids[i], Result: "unknown", Why: unknownReply}); n != want {
			t.Errorf("reply %d: got %+v, want %+v", i, n, want)
		}
	}
	if s := w.show(d); s.Confirmed != 1 {
		t.Errorf("got %d confirmed, want 1", s.Confirmed)
	}
}

func TestReadReplies_TakesOneManyAndLines(t *testing.T) {
	for text, want := range map[string]int{
		`{"id":"a","outcome":"confirmed"}`: 1,
		`[{"id":"a","outcome":"confirmed"},{"id":"b","outcome":"refused","reason":"x","reference":"9"}]`: 2,
		"{\"id\":\"a\",\"outcome\":\"confirmed\"}\n{\"id\":\"b\",\"outcome\":\"confirmed\"}\n":           2,
		"": -1, "[]": -1, "{": -1, `{"id":"a","outcom":"confirmed"}`: -1, `"a"`: -1, `{"id":"a"} x`: -1, "null": 1,
	} {
		got, err := ReadReplies(strings.NewReader(text))
		if want < 0 && !errors.Is(err, events.ErrInvalid) || want >= 0 && (err != nil || len(got) != want) {
			t.Errorf("%s: got %v, %v", text, got, err)
		}
	}
	if _, err := ReadReplies(strings.NewReader(strings.Repeat(`{"id":"a"}`, MaxReplies+1))); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("too many: got %v", err)
	}
}
