package delivery

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
)

// What each pair of revisions of another animal makes (README "Feeds"): a recipient
// that goes by the animal must lose the row of the old one.
func TestFeed_AnotherAnimalIsDeleteAndUpsert(t *testing.T) {
	transponder := func(w *world, name string, l *events.Lesion) {
		w.say("A", name, l)
		l.Animal = append(l.Animal, events.Identifier{Scheme: "herd-number", Value: "24"})
	}
	tests := []struct {
		name string
		do   func(w *world)
		want []string
	}{
		{"the animal alone", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.say("B", "r/x", lesion("SU"))
			w.commit()
		}, []string{"r/x 1 recorded A", "r/x 1 retracted A moved", "r/x 2 amended B"}},
		{"there and back", func(w *world) {
			for _, animal := range []string{"A", "B", "A"} {
				w.say(animal, "r/x", lesion("SU"))
				w.commit()
			}
		}, []string{"r/x 1 recorded A", "r/x 1 retracted A moved", "r/x 2 amended B", "r/x 2 retracted B moved", "r/x 3 amended A"}},
		{"the old one was never carried", func(w *world) {
			w.say("A", "r/x", lesion("DD"))
			w.commit()
			w.say("B", "r/x", lesion("SU"))
			w.commit()
		}, []string{"r/x 2 amended B"}},
		{"the new one is not carried: one delete, of the old one", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.say("B", "r/x", lesion("DD"))
			w.commit()
		}, []string{"r/x 1 recorded A", "r/x 2 retracted A"}},
		{"taken back, then back with another animal", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.unsay("A", "r/x", lesion("SU"))
			w.commit()
			w.say("B", "r/x", lesion("SU"))
			w.commit()
		}, []string{"r/x 1 recorded A", "r/x 2 retracted A", "r/x 3 recorded B"}},
		{"the other foot is one amendment", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			l := lesion("SU")
			l.Foot = "LH"
			w.say("A", "r/x", l)
			w.commit()
		}, []string{"r/x 1 recorded A", "r/x 2 amended A"}},
		{"one more identifier is the same animal", func(w *world) {
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			transponder(w, "r/x", lesion("SU"))
			w.commit()
		}, []string{"r/x 1 recorded A", "r/x 2 amended A"}},
		{"one of two identifiers is another animal: a recipient may go by it", func(w *world) {
			transponder(w, "r/x", lesion("SU"))
			w.commit()
			l := lesion("SU")
			transponder(w, "r/x", l)
			l.Animal[1].Value = "42"
			w.commit()
		}, []string{"r/x 1 recorded A", "r/x 1 retracted A moved", "r/x 2 amended A"}},
		{"a cow with another number is the same cow to its statement", func(w *world) {
			a, b := &events.Animal{Breed: "x"}, &events.Animal{Breed: "x"}
			w.say("A", "r/x", a)
			a.Animal = append(a.Animal, events.Identifier{Scheme: "herd-number", Value: "24"})
			w.commit()
			w.say("A", "r/x", b)
			b.Animal = append(b.Animal, events.Identifier{Scheme: "herd-number", Value: "42"})
			w.commit()
		}, []string{"r/x 1 recorded A", "r/x 2 amended A"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, rows := range []int{1, 50} {
				w := newWorld(t, vet(fmt.Sprintf("where: {lesion: {code: [SU]}}\nbatch: {rows: %d}", rows)))
				tt.do(w)
				w.once()
				w.wantMoves(tt.want...)
			}
		})
	}
}

