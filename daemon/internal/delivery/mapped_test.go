package delivery

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// herd is the feed of a herd system, in its own layout.
func herd(more string) string {
	return vet("format: mapping\nmapping: herd.yaml\n" + more)
}

// rows returns the lines of every CSV file in the order they were sent, without
// the headers; lines of a file of deletes begin with "-".
func (w *world) rows() []string {
	w.t.Helper()
	var out []string
	for _, name := range w.order {
		if !strings.HasSuffix(name, ".csv") {
			continue
		}
		lines := strings.Split(strings.TrimRight(w.read(name), "\r\n"), "\n")
		for _, l := range lines[1:] {
			if strings.Contains(name, "-deletes") {
				l = "-" + l
			}
			out = append(out, strings.TrimRight(l, "\r"))
		}
	}
	return out
}

func (w *world) wantRows(want ...string) {
	w.t.Helper()
	if got := w.rows(); strings.Join(got, "\n") != strings.Join(want, "\n") {
		w.t.Errorf("got\n  %s\nwant\n  %s", strings.Join(got, "\n  "), strings.Join(want, "\n  "))
	}
}

const plainMapping = `mapping: herd
direction: out
about: One row a lesion
write: {format: csv, delimiter: ";", encoding: windows-1252, header: true}
rows: event
kinds: [lesion]
identifier: {first: [ear-tag, pseudonym], missing: park}
columns:
  Animal: identifier
  Code: {from: code, table: {SU: 23, DD: 41, OTHER: 99}}
  Words: description
  Why: examination.reasons
  Change: change
`

func exam(reasons ...string) *events.Examination {
	return &events.Examination{Outcome: "findings", Reasons: reasons}
}

func (w *world) belongs(l *events.Lesion, exam string) *events.Lesion {
	l.Common.Examination = w.entity(exam)
	return l
}

func TestFeed_WritesTheRecipientsLayout(t *testing.T) {
	w := newWorld(t, herd("deletes: file"))
	w.mapping = plainMapping
	w.say("A", "r1/e", exam("lame"))
	w.say("A", "r1/x", w.belongs(lesion("SU"), "r1/e"))
	w.commit()
	w.once()
	w.wantRows("A;23;;lame;recorded")
	// the examination stands in an earlier entry now
	w.say("A", "r1/x", w.belongs(lesion("DD"), "r1/e"))
	w.commit()
	w.once()
	w.wantRows("A;23;;lame;recorded", "A;41;;lame;amended")
	w.unsay("A", "r1/x", w.belongs(lesion("DD"), "r1/e"))
	w.commit()
	w.once()
	w.wantRows("A;23;;lame;recorded", "A;41;;lame;amended", "-A;41;;lame;retracted")
}

// A code outside the table, a letter outside the encoding, an animal without an
// identifier: each parks its animal, names why, and stops nobody else.
func TestFeed_ParksWhatTheLayoutCannotSay(t *testing.T) {
	w := newWorld(t, herd(""))
	w.mapping = plainMapping
	w.say("A", "r1/x", lesion("WL")) // not in the table
	other := lesion("OTHER")
	other.Description = "нога" // not in Windows-1252
	w.say("B", "r2/x", other)
	w.say("C", "r3/x", lesion("SU"))
	w.say("B", "r4/x", lesion("SU")) // behind r2, in the same table of the encoder
	fine := lesion("OTHER")
	fine.Description = "weich; biegsam, Größe"
	w.say("D", "r5/x", fine)
	w.commit()
	w.say("A", "r6/x", lesion("SU"))
	w.commit()
	w.once()
	got := w.rows()
	if len(got) != 2 || got[0] != "C;23;;;recorded" || !strings.HasPrefix(got[1], `D;99;"weich; biegsam, Gr`) {
		t.Errorf("got %q", got)
	}
	s := w.show(w.desk())
	if s.Parked != 4 || len(s.Animals) != 2 {
		t.Fatalf("got %+v", s)
	}
	for i, want := range []string{"WL", "нога"} {
		if !strings.Contains(s.Animals[i].Why, want) {
			t.Errorf("animal %s is parked because %q, which does not name %q", s.Animals[i].Subject, s.Animals[i].Why, want)
		}
	}
	w.mapping = strings.NewReplacer("windows-1252", "utf-8", "DD: 41", "DD: 41, WL: 42").Replace(plainMapping)
	d := w.desk()
	if n, err := d.Replay(w.ctx(), "vet", "", ""); n != 2 || err != nil {
		t.Fatalf("got %d, %v", n, err)
	}
	w.once()
	got = w.rows()[2:]
	if want := "A;42;;;recorded|A;23;;;recorded|B;99;нога;;recorded|B;23;;;recorded"; strings.Join(got, "|") != want {
		t.Errorf("got %q", got)
	}
}

