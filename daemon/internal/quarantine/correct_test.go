package quarantine_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
)

// day is a file of one examination with two findings and a wrap.
const day = chuteHead +
	"DE0941200731;2026-03-04;08:12;RH;out;SG;2;y;tender\n" +
	"DE0941200731;2026-03-04;08:12;LH;out;WR;1;;\n"

// lesion returns the newest revision of the lesion with a code.
func (b *barn) lesion(code string) (events.Event, *events.Lesion) {
	b.t.Helper()
	for _, ev := range b.newest(events.KindLesion) {
		p, err := ev.Payload()
		if err != nil {
			b.t.Fatal(err)
		}
		if l := p.(*events.Lesion); l.Code == code {
			return ev, l
		}
	}
	b.t.Fatalf("no lesion %s", code)
	return events.Event{}, nil
}

func (b *barn) correct(c quarantine.Correction) quarantine.Result {
	b.t.Helper()
	c.Who, c.Why = "anna", "seen on the cow"
	r, err := b.q.Correct(b.t.Context(), c)
	if err != nil {
		b.t.Fatal(err)
	}
	return r
}

// After every correction the books balance, the same rows read again change
// nothing, and something new that the source says is the next revision.
func TestCorrect(t *testing.T) {
	tests := []struct {
		name string
		do   func(b *barn) quarantine.Correction
		want func(t *testing.T, b *barn, r quarantine.Result)
	}{
		{"change a value", func(b *barn) quarantine.Correction {
			ev, _ := b.lesion("SU")
			return quarantine.Correction{Target: ev.ID(), Action: events.ActionChange, Set: map[string]string{"severity.value": "3"}}
		}, func(t *testing.T, b *barn, r quarantine.Result) {
			ev, l := b.lesion("SU")
			if l.Severity.Value != "3" || ev.Revision != 2 || ev.Change != events.Amended || len(r.Events) != 1 || r.Events[0] != ev.ID() {
				t.Errorf("got %+v of %s, result %+v", l, ev.ID(), r)
			}
		}},
		{"take a value away", func(b *barn) quarantine.Correction {
			ev, _ := b.lesion("SU")
			return quarantine.Correction{Target: string(ev.Entity), Action: events.ActionChange, Set: map[string]string{"severity.value": "", "severity.scale": ""}}
		}, func(t *testing.T, b *barn, _ quarantine.Result) {
			if _, l := b.lesion("SU"); l.Severity != (events.Severity{}) {
				t.Errorf("got severity %+v, want none", l.Severity)
			}
		}},
		{"swap a foot of one finding", func(b *barn) quarantine.Correction {
			ev, _ := b.lesion("SU")
			return quarantine.Correction{Target: ev.ID(), Action: events.ActionSwapFoot, Foot: "RF"}
		}, func(t *testing.T, b *barn, _ quarantine.Result) {
			if _, l := b.lesion("SU"); l.Foot != "RF" {
				t.Errorf("got foot %s, want RF", l.Foot)
			}
			if _, l := b.lesion("WLF"); l.Foot != "LH" {
				t.Errorf("the other finding went to %s", l.Foot)
			}
		}},
		{"swap the feet of a whole examination", func(b *barn) quarantine.Correction {
			ev, _ := b.lesion("SU")
			return quarantine.Correction{Target: ev.ID(), Whole: true, Action: events.ActionSwapFoot, Foot: "LH"}
		}, func(t *testing.T, b *barn, r quarantine.Result) {
			_, su := b.lesion("SU")
			_, wl := b.lesion("WLF")
			_, x := only[*events.Examination](b, events.KindExamination)
			_, tr := only[*events.Treatment](b, events.KindTreatment)
			if su.Foot != "LH" || wl.Foot != "RH" || tr.Foot != "LH" || x.Remarks[0].Foot != "LH" || len(x.Feet) != 2 || len(r.Events) != 4 {
				t.Errorf("got %s %s %s, remark %s, feet %v, %d events", su.Foot, wl.Foot, tr.Foot, x.Remarks[0].Foot, x.Feet, len(r.Events))
			}
		}},
		{"another animal", func(b *barn) quarantine.Correction {
			ev, _ := b.lesion("SU")
			return quarantine.Correction{Target: ev.ID(), Whole: true, Action: events.ActionReassign, Animal: events.Identifier{Scheme: "ear-tag", Value: "DE 09 412 00799"}}
		}, func(t *testing.T, b *barn, r quarantine.Result) {
			ev, l := b.lesion("SU")
			want := events.Identifier{Scheme: "ear-tag", Value: "DE0941200799"}
			if ev.Subject != "ear-tag:DE0941200799" || len(l.Derived.Animal) != 1 || l.Derived.Animal[0] != want || len(r.Events) != 4 {
				t.Errorf("got subject %s, derived %v, %d events", ev.Subject, l.Derived.Animal, len(r.Events))
			}
		}},
		{"withdraw", func(b *barn) quarantine.Correction {
			ev, _ := b.lesion("SU")
			return quarantine.Correction{Target: ev.ID(), Action: events.ActionWithdraw}
		}, func(t *testing.T, b *barn, _ quarantine.Result) {
			if ev, l := b.lesion("SU"); ev.Change != events.Retracted || l.Severity.Value != "2" {
				t.Errorf("got %s of %+v, want retracted with its last content", ev.Change, l)
			}
		}},
		{"the same animal", func(b *barn) quarantine.Correction {
			ev, _ := b.lesion("SU")
			return quarantine.Correction{Target: ev.ID(), Action: events.ActionSame, Other: events.Identifier{Scheme: "transponder", Value: "276000941200731"}}
		}, func(t *testing.T, b *barn, r quarantine.Result) {
			_, d := only[*events.Decision](b, events.KindDecision)
			if len(r.Events) != 0 || d.Animal[0].Value != "DE0941200731" || d.Other[0].Value != "276000941200731" {
				t.Errorf("got %+v and %d events", d, len(r.Events))
			}
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBarn(t)
			b.source("chute", "larkfield", chute)
			b.counts("chute", "a.csv", day, events.Counts{Read: 1, Accepted: 1})
			r := b.correct(tt.do(b))
			tt.want(t, b, r)
			_, d := only[*events.Decision](b, events.KindDecision)
			if d.Who != "anna" || d.Why != "seen on the cow" {
				t.Errorf("decision: got %+v", d)
			}
			b.balanced()
			b.counts("chute", "b.csv", day+"\n", events.Counts{Read: 1, Duplicate: 1})
			tt.want(t, b, r)
			b.counts("chute", "c.csv", strings.Replace(day, "SG;2", "SG;1", 1), events.Counts{Read: 1, Amended: 1 - gone(b), Accepted: gone(b)})
			if ev, l := b.lesion("SU"); l.Severity.Value != "1" || ev.Change == events.Retracted {
				t.Errorf("what the source says new: got %+v, %s", l, ev.Change)
			}
			b.balanced()
		})
	}
}