// The delete is what was sent, under an id of its own that can be read and is the
// same whenever it is made.
func TestFeed_DeleteOfAnotherAnimalTellsWhatWasSent(t *testing.T) {
	w := newWorld(t, vet(""))
	old := lesion("SU")
	old.Claw = "inner"
	w.say("A", "r/x", old)
	w.commit()
	w.say("B", "r/x", lesion("WL"))
	w.commit()
	w.once()
	if err := w.desk().Rewind(w.ctx(), "vet", 1); err != nil {
		t.Fatal(err)
	}
	w.once()
	sent := w.sent()
	if len(sent) != 6 {
		t.Fatalf("got %q", w.moves())
	}
	for _, at := range []int{1, 4} {
		e := sent[at]
		entity, revision, err := events.ParseEventID(e.ID)
		if err != nil || entity != w.entity("r/x") || revision != 1 || !events.IsMovedID(e.ID) || e.ID == sent[0].ID {
			t.Errorf("got id %s: %s, %d, %v", e.ID, entity, revision, err)
		}
		var was, is struct{ Code, Claw string }
		if err := errors.Join(json.Unmarshal(sent[0].Data, &was), json.Unmarshal(e.Data, &is)); err != nil || is != was || is.Claw != "inner" {
			t.Errorf("the delete says %+v, %v; sent was %+v", is, err, was)
		}
	}
	if sent[1].ID != sent[4].ID {
		t.Errorf("the same delete has ids %s and %s", sent[1].ID, sent[4].ID)
	}
}

func TestFeed_AnotherAnimalInEveryForm(t *testing.T) {
	exam := func(animal string) func(w *world) {
		return func(w *world) {
			w.say(animal, "r/e", exam("lame"))
			w.say(animal, "r/x", w.belongs(lesion("SU"), "r/e"))
			w.commit()
		}
	}
	const pseudonyms = "fields: pseudonyms"
	for _, tt := range []struct{ name, feed, mapping, want string }{
		{"CSV with a column", herd(""), plainMapping, "A;23;;lame;recorded|A;23;;lame;retracted|B;23;;lame;amended"},
		{"CSV with a second file", herd("deletes: file"), plainMapping, "A;23;;lame;recorded|-A;23;;lame;retracted|B;23;;lame;amended"},
		{"CSV that takes no deletes", herd("deletes: report"), plainMapping, "A;23;;lame;recorded|B;23;;lame;amended"},
		{"rows of examinations", herd(""), joinedMapping, "A;lame;SU;recorded|A;lame;SU;retracted|B;lame;SU;amended"},
		{"rows of examinations with a second file", herd("deletes: file"), joinedMapping, "A;lame;SU;recorded|-A;lame;SU;retracted|B;lame;SU;amended"},
		{"pseudonyms", strings.Replace(herd(""), "fields: identities", pseudonyms, 1), plainMapping, "1;23;;lame;recorded|1;23;;lame;retracted|2;23;;lame;amended"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t, tt.feed)
			w.mapping = tt.mapping
			exam("A")(w)
			exam("B")(w)
			w.once()
			rows := w.rows()
			if strings.Contains(tt.feed, pseudonyms) {
				known := map[string]int{}
				for i, r := range rows {
					p, rest, _ := strings.Cut(r, ";")
					if known[p] == 0 {
						known[p] = len(known) + 1
					}
					if len(p) != 26 {
						t.Errorf("%q is no pseudonym", p)
					}
					rows[i] = fmt.Sprint(known[p], ";", rest)
				}
			}
			if got := strings.Join(rows, "|"); got != tt.want {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
			if strings.Contains(tt.feed, "report") {
				for _, name := range w.files() {
					if strings.HasSuffix(name, ".txt") && !strings.Contains(w.read(name), "ear-tag:A, farm larkfield, revision 1: it is of another animal, ear-tag:B\n") {
						t.Errorf("the report says\n%s", w.read(name))
					}
				}
				if s := w.show(w.desk()); s.Deletes != 1 {
					t.Errorf("got %d deletes, want that of the lesion in the report", s.Deletes)
				}
			}
		})
	}
}