const joinedMapping = `mapping: joined
direction: out
about: One row an examination
write: {format: csv, delimiter: ";", encoding: utf-8, header: true, lists: "+"}
rows: examination
identifier: {first: [ear-tag], missing: park}
columns:
  Animal: identifier
  Why: reasons
  Codes: lesion.code
  Change: change
`

// A row of an examination goes again when anything that belongs to it changes.
func TestFeed_JoinsWhatBelongsToAnExamination(t *testing.T) {
	w := newWorld(t, herd("deletes: column"))
	w.mapping = joinedMapping
	w.say("A", "r1/e", exam("lame"))
	w.say("A", "r1/x", w.belongs(lesion("SU"), "r1/e"))
	w.say("A", "r1/y", w.belongs(lesion("DD"), "r1/e"))
	w.say("B", "r2/e", exam("routine"))
	w.say("C", "loose/x", lesion("SU")) // belongs to no examination
	w.commit()
	w.once()
	w.wantRows("A;lame;SU+DD;recorded", "B;routine;;recorded")
	w.say("A", "r1/x", w.belongs(lesion("WL"), "r1/e"))
	w.commit()
	w.say("A", "r1/z", w.belongs(lesion("TS"), "r1/e")) // continues further down
	w.commit()
	w.unsay("A", "r1/y", w.belongs(lesion("DD"), "r1/e"))
	w.unsay("B", "r2/e", exam("routine"))
	w.commit()
	w.once()
	got := w.rows()[2:]
	for i, want := range [][]string{{"DD", "WL"}, {"DD", "TS", "WL"}, {"TS", "WL"}} {
		cells := strings.Split(got[i], ";")
		codes := strings.Split(cells[2], "+")
		if len(codes) != len(want) || cells[3] != "amended" {
			t.Errorf("row %d: got %q, want codes %v", i, got[i], want)
		}
		for _, c := range want {
			if !strings.Contains(cells[2], c) {
				t.Errorf("row %d: %q lacks %s", i, got[i], c)
			}
		}
	}
	if len(got) != 4 || got[3] != "B;routine;;retracted" {
		t.Errorf("got %q", got)
	}
}

// What belongs to an event leaves only under a grant of its own.
func TestFeed_LinksOnlyWhatAGrantCovers(t *testing.T) {
	w := newWorld(t, strings.ReplaceAll(herd(""), "[lesion, examination, treatment, animal]", "[lesion]"))
	w.mapping = plainMapping
	w.say("A", "r1/e", exam("lame"))
	w.say("A", "r1/x", w.belongs(lesion("SU"), "r1/e"))
	w.commit()
	w.once()
	w.wantRows("A;23;;;recorded")
}

