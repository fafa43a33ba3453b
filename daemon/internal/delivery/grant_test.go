package delivery

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// Nothing leaves without a grant in force on the day of delivery, and what was
// recorded meanwhile only if somebody asks for it.
func TestFeed_PausesWithoutAGrant(t *testing.T) {
	until := strings.Replace(vet(""), "from: 2026-01-01", "from: 2026-01-01, until: 2026-04-30", 1)
	w := newWorld(t, until)
	day := func(s string) {
		at, err := time.Parse(time.DateOnly, s)
		if err != nil {
			t.Fatal(err)
		}
		w.clock = at.Add(10 * time.Hour)
	}
	day("2026-04-30")
	w.say("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r1/x 1 recorded")
	day("2026-05-01")
	w.say("A", "r2/x", lesion("SU"))
	w.commit()
	w.once()
	d := w.desk()
	if s := w.show(d); s.State != "no grant" || !strings.Contains(s.Why, "no grant of farm larkfield lets recipient vet have lesion") {
		t.Errorf("got %+v", s)
	}
	w.want("r1/x 1 recorded")
	day("2026-05-05")
	w.configure(strings.Replace(until, "until: 2026-04-30", "until: 2026-12-31", 1))
	w.once() // renewed
	w.say("A", "r3/x", lesion("SU"))
	w.say("A", "r2/x", lesion("SH")) // the recipient has never had it: an upsert
	w.unsay("A", "r1/x", lesion("SU"))
	w.commit()
	w.once()
	w.want("r1/x 1 recorded", "r3/x 1 recorded", "r2/x 2 amended", "r1/x 2 retracted")
	if s := w.show(w.desk()); s.Skipped != 1 {
		t.Errorf("got %+v", s)
	}
	if err := w.desk().Resume(w.ctx(), "vet", true); err != nil {
		t.Fatal(err)
	}
	w.once()
	w.want("r1/x 1 recorded", "r3/x 1 recorded", "r2/x 2 amended", "r1/x 2 retracted",
		"r2/x 1 recorded", "r3/x 1 recorded", "r2/x 2 amended", "r1/x 2 retracted")
}

// A time without a grant counts although no daemon ran in it.
func TestFeed_KnowsAGapNobodySaw(t *testing.T) {
	w := newWorld(t, strings.Replace(vet(""), "from: 2026-01-01}", "from: 2026-01-01, until: 2026-04-10}\n"+
		"  - {farm: larkfield, recipient: vet, purpose: care, kinds: [lesion, examination, treatment, animal], fields: identities, from: 2026-04-20}", 1))
	w.say("A", "r0/x", lesion("SU"))
	w.commit()
	w.once()
	for _, d := range []int{9, 15, 25} {
		w.clock = time.Date(2026, 4, d, 12, 0, 0, 0, time.UTC)
		w.say("A", fmt.Sprintf("r%d/x", d), lesion("SU"))
		w.commit()
	}
	w.once()
	w.want("r0/x 1 recorded", "r9/x 1 recorded", "r25/x 1 recorded")
}

func TestFeed_CarriesOnlyThePeriodOfTheGrant(t *testing.T) {
	w := newWorld(t, strings.Replace(vet(""), "fields:", "period: {from: 2026-03-01, to: 2026-03-31}, fields:", 1))
	for i, day := range []string{"2026-02-28", "2026-03-01", "2026-03-31", "2026-04-01"} {
		l := lesion("SU")
		l.Occurred = events.Occurred{Date: day, Precision: "date"}
		w.say("A", fmt.Sprintf("r%d/x", i), l)
	}
	w.commit()
	w.once()
	w.want("r1/x 1 recorded", "r2/x 1 recorded")
}

func TestFeed_SendsPseudonyms(t *testing.T) {
	w := newWorld(t, strings.Replace(vet(""), "fields: identities", "fields: pseudonyms", 1))
	full := func() *events.Lesion {
		l := lesion("SU")
		l.Remarks = []events.Remark{{Text: "cow 731 kicks"}}
		l.Words = events.Words{{Field: "code", Text: "Geschwür 731"}}
		l.Origin = events.Origin{Line: 4}
		l.Derived.Animal = []events.Identifier{{Scheme: "ear-tag", Value: "DE0941200731"}}
		return l
	}
	w.say("DE 09 412 00731", "r1/x", full())
	w.say("DE 09 412 00731", "r2/x", full())
	w.say("DE 09 412 00744", "r3/x", full())
	w.commit()
	w.unsay("DE 09 412 00731", "r1/x", full())
	w.commit()
	w.once()
	body := w.read(w.files()[0])
	for _, bad := range []string{"731", "744", "kicks", "origin", "ear-tag", string(w.entity("r1/x"))} {
		if strings.Contains(body, bad) {
			t.Errorf("%q leaves:\n%s", bad, body)
		}
	}
	sent := w.sent()
	if len(sent) != 4 {
		t.Fatalf("got %d events", len(sent))
	}
	if sent[0].Subject != sent[1].Subject || sent[0].Subject == sent[2].Subject || !strings.HasPrefix(sent[0].Subject, "pseudonym:") {
		t.Errorf("got subjects %q %q %q", sent[0].Subject, sent[1].Subject, sent[2].Subject)
	}
	if sent[3].Change != "retracted" || sent[3].Entity != sent[0].Entity {
		t.Error("the delete does not name what was sent")
	}
	if _, _, err := sent[0].Entity.Split(); err != nil {
		t.Errorf("the entity is not one: %v", err)
	}
}

// A planned batch that has not gone when a grant narrows is made anew under
// what is allowed now.
func TestFeed_NarrowerGrantHoldsForAPlannedBatch(t *testing.T) {
	w := newWorld(t, vet(""))
	inner := w.o.Sink
	w.o.Sink = func(context.Context, *config.Feed) (adapters.Sink, error) {
		return nil, fmt.Errorf("no route: %w", events.ErrUnavailable)
	}
	w.say("DE0941200731", "r1/x", lesion("SU"))
	w.commit()
	if err := w.desk().Once(w.ctx()); !errors.Is(err, events.ErrUnavailable) {
		t.Fatal(err)
	}
	w.o.Sink = inner
	w.configure(strings.Replace(vet(""), "fields: identities", "fields: pseudonyms", 1))
	w.once()
	if sent := w.sent(); len(sent) != 1 || strings.Contains(w.read(w.files()[0]), "731") {
		t.Errorf("got %+v", sent)
	}
}