// A file of deletes goes before the file it stands beside: what it deletes must not
// have come with that.
func TestFeed_FileOfDeletesNeverTakesWhatComesBesideIt(t *testing.T) {
	w := newWorld(t, herd("deletes: file"))
	for _, animal := range []string{"A", "B", "C"} {
		w.say(animal, "r/x", lesion("SU"))
		w.commit()
	}
	w.unsay("C", "r/x", lesion("SU"))
	w.say("C", "s/x", lesion("SU"))
	w.commit()
	w.say("C", "r/x", lesion("SU"))
	w.commit()
	w.once()
	has := map[string]string{} // by entity
	for _, r := range w.rows() {
		cells := strings.Split(strings.TrimPrefix(r, "-"), ";")
		if cells[2] == "retracted" != strings.HasPrefix(r, "-") {
			t.Errorf("%s is in the wrong file", r)
		}
		if has[cells[1]] = cells[3]; cells[2] == "retracted" {
			delete(has, cells[1])
		}
	}
	if len(has) != 2 || has[string(w.entity("r/x"))] != "C" || has[string(w.entity("s/x"))] != "C" {
		t.Errorf("a recipient that takes files in their order has %v\nof %q", has, w.rows())
	}
}

// Delete and upsert go together or stay behind together: what is refused parks both
// animals, and a replay brings both.
func TestFeed_AnotherAnimalIsRefusedAsOne(t *testing.T) {
	for _, bad := range []string{".1.moved", ".2"} {
		w := newWorld(t, vet(""))
		picky := &pickySink{bad: map[string]string{}}
		w.picky(picky)
		w.say("A", "r/x", lesion("SU"))
		w.say("C", "other/x", lesion("SU"))
		w.commit()
		w.once()
		picky.bad[string(w.entity("r/x"))+bad] = "refused"
		w.say("B", "r/x", lesion("SU"))
		w.commit()
		w.say("A", "a/x", lesion("SU"))
		w.say("B", "b/x", lesion("SU"))
		w.say("C", "c/x", lesion("SU"))
		w.commit()
		w.once()
		w.wantMoves("r/x 1 recorded A", "other/x 1 recorded C", "c/x 1 recorded C")
		d := w.desk()
		if s := w.show(d); s.Parked != 3 || len(s.Animals) != 1 {
			t.Fatalf("%s: got %+v", bad, s)
		}
		clear(picky.bad)
		if n, err := d.Replay(w.ctx(), "vet", "", ""); n != 1 || err != nil {
			t.Fatalf("got %d, %v", n, err)
		}
		w.once()
		w.wantMoves("r/x 1 recorded A", "other/x 1 recorded C", "c/x 1 recorded C",
			"r/x 1 retracted A moved", "r/x 2 amended B", "a/x 1 recorded A", "b/x 1 recorded B")
	}
}

// With known animals: a tag that nobody knows and that was misread holds up neither
// the event nor the cow it is of, and is never sent once it is put right.
func TestFeed_AMisreadTagHoldsUpNobody(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(w *world, r *roster)
		want []string
	}{
		{"put right to a known cow", func(w *world, r *roster) {
			r.known["larkfield|B"] = true
			w.say("X", "r/x", lesion("SU"))
			w.commit()
			w.once()
			w.say("B", "r/x", lesion("SU"))
			w.commit()
			w.say("B", "b/x", lesion("SU"))
			w.commit()
			w.once()
			r.known["larkfield|X"] = true
		}, []string{"r/x 2 amended B", "b/x 1 recorded B"}},
		{"put right to a cow that is known later", func(w *world, r *roster) {
			w.say("X", "r/x", lesion("SU"))
			w.commit()
			w.say("B", "r/x", lesion("SU"))
			w.commit()
			w.once()
			w.wantMoves()
			r.known["larkfield|B"] = true
			w.roster()
			w.once()
			r.known["larkfield|X"] = true
		}, []string{"r/x 2 amended B"}},
		{"sent, and put right to a cow that is known later", func(w *world, r *roster) {
			r.known["larkfield|A"] = true
			w.say("A", "r/x", lesion("SU"))
			w.commit()
			w.say("B", "r/x", lesion("SU"))
			w.commit()
			w.say("A", "a/x", lesion("SU"))
			w.commit()
			w.once()
			w.wantMoves("r/x 1 recorded A", "a/x 1 recorded A")
			r.known["larkfield|B"] = true
		}, []string{"r/x 1 recorded A", "a/x 1 recorded A", "r/x 1 retracted A moved", "r/x 2 amended B"}},
		{"put right to what the feed does not carry", func(w *world, r *roster) {
			r.known["larkfield|B"] = true
			w.say("X", "r/x", lesion("SU"))
			w.commit()
			w.say("B", "r/x", lesion("DD"))
			w.commit()
			w.once()
			r.known["larkfield|X"] = true
		}, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWorld(t, vet("where: {lesion: {code: [SU]}}\nknown-animals: wait"))
			r := &roster{known: map[string]bool{}}
			w.o.Known = r
			tt.do(w, r)
			w.roster()
			w.once()
			got := slices.DeleteFunc(w.moves(), func(s string) bool { return strings.HasPrefix(s, "roster") })
			if !slices.Equal(got, tt.want) {
				t.Errorf("got %q\nwant %q", got, tt.want)
			}
			if s := w.show(w.desk()); s.Waiting+s.Parked != 0 {
				t.Errorf("something stays behind: %+v", s)
			}
			w.sentIsWhatWent()
		})
	}
}