func TestFeed_PseudonymsReachTheMapping(t *testing.T) {
	w := newWorld(t, strings.Replace(herd(""), "fields: identities", "fields: pseudonyms", 1))
	w.mapping = plainMapping
	w.say("DE0941200731", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	rows := w.rows()
	if len(rows) != 1 || strings.Contains(rows[0], "731") || len(strings.Split(rows[0], ";")[0]) != 26 {
		t.Errorf("got %q", rows)
	}
}

// A batch that was planned before the mapping changed goes out as planned: a
// changed mapping holds from the next position on.
func TestFeed_PlannedBatchKeepsItsMapping(t *testing.T) {
	w := newWorld(t, herd(""))
	w.mapping = plainMapping
	inner := w.o.Sink
	w.o.Sink = func(context.Context, *config.Feed) (adapters.Sink, error) {
		return nil, fmt.Errorf("no route: %w", events.ErrUnavailable)
	}
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	if err := w.desk().Once(w.ctx()); !errors.Is(err, events.ErrUnavailable) {
		t.Fatal(err)
	}
	w.o.Sink = inner
	w.mapping = strings.Replace(plainMapping, "SU: 23", "SU: 77", 1)
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	w.once()
	w.wantRows("A;23;;;recorded", "A;77;;;recorded")
	keys, err := w.shelf.Keys(w.ctx())
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, k := range keys {
		if strings.Contains(k, ".mapping.") {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d mappings are kept: %v", n, keys)
	}
}

func TestNew_TellsWhatCannotBeFed(t *testing.T) {
	w := newWorld(t, herd(""))
	for _, tt := range []struct{ mapping, want string }{
		{"mapping: x\n", "direction"},
		{strings.Replace(herdMapping, "rows: event\n", "rows: event\nkinds: [locomotion]\n", 1), "columns.Lesion"},
		{strings.Replace(strings.Replace(herdMapping, "rows: event\n", "rows: event\nkinds: [locomotion]\n", 1), "  Lesion: code\n", "", 1), "wanted one of the feed's kinds"},
	} {
		w.mapping = tt.mapping
		if _, err := New(w.o); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("got %v, want it to name %q", err, tt.want)
		}
	}
	w.configure(strings.ReplaceAll(herd(""), "[lesion, examination, treatment, animal]", "[lesion]"))
	w.mapping = joinedMapping
	if _, err := New(w.o); !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "a row is an examination") {
		t.Errorf("got %v", err)
	}
	w.configure(vet("known-animals: wait"))
	if err := w.desk().Once(w.ctx()); err == nil {
		t.Error("nothing to ask for known animals is accepted")
	}
}

func TestDesk_TestSendsNothing(t *testing.T) {
	w := newWorld(t, herd(""))
	w.mapping = plainMapping
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("WL"))
	w.commit()
	d := w.desk()
	got, err := d.Test(w.ctx(), "vet")
	if err != nil {
		t.Fatal(err)
	}
	if got.Lacks != "" || got.Reach != "" || got.Rows != 1 || len(got.Refused) != 1 || !strings.Contains(got.Sample, "A;23;;;recorded") ||
		!strings.Contains(got.Grant, "care") {
		t.Errorf("got %+v", got)
	}
	if len(w.files()) != 0 || w.show(d).Position != 1 {
		t.Error("it left something behind")
	}
}

func TestDesk_SentTellsWhatBecameOfAnEvent(t *testing.T) {
	w := newWorld(t, vet("where: {lesion: {code: [SU, DD]}}"))
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.say("A", "r1/x", lesion("SU"))
	w.say("B", "r2/x", lesion("WL"))
	w.say("C", "r3/x", lesion("DD"))
	w.commit()
	picky.bad[string(w.entity("r3/x"))+".1"] = "refused"
	w.once()
	w.say("A", "r4/x", lesion("SU"))
	w.commit()
	d := w.desk()
	for p, want := range map[events.Place]string{
		{Position: 1, Index: 0}: "sent", {Position: 1, Index: 1}: "not carried", {Position: 1, Index: 2}: "parked", {Position: 2, Index: 0}: "not yet",
	} {
		got, err := d.Sent(w.ctx(), p)
		if err != nil || len(got) != 1 || got[0].State != want {
			t.Errorf("%v: got %+v, %v, want %s", p, got, err, want)
		}
	}
}