// gone is 1 if the lesion SU was retracted before its newest revision.
func gone(b *barn) int {
	n := 0
	for e, err := range b.log.Read(context.Background(), 1) {
		if err != nil {
			b.t.Fatal(err)
		}
		for ev, err := range e.All() {
			if err != nil {
				b.t.Fatal(err)
			}
			if ev.Change == events.Retracted {
				n = 1
			}
		}
	}
	return n
}

func TestCorrect_RefusesWhatMakesNoSense(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	b.take("chute", "a.csv", day)
	su, _ := b.lesion("SU")
	x, _ := only[*events.Examination](b, events.KindExamination)
	tests := []struct {
		name string
		c    quarantine.Correction
		kind error
		part string
	}{
		{"no such event", quarantine.Correction{Target: "0" + string(su.Entity[1:]), Action: events.ActionWithdraw}, events.ErrNotFound, "no record"},
		{"no such field", quarantine.Correction{Target: su.ID(), Action: events.ActionChange, Set: map[string]string{"colour": "red"}}, events.ErrInvalid, "colour"},
		{"a field that is not theirs to set", quarantine.Correction{Target: su.ID(), Action: events.ActionChange, Set: map[string]string{"occurred.date": "2026-03-05"}}, events.ErrInvalid, "occurred.date"},
		{"a code there is not", quarantine.Correction{Target: su.ID(), Action: events.ActionChange, Set: map[string]string{"code": "QQ"}}, events.ErrInvalid, "code"},
		{"off the scale", quarantine.Correction{Target: su.ID(), Action: events.ActionChange, Set: map[string]string{"severity.value": "9"}}, events.ErrInvalid, "severity"},
		{"nothing new", quarantine.Correction{Target: su.ID(), Action: events.ActionChange, Set: map[string]string{"severity.value": "2"}}, events.ErrInvalid, "a change"},
		{"a foot there is not", quarantine.Correction{Target: su.ID(), Action: events.ActionSwapFoot, Foot: "XX"}, events.ErrInvalid, "foot"},
		{"the foot of an examination of two", quarantine.Correction{Target: x.ID(), Action: events.ActionSwapFoot, Foot: "LF"}, events.ErrInvalid, "one foot"},
		{"an animal in no scheme", quarantine.Correction{Target: su.ID(), Action: events.ActionReassign, Animal: events.Identifier{Scheme: "name", Value: "Elsa"}}, events.ErrInvalid, "scheme"},
		{"a transponder of 14 digits", quarantine.Correction{Target: su.ID(), Action: events.ActionReassign, Animal: events.Identifier{Scheme: "transponder", Value: "27600094120073"}}, events.ErrInvalid, "15 digits"},
		{"a retraction that does not wait", quarantine.Correction{Target: su.ID(), Action: events.ActionConfirm}, events.ErrInvalid, "waits"},
		{"an action there is not", quarantine.Correction{Target: su.ID(), Action: "forget"}, events.ErrInvalid, "forget"},
	}
	last, _ := b.log.Last()
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.c.Who, tt.c.Why = "a", "b"
			_, err := b.q.Correct(t.Context(), tt.c)
			if !errors.Is(err, tt.kind) || !strings.Contains(err.Error()+strings.Join(events.Hints(err), " "), tt.part) {
				t.Errorf("got %v, want %v with %q", err, tt.kind, tt.part)
			}
		})
	}
	if now, _ := b.log.Last(); now != last {
		t.Errorf("the log went from %d to %d: something was settled", last, now)
	}
}

