package quarantine_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
)

// chute is a list of one row a foot; rows of one animal and time are one record.
const chute = `
mapping: chute
direction: in
dates: YYYY-MM-DD
times: HH:mm
read: {format: csv, delimiter: ";"}
record: {identifier: [ear-tag], group: [tag, date, time]}
animal: {ear-tag: tag}
occurred: {date: date, time: time}
row: {foot: foot, claw: {from: claw, table: {in: inner, out: outer}, empty: by-finding}}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown, remarks: note}
  - lesion: {code: {from: lesion, table: {SG: SU, WR: WLF}}, severity: {from: sev, scale: grade-3}}
  - if: {wrap: [y]}
    treatment: {what: =wrap, claw: =none}
`

const chuteHead = "tag;date;time;foot;claw;lesion;sev;wrap;note\n"

const gait = `
mapping: gait
direction: in
read: {format: ndjson}
record: {key: $.id}
animal: {transponder: $.cow}
occurred: {at: $.at, layout: "YYYY-MM-DDTHH:mm:ss"}
events:
  - locomotion: {scale: =mob4-uk, score: $.score, role: =scorer}
`

func TestQuarantine_AFixedRowJoinsItsExamination(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	file := chuteHead +
		"DE0941200731;2026-03-04;08:12;RH;out;SG;2;;\n" +
		"DE0941200731;2026-03-04;08:12;XX;out;WR;1;y;swollen, says the milker\n" +
		"DE0941200731;2026-03-04;08:12;LH;;;;;\n"
	b.counts("chute", "a.csv", file, events.Counts{Read: 2, Accepted: 1, Held: 1})
	_, x := only[*events.Examination](b, events.KindExamination)
	if x.Outcome != "incomplete" {
		t.Errorf("while a row is held: got outcome %q, want incomplete", x.Outcome)
	}
	item := b.held()
	if item.Line != 3 || item.Name != "a.csv" || item.Source != "chute" || item.State != "held" || item.Record == "" {
		t.Errorf("held: got %+v", item)
	}
	if !strings.Contains(item.Urgent, "wrap") {
		t.Errorf("urgent: got %q, want the wrap it hides", item.Urgent)
	}

	if _, err := b.q.Release(t.Context(), item.ID, "anna", "looks fine"); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "foot") {
		t.Errorf("release of what is still wrong: got %v, want the reason", err)
	}
	fixed, err := b.q.Fix(t.Context(), item.ID, quarantine.Fix{Set: map[string]string{"foot": "RH"}, Who: "anna", Why: "seen on the cow"})
	if err != nil {
		t.Fatal(err)
	}
	if want := "DE0941200731;2026-03-04;08:12;RH;out;WR;1;y;swollen, says the milker"; fixed.Fixed != want || fixed.State != "held" {
		t.Errorf("fixed: got %q, %s, want %q", fixed.Fixed, fixed.State, want)
	}
	if len(fixed.History) != 1 || fixed.History[0].Who != "anna" || fixed.History[0].Set[0] != (events.Assignment{Field: "foot", From: "XX", To: "RH"}) {
		t.Errorf("history: got %+v", fixed.History)
	}
	if !strings.Contains(fixed.Raw, ";XX;") {
		t.Errorf("the original was changed: %q", fixed.Raw)
	}
	r, err := b.q.Release(t.Context(), item.ID, "anna", "put right")
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Events) != 3 {
		t.Errorf("release: got %v, want examination, lesion and wrap", r.Events)
	}
	ev, x := only[*events.Examination](b, events.KindExamination)
	if x.Outcome != "findings" || len(x.Feet) != 2 || len(x.Remarks) != 1 || ev.Revision != 2 || ev.Change != events.Amended {
		t.Errorf("after the release: got %+v of revision %d", x, ev.Revision)
	}
	for _, ev := range b.newest(events.KindTreatment) {
		p, err := ev.Payload()
		if err != nil || p.Base().Examination != only1(b).Entity || p.Base().Origin.Line != 3 {
			t.Errorf("wrap: got %+v, %v, want it on the examination and from line 3", p, err)
		}
	}
	b.balanced()

	// read again with other bytes: the decision stands
	b.counts("chute", "b.csv", file+"\n", events.Counts{Read: 2, Duplicate: 2})
	if _, x := only[*events.Examination](b, events.KindExamination); x.Outcome != "findings" {
		t.Errorf("after reading again: got outcome %q, want findings", x.Outcome)
	}
	if _, err := b.q.Release(t.Context(), item.ID, "anna", "again"); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "released") {
		t.Errorf("second release: got %v, want that it was released", err)
	}
	b.balanced()
}