// sentIsWhatWent fails unless the desk tells of each revision of a lesion that it was
// sent if that, or what takes its place, is what the recipient got.
func (w *world) sentIsWhatWent() {
	w.t.Helper()
	names := map[events.Entity]string{}
	for n, e := range w.ids {
		names[e] = n
	}
	told := w.told()
	d := w.desk()
	for e, err := range w.log.Read(w.ctx(), 1) {
		if err != nil {
			w.t.Fatal(err)
		}
		for ev, err := range e.All() {
			if err != nil {
				w.t.Fatal(err)
			}
			if ev.Kind != events.KindLesion {
				continue
			}
			list, err := d.Sent(w.ctx(), ev.Place)
			if err != nil {
				w.t.Fatal(err)
			}
			what := fmt.Sprintf("%s %d", names[ev.Entity], ev.Revision)
			went := slices.ContainsFunc(told, func(s string) bool { return strings.HasPrefix(s, what+" ") })
			if s := list[0]; (s.State == "sent") != went {
				w.t.Errorf("%s: told as %s (%s), and went: %t", what, s.State, s.Why, went)
			}
		}
	}
}

// A revision that was overtaken while it stayed behind was never sent, and trace must
// not say so. A rewind judges anew.
func TestDesk_SentTellsWhatWasOvertaken(t *testing.T) {
	w := newWorld(t, vet("known-animals: wait"))
	r := &roster{known: map[string]bool{"larkfield|B": true}}
	w.o.Known = r
	state := func(n int) string {
		t.Helper()
		list, err := w.desk().Sent(w.ctx(), events.Place{Position: events.Position(n)})
		if err != nil {
			t.Fatal(err)
		}
		return list[0].State + ": " + list[0].Why
	}
	w.say("X", "r/x", lesion("SU"))
	w.commit()
	w.once()
	if got := state(1); !strings.HasPrefix(got, "waiting: ") {
		t.Errorf("got %s", got)
	}
	w.say("B", "r/x", lesion("SU"))
	w.commit()
	w.once()
	w.once() // what was overtaken goes when the feed looks through what stays behind
	if got, want := state(1), "overtaken: by revision 2, while it stayed behind; it was never sent"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if got := state(2); got != "sent: " {
		t.Errorf("revision 2: got %s", got)
	}
	w.sentIsWhatWent()

	// A replay sends the newest revision of what was refused, and not those before.
	w = newWorld(t, vet(""))
	picky := &pickySink{bad: map[string]string{}}
	w.picky(picky)
	w.say("A", "r/x", lesion("SU"))
	picky.bad[string(w.entity("r/x"))+".1"] = "no"
	w.commit()
	w.once()
	w.say("A", "r/x", lesion("WL"))
	w.commit()
	w.once()
	if got := state(1); !strings.HasPrefix(got, "parked: ") {
		t.Errorf("got %s", got)
	}
	clear(picky.bad)
	if _, err := w.desk().Replay(w.ctx(), "vet", "", ""); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r/x 2 amended")
	if got := state(1); !strings.HasPrefix(got, "overtaken: by revision 2") {
		t.Errorf("got %s", got)
	}
	w.sentIsWhatWent()
}