// What vanished from a record that states all there is, and is a wrap, waits for
// a person.
func TestCorrect_ConfirmsAndRefusesRetractionsThatWait(t *testing.T) {
	const whole = `
mapping: whole
direction: in
dates: YYYY-MM-DD
read: {format: json}
record: {key: $.id}
animal: {ear-tag: $.tag}
occurred: {date: $.date}
events:
  - examination: {feet: {from: "$.feet[*]"}, reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
  - each: "$.done[*]"
    treatment: {what: {from: .what, table: {wrap: wrap}}, foot: .foot, claw: =none}
`
	full := `{"id":"1","tag":"DE0941200731","date":"2026-03-04","feet":["RH"],"done":[{"what":"wrap","foot":"RH"}]}`
	silent := `{"id":"1","tag":"DE0941200731","date":"2026-03-04","feet":["RH"],"done":[]}`
	for _, action := range []string{events.ActionConfirm, events.ActionRefuse} {
		t.Run(action, func(t *testing.T) {
			b := newBarn(t)
			b.source("whole", "larkfield", whole)
			b.counts("whole", "1.json", full, events.Counts{Read: 1, Accepted: 1})
			b.counts("whole", "2.json", silent, events.Counts{Read: 1, Duplicate: 1})
			waits, err := b.ix.Waits("whole")
			if err != nil || len(waits) != 1 {
				t.Fatalf("got %v, %v, want the wrap to wait", waits, err)
			}
			b.balanced()
			r := b.correct(quarantine.Correction{Target: string(waits[0].Entity), Action: action})
			ev, _ := only[*events.Treatment](b, events.KindTreatment)
			if gone := action == events.ActionConfirm; (ev.Change == events.Retracted) != gone || (len(r.Events) == 1) != gone {
				t.Errorf("got %s and %v", ev.Change, r.Events)
			}
			if waits, err := b.ix.Waits(""); err != nil || len(waits) != 0 {
				t.Errorf("still waits: %v, %v", waits, err)
			}
			// silent once more: a refused one is not asked about again
			b.counts("whole", "3.json", silent+"\n", events.Counts{Read: 1, Duplicate: 1})
			if waits, err := b.ix.Waits(""); err != nil || len(waits) != 0 {
				t.Errorf("asked again: %v, %v", waits, err)
			}
			// there again: a confirmed one is recorded anew
			want := events.Counts{Read: 1, Duplicate: 1}
			if action == events.ActionConfirm {
				want = events.Counts{Read: 1, Accepted: 1}
			}
			b.counts("whole", "4.json", full+"\n", want)
			b.balanced()
		})
	}
}