// What a held record hides is not settled while its original is away, as at a hub
// that waits for it.
func TestUrgent_IsNotReadWithoutTheOriginal(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	b.take("chute", "a.csv", chuteHead+"DE0941200731;2026-03-04;08:12;XX;out;WR;1;y;\n")
	id := b.held().ID
	b.restart()
	at, away := filepath.Join(b.dir, "archive"), t.TempDir()
	for i, want := range []struct {
		hides string
		read  bool
	}{{"", false}, {"wrap", true}} {
		from, to := at, away
		if want.read {
			from, to = to, from
		}
		list, err := os.ReadDir(from)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range list {
			if err := os.Rename(filepath.Join(from, x.Name()), filepath.Join(to, x.Name())); err != nil {
				t.Fatal(err)
			}
		}
		hides, read, err := b.q.Urgent(t.Context(), id)
		if hides != want.hides || read != want.read || err != nil {
			t.Errorf("%d: got %q, read %v, %v, want %q, read %v", i, hides, read, err, want.hides, want.read)
		}
	}
}

func only1(b *barn) events.Event {
	ev, _ := only[*events.Examination](b, events.KindExamination)
	return ev
}

// Two rows are held: only with the last one is the examination whole.
func TestQuarantine_AnExaminationIsWholeWhenNoRowIsHeld(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	b.take("chute", "a.csv", chuteHead+
		"DE0941200731;2026-03-04;08:12;RH;;;;;\n"+
		"DE0941200731;2026-03-04;08:12;LH;;ZZ;1;;\n"+
		"DE0941200731;2026-03-04;08:12;LF;;ZZ;1;;\n")
	var ids []string
	for item, err := range b.q.List(t.Context(), quarantine.Filter{Source: "chute"}) {
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, item.ID)
	}
	for i, want := range []string{"incomplete", "clear"} {
		if _, err := b.q.Fix(t.Context(), ids[i], quarantine.Fix{Set: map[string]string{"lesion": "", "sev": ""}, Who: "a", Why: "nothing there"}); err != nil {
			t.Fatal(err)
		}
		if _, err := b.q.Release(t.Context(), ids[i], "a", "b"); err != nil {
			t.Fatal(err)
		}
		if _, x := only[*events.Examination](b, events.KindExamination); x.Outcome != want || len(x.Feet) != i+2 {
			t.Errorf("after release %d: got %q with %d feet, want %q", i+1, x.Outcome, len(x.Feet), want)
		}
	}
	b.balanced()
}