// roster lets a statement of a roster go by.
func (w *world) roster() {
	w.say("Z", fmt.Sprintf("roster%d/a", len(w.ids)), &events.Animal{Breed: "x"})
	w.commit()
}

// A recipient answers to the delete and to the upsert, each by its id.
func TestDesk_RepliesToTheDeleteOfAnotherAnimal(t *testing.T) {
	w := newWorld(t, vet(""))
	w.say("A", "r/x", lesion("SU"))
	w.say("A", "s/x", lesion("SU"))
	w.commit()
	w.once()
	d := w.desk()
	moved := string(w.entity("r/x")) + ".1.moved"
	if got := w.reply(d, Reply{ID: moved, Outcome: Confirmed}); got[0] != "unknown" {
		t.Errorf("got %v of a delete that was not sent", got)
	}
	w.say("B", "r/x", lesion("SU"))
	w.commit()
	w.once()
	d = w.desk()
	got := w.reply(d,
		Reply{ID: string(w.entity("r/x")) + ".1", Outcome: Confirmed}, Reply{ID: moved, Outcome: Refused, Reason: "locked"},
		Reply{ID: string(w.entity("r/x")) + ".2", Outcome: Confirmed}, Reply{ID: string(w.entity("s/x")) + ".1.moved", Outcome: Confirmed})
	if want := []string{"noted", "noted", "noted", "unknown"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	for _, d := range []*Desk{d, w.desk()} { // and after a restart
		s := w.show(d)
		if s.Confirmed != 2 || s.Refused != 1 || s.Refusals[0].ID != moved || s.Refusals[0].Subject != "ear-tag:A" || s.Refusals[0].Reason != "locked" {
			t.Errorf("got %d confirmed, %+v", s.Confirmed, s.Refusals)
		}
	}
	sent, err := d.Sent(w.ctx(), events.Place{Position: 1})
	if err != nil || sent[0].State != Confirmed || !strings.Contains(sent[0].Why, "refused, locked") {
		t.Errorf("got %+v, %v", sent, err)
	}
}

// Who fetches gets the delete before the event, in one page however small it is,
// and again with it until the event is had.
func TestDesk_FetchNeverPartsDeleteAndUpsert(t *testing.T) {
	w := newPullWorld(t, "")
	for _, animal := range []string{"A", "B", "C"} {
		w.say(animal, "r/x", lesion("SU"))
		w.say(animal, animal+"/x", lesion("SU"))
		w.commit()
	}
	w.once()
	d := w.desk()
	from := events.Place{Position: 1}
	var got []string
	for range 10 {
		p, err := d.Fetch(w.ctx(), "pull", from, 1)
		if err != nil {
			t.Fatal(err)
		}
		for i, e := range p.Events {
			got = append(got, strings.TrimPrefix(e.ID(), string(w.entity("r/x"))+".")+" "+e.Subject)
			if e.Moved {
				again, err := d.Fetch(w.ctx(), "pull", p.After[i], 1)
				if err != nil || len(again.Events) != 2 || again.Events[0].ID() != e.ID() {
					t.Errorf("behind the delete come %v, %v; want it again with its event", again.Events, err)
				}
			}
		}
		from = p.Next
	}
	got = slices.DeleteFunc(got, func(s string) bool { return len(s) > 24 })
	if want := []string{"1 ear-tag:A", "1.moved ear-tag:A", "2 ear-tag:B", "2.moved ear-tag:B", "3 ear-tag:C"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}