// A message that was held is found in its pack, fixed and released.
func TestQuarantine_MessagesAreFixedInTheirPack(t *testing.T) {
	b := newBarn(t)
	src := b.source("gait", "larkfield", strings.Replace(gait, "ndjson", "json", 1))
	var list []*adapters.Delivery
	for i, body := range []string{
		`{"id":"1","cow":"276000941200731","at":"2026-03-05T06:11:58","score":1}`, `{"id":"2","cow":"276000941200744","at":"2026-03-05T06:12:58","score":7}`,
	} {
		list = append(list, &adapters.Delivery{
			Name: "chute.gait", Stream: "S@1", Sequence: uint64(i + 1), Message: "S@1#" + string(rune('1'+i)), Received: received,
			Open: func(context.Context) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(body)), nil },
		})
	}
	r, err := b.in.TakeBatch(t.Context(), src, list)
	if err != nil || r.Counts != (events.Counts{Read: 2, Accepted: 1, Held: 1}) {
		t.Fatalf("got %v, %v", r.Counts, err)
	}
	item := b.held()
	if item.Message != "S@1#2" {
		t.Errorf("got %+v", item)
	}
	if _, err := b.q.Fix(t.Context(), item.ID, quarantine.Fix{Set: map[string]string{"$.score": "3"}, Who: "a", Why: "b"}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.q.Release(t.Context(), item.ID, "a", "b"); err != nil {
		t.Fatal(err)
	}
	if n := len(b.newest(events.KindLocomotion)); n != 2 {
		t.Errorf("got %d scores, want 2", n)
	}
	for _, ev := range b.newest(events.KindLocomotion) {
		p, err := ev.Payload()
		if err != nil || !strings.HasPrefix(p.Base().Origin.Message, "S@1#") || p.Base().Origin.Archive != item.Archive {
			t.Errorf("got origin %+v, %v", p.Base().Origin, err)
		}
	}
	b.balanced()
}

// A person can say that the source was right to change something: the decision
// changes nothing, once.
func TestCorrect_AValueThatStandsConfirmsWhatTheSourceChanged(t *testing.T) {
	b := newBarn(t)
	b.source("gait", "larkfield", gait)
	b.take("gait", "a.json", `{"id":"1","cow":"276000941200731","at":"2026-03-04T08:00:00","score":2}`+"\n")
	x, _ := only[*events.Locomotion](b, events.KindLocomotion)
	c := quarantine.Correction{Target: x.ID(), Action: events.ActionChange, Set: map[string]string{"score": "1"}, Who: "anna", Why: "seen"}
	b.take("gait", "b.json", `{"id":"1","cow":"276000941200731","at":"2026-03-04T08:00:00","score":1}`+"\n")
	r, err := b.q.Correct(t.Context(), c)
	if err != nil || len(r.Events) != 0 {
		t.Fatalf("got %+v, %v, want a decision that nothing follows from", r, err)
	}
	if _, err := b.q.Correct(t.Context(), c); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("said again: got %v, want that it is there already", err)
	}
	b.take("gait", "c.json", `{"id":"1","cow":"276000941200731","at":"2026-03-04T08:00:00","score":3}`+"\n")
	if now, p := only[*events.Locomotion](b, events.KindLocomotion); now.Revision != 3 || p.Score.String() != "3" {
		t.Errorf("the source changed it again: got revision %d, score %s", now.Revision, p.Score)
	}
	c.Set["score"] = "3"
	if _, err := b.q.Correct(t.Context(), c); err != nil {
		t.Errorf("confirmed again, after it was changed again: %v", err)
	}
	b.balanced()
}