func TestQuarantine_JSONValuesAreFixedInPlace(t *testing.T) {
	b := newBarn(t)
	b.source("gait", "larkfield", gait)
	file := `{"id":"g-5", "cow":"276000941200772","at":"2026-03-05T06:11:58","score":4}` + "\n"
	b.counts("gait", "a.ndjson", file, events.Counts{Read: 1, Held: 1})
	item := b.held()
	fixed, err := b.q.Fix(t.Context(), item.ID, quarantine.Fix{Set: map[string]string{"score": "3"}, Who: "a", Why: "b"})
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"id":"g-5", "cow":"276000941200772","at":"2026-03-05T06:11:58","score":3}`; fixed.Fixed != want {
		t.Errorf("got %s, want %s", fixed.Fixed, want)
	}
	if _, err := b.q.Release(t.Context(), item.ID, "a", "b"); err != nil {
		t.Fatal(err)
	}
	if _, l := only[*events.Locomotion](b, events.KindLocomotion); l.Score.String() != "3" {
		t.Errorf("got score %v, want 3", l.Score)
	}
	b.balanced()
	// the source puts it right itself, otherwise: something new, the next revision
	b.counts("gait", "b.ndjson", strings.Replace(file, `"score":4`, `"score":2`, 1), events.Counts{Read: 1, Amended: 1})
	b.balanced()
}

func TestQuarantine_DroppedIsADuplicateForEver(t *testing.T) {
	b := newBarn(t)
	b.source("gait", "larkfield", gait)
	file := `{"id":"g-5","cow":"276000941200772","at":"2026-03-05T06:11:58","score":4}` + "\n"
	b.take("gait", "a.ndjson", file)
	id := b.held().ID
	if err := b.q.Drop(t.Context(), id, "", "no who"); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "who") {
		t.Errorf("drop without who: got %v", err)
	}
	if err := b.q.Drop(t.Context(), id, "a", "the cow is not ours"); err != nil {
		t.Fatal(err)
	}
	b.counts("gait", "b.ndjson", file+"\n", events.Counts{Read: 1, Duplicate: 1})
	item, err := b.q.Show(t.Context(), id)
	if err != nil || item.State != "dropped" || len(item.History) != 1 || item.History[0].Why != "the cow is not ours" {
		t.Errorf("show: got %+v, %v", item, err)
	}
	if _, err := b.q.Fix(t.Context(), id, quarantine.Fix{Set: map[string]string{"score": "3"}, Who: "a", Why: "b"}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("fix of what was dropped: got %v, want invalid", err)
	}
	b.balanced()
}

func TestQuarantine_AChangedMappingReleasesWhatItCovers(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	file := chuteHead +
		"DE0941200731;2026-03-04;08:12;RH;out;BF;2;;\n" +
		"DE0941200744;2026-03-04;08:20;RH;out;BF;1;;\n" +
		"DE0941200758;2026-03-04;08:30;??;out;BF;1;;\n"
	b.counts("chute", "a.csv", file, events.Counts{Read: 3, Held: 3})
	b.source("chute", "larkfield", strings.Replace(chute, "WR: WLF", "WR: WLF, BF: HHE", 1))
	list, err := b.q.ReleaseAll(t.Context(), "chute", "anna", "the table has the code now")
	if err != nil || len(list) != 2 {
		t.Fatalf("got %d released, %v, want 2", len(list), err)
	}
	if item := b.held(); item.Line != 4 {
		t.Errorf("still held: got line %d, want 4", item.Line)
	}
	if n := len(b.newest(events.KindLesion)); n != 2 {
		t.Errorf("got %d lesions, want 2", n)
	}
	b.balanced()
	b.counts("chute", "b.csv", file+"\n", events.Counts{Read: 3, Duplicate: 2, Held: 1})
	b.balanced()
}

// The device writes another header: one held record stands for the file, and the
// file is read anew when the mapping knows it.
func TestQuarantine_AnOriginalIsReadAnew(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	file := strings.Replace(chuteHead, "lesion", "finding", 1) +
		"DE0941200731;2026-03-04;08:12;RH;out;SG;2;;\n" + "DE0941200744;2026-03-04;08:20;RH;out;SG;1;;\n"
	b.counts("chute", "a.csv", file, events.Counts{Read: 1, Held: 1})
	item := b.held()
	if _, err := b.q.Release(t.Context(), item.ID, "a", "b"); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "lesion") {
		t.Errorf("release by the old mapping: got %v, want what is missing", err)
	}
	if b.held().ID != item.ID {
		t.Error("it is not held any more")
	}
	if _, err := b.q.Fix(t.Context(), item.ID, quarantine.Fix{Set: map[string]string{"foot": "RH"}, Who: "a", Why: "b"}); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("fix of a whole original: got %v, want invalid", err)
	}
	b.source("chute", "larkfield", strings.Replace(chute, "{from: lesion,", "{from: finding,", 1))
	r, err := b.q.Release(t.Context(), item.ID, "a", "the mapping knows the header")
	if err != nil {
		t.Fatal(err)
	}
	if want := (events.Counts{Read: 2, Accepted: 2}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	b.balanced()
	b.counts("chute", "again.csv", file, events.Counts{Read: 2, Duplicate: 2})
}

// Whoever releases an original is stopped between the decision and its reading:
// to ask again reads it, as does the next start.
func TestQuarantine_AReleaseThatWasCutShortIsFinished(t *testing.T) {
	for _, how := range []string{"asked again", "at the next start"} {
		t.Run(how, func(t *testing.T) {
			b := newBarn(t)
			b.source("chute", "larkfield", chute)
			file := strings.Replace(chuteHead, "lesion", "finding", 1) + "DE0941200731;2026-03-04;08:12;RH;out;SG;2;;\n"
			b.take("chute", "a.csv", file)
			item := b.held()
			src := b.source("chute", "larkfield", strings.Replace(chute, "{from: lesion,", "{from: finding,", 1))
			_, err := b.in.Settle(t.Context(), intake.Settlement{
				Source: "chute", Farm: "larkfield", Decision: events.Decision{Action: events.ActionRelease, Held: item.ID, Who: "a", Why: "b"},
			})
			if err != nil {
				t.Fatal(err)
			}
			want := events.Counts{Read: 1, Accepted: 1}
			if how == "asked again" {
				r, err := b.q.Release(t.Context(), item.ID, "a", "b")
				if err != nil || r.Counts != want {
					t.Fatalf("got %v, %v, want %v", r.Counts, err, want)
				}
			} else {
				r, err := b.in.Finish(t.Context(), src)
				if err != nil || len(r) != 1 || r[0].Counts != want {
					t.Fatalf("got %v, %v, want one reading with %v", r, err, want)
				}
			}
			last, _ := b.log.Last()
			if r, err := b.in.Finish(t.Context(), src); err != nil || len(r) != 0 {
				t.Errorf("finished twice: %v, %v", r, err)
			}
			if _, err := b.q.Release(t.Context(), item.ID, "a", "b"); !errors.Is(err, events.ErrInvalid) {
				t.Errorf("released twice: got %v, want invalid", err)
			}
			if now, _ := b.log.Last(); now != last {
				t.Errorf("the log grew from %d to %d", last, now)
			}
			b.balanced()
		})
	}
}

// A fix that is said again, by whoever saw no answer to the first, settles nothing.
func TestQuarantine_AFixThatIsSaidAgainIsOne(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	b.take("chute", "a.csv", chuteHead+"DE0941200731;2026-03-04;08:12;RH;out;XX;2;;\n")
	fix := quarantine.Fix{Set: map[string]string{"lesion": "SG"}, Who: "a", Why: "b"}
	for i := range 3 {
		if i == 2 {
			fix.Set["lesion"] = "SU"
		}
		if _, err := b.q.Fix(t.Context(), b.held().ID, fix); err != nil {
			t.Fatal(err)
		}
		if last, _ := b.log.Last(); int(last) != []int{2, 2, 3}[i] {
			t.Errorf("fix %d: the log ends at %d", i+1, last)
		}
	}
}

func TestQuarantine_WhatCannotBeDoneIsSaid(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	b.take("chute", "a.csv", chuteHead+"\"DE0941200731;2026-03-04;08:12;RH;out;SG;2;;\n")
	item := b.held()
	ctx := t.Context()
	raw := "DE0941200731;2026-03-04;08:12;RH;out;SG;2;;"
	tests := []struct {
		name string
		do   func() error
		kind error
		part string
	}{
		{"no such id", func() error { _, err := b.q.Show(ctx, "h-000000000000"); return err }, events.ErrNotFound, "h-000000000000"},
		{"no such state", func() error {
			for _, err := range b.q.List(ctx, quarantine.Filter{State: "lost"}) {
				return err
			}
			return nil
		}, events.ErrInvalid, "released"},
		{"cells of a row with broken quotes", func() error {
			_, err := b.q.Fix(ctx, item.ID, quarantine.Fix{Set: map[string]string{"foot": "RH"}, Who: "a", Why: "b"})
			return err
		}, events.ErrInvalid, "as a whole"},
		{"values and the whole", func() error {
			_, err := b.q.Fix(ctx, item.ID, quarantine.Fix{Set: map[string]string{"foot": "RH"}, Raw: &raw, Who: "a", Why: "b"})
			return err
		}, events.ErrInvalid, "both or neither"},
		{"no why", func() error { _, err := b.q.Fix(ctx, item.ID, quarantine.Fix{Raw: &raw, Who: "a"}); return err }, events.ErrInvalid, "why"},
		{"release all of no source", func() error { _, err := b.q.ReleaseAll(ctx, "other", "a", "b"); return err }, events.ErrNotFound, "other"},
		{"release all by nobody", func() error { _, err := b.q.ReleaseAll(ctx, "chute", "", ""); return err }, events.ErrInvalid, "who"},
		{"correct nothing", func() error {
			_, err := b.q.Correct(ctx, quarantine.Correction{Target: "x", Action: events.ActionWithdraw, Who: "a", Why: "b"})
			return err
		}, events.ErrInvalid, "entity"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if err := tt.do(); !errors.Is(err, tt.kind) || !strings.Contains(err.Error(), tt.part) {
				t.Errorf("got %v, want %v with %q", err, tt.kind, tt.part)
			}
		})
	}
	if _, err := b.q.Fix(ctx, item.ID, quarantine.Fix{Raw: &raw, Who: "a", Why: "b"}); err != nil {
		t.Fatal(err)
	}
	if _, err := b.q.Release(ctx, item.ID, "a", "b"); err != nil {
		t.Fatal(err)
	}
	delete(b.sources, "chute")
	b.balanced()
}

func TestQuarantine_AColumnThatIsNotThereIsNamed(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	b.take("chute", "a.csv", chuteHead+"DE0941200731;2026-03-04;08:12;XX;out;SG;2;;\n")
	_, err := b.q.Fix(t.Context(), b.held().ID, quarantine.Fix{Set: map[string]string{"leg": "RH"}, Who: "a", Why: "b"})
	if !errors.Is(err, events.ErrInvalid) || !strings.Contains(strings.Join(events.Hints(err), " "), "tag, date, time, foot") {
		t.Errorf("got %v with hints %v, want invalid and the columns there are", err, events.Hints(err))
	}
}

// A large record stays in the archive and is shown whole; its release reads it there.
func TestQuarantine_ALargeRecordIsShownAndReleasedFromTheArchive(t *testing.T) {
	b := newBarn(t)
	b.source("chute", "larkfield", chute)
	note := strings.Repeat("long ", 5000)
	row := "DE0941200731;2026-03-04;08:12;RH;out;BF;2;;" + note
	b.take("chute", "a.csv", chuteHead+row+"\n")
	item := b.held()
	if item.Large != len(row) || item.Raw != "" {
		t.Fatalf("got large %d and %d bytes, want %d in the archive", item.Large, len(item.Raw), len(row))
	}
	shown, err := b.q.Show(t.Context(), item.ID)
	if err != nil || shown.Raw != row {
		t.Errorf("shown: %d bytes, %v, want the row whole", len(shown.Raw), err)
	}
	b.source("chute", "larkfield", strings.Replace(chute, "WR: WLF", "WR: WLF, BF: HHE", 1))
	if _, err := b.q.Release(t.Context(), item.ID, "a", "b"); err != nil {
		t.Fatal(err)
	}
	if _, x := only[*events.Examination](b, events.KindExamination); len(x.Remarks) != 1 || len(x.Remarks[0].Text) < 20000 {
		t.Errorf("got remarks of %d bytes, want the note whole", len(x.Remarks[0].Text))
	}
	b.balanced()
}
