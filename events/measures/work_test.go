package measures_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures"
)

func examAt(n int, day, at string) herd.Fact {
	f := exam(n, day, "lame", "LH")
	if at != "" {
		f.Payload.(*events.Examination).Occurred = events.Occurred{Date: day, Time: at, Offset: "+01:00", Precision: "minute"}
	}
	return f
}

func TestWaiting_FromTheFirstLameScore(t *testing.T) {
	d := &measures.Data{Animals: cows(12), Scores: slices.Concat(
		session("2025-03-03", "0 2 2 2 2+b 0"),
		session("2025-03-17", "0 2 0 0 0   2"),
		session("2025-04-30", "2"),
	), Exams: []herd.Fact{
		examAt(2, "2025-03-04", ""), // in 0 to 48 hours: in time
		examAt(3, "2025-03-05", ""), // in 24 to 72: cannot be told
		examAt(6, "2025-03-25", ""),
	}}
	// Lame first: cows 2, 3, 4 (never examined), 6 and 1 (on the last day: not over).
	// Cow 2 on the 17th is lame still, cow 5 wore a block. Examined after 1, 2 and 8
	// days; cow 1 was watched for one day: 4/5, 4/5 * 2/3, 4/5 * 2/3 * 1/2.
	r := work(t, d, question(), "waiting")
	wants(t, r, map[string]string{"within": "25..50 1/4", "unseen": "40 2/5", "wait.median": "8 3/5"})
}

// Common practice, no source: who found the ulcer and put a block on has examined
// her, whatever his program calls it; who put a wrap on or sprayed has not.
func TestWaiting_EndsWithAnyLookAtTheFeet(t *testing.T) {
	did := func(n int, p events.Payload) herd.Fact {
		return herd.Fact{Entity: events.Entity(fmt.Sprint("did.", n)), Day: "2025-03-04", Animal: fmt.Sprint("c", n), Known: true, Payload: p}
	}
	byVet := events.Common{Role: "vet"}
	d := &measures.Data{Animals: cows(12), Scores: session("2025-03-03", "2 2 2 2 2 2 2 2 2 0"), Exams: []herd.Fact{
		did(1, &events.Lesion{Foot: "LH", Code: "SU"}),
		did(9, &events.Examination{Outcome: "not-done"}),
	}, Care: []herd.Fact{
		did(2, &events.Treatment{What: "block"}),
		did(3, &events.Treatment{What: "corrective-trim"}),
		did(4, &events.Check{What: "wound"}),
		did(5, &events.Treatment{Common: byVet, What: "wrap"}),
		did(6, &events.Treatment{What: "wrap"}),
		did(7, &events.Check{What: "wrap", State: "in-place"}),
		did(8, &events.Treatment{What: "topical"}),
		did(9, &events.TakenOff{Common: events.Common{Role: "milker"}, What: "wrap"}),
	}}
	r := work(t, d, question(), "waiting")
	wants(t, r, map[string]string{"within": "55.56 5/9", "unseen": "44.44 4/9"})
}

func TestDevices_InTimeBlockedLost(t *testing.T) {
	wrap := func(n int, on, late, off, how string) herd.Device {
		return herd.Device{Animal: cow(n, nil).ID, What: "wrap", Foot: "LH", Claw: "none", On: on, Late: late, Off: off, OffHow: how}
	}
	block := func(n int, claw, on, off, how string) herd.Device {
		return herd.Device{Animal: cow(n, nil).ID, What: "block", Foot: "LH", Claw: claw, On: on, Off: off, OffHow: how}
	}
	d := &measures.Data{Animals: cows(9), Devices: []herd.Device{
		wrap(1, "2025-03-05", "2025-03-07", "2025-03-06", "taken-off"),
		wrap(2, "2025-03-05", "2025-03-07", "2025-03-07", "taken-off"),  // the day says nothing
		wrap(3, "2025-03-05", "2025-03-07", "2025-03-09", "taken-off"),  // late
		wrap(4, "2025-03-05", "2025-03-07", "", ""),                     // on still
		wrap(5, "2025-03-05", "2025-03-07", "2025-03-20", "found-gone"), // since when?
		wrap(6, "2025-04-30", "2025-05-02", "", ""),                     // not late yet
		wrap(7, "2025-02-05", "2025-02-07", "", ""),                     // before the period
		block(1, "inner", "2025-03-05", "2025-04-10", "taken-off"),
		block(2, "inner", "2025-03-05", "2025-03-12", "found-gone"), // day 7
		block(3, "inner", "2025-03-05", "2025-03-25", "found-gone"), // some day
		block(4, "inner", "2025-03-05", "2025-03-08", "replaced"),
		block(5, "outer", "2025-03-05", "", ""), // on the diseased claw
	}, Cases: []herd.Case{
		lesionCase(1, "2025-03-05", "", false),
		lesionCase(2, "2025-03-03", "", false), // two days later
		lesionCase(5, "2025-03-05", "", false),
		lesionCase(8, "2025-03-05", "", false),
		lesionCase(9, "2025-04-29", "", false), // not over
	}}
	r := work(t, d, question(), "devices")
	wants(t, r, map[string]string{
		"wraps.in-time":     "20..60 1/5",
		"ulcers.blocked":    "50 2/4",
		"blocks.lost-early": "25..50 1/4",
	})
	d.Devices[0].ByVet = true
	wants(t, work(t, d, question(), "devices"), map[string]string{"wraps.in-time": "0..50 0/4"})
}

// What nobody may remove, and what left with the animal, is not judged; devices and
// due say the same of the same wraps.
func TestDevices_LeaveOutDressingsAndThoseThatLeft(t *testing.T) {
	d := &measures.Data{Animals: append(cows(4), cow(5, func(a *herd.Animal) { a.Stays = []herd.Stay{{Left: "2025-03-06"}} }))}
	put := func(n int, what, late, off string) *herd.Device {
		d.Devices = append(d.Devices, device(n, what, "2025-03-05", late, off, "taken-off"))
		return &d.Devices[len(d.Devices)-1]
	}
	put(1, "wrap", "2025-03-07", "2025-03-10").Details.Purpose = "surgical"
	w := put(2, "wrap", "2025-03-07", "2025-03-09")
	w.Order = &herd.Order{Event: "o", What: "leave-wrap", Until: "2025-03-09", Cancels: []string{"wrap-time"}, By: "vet"}
	put(3, "wrap", "2025-03-07", "").Found = true
	put(4, "wrap", "2025-03-07", "2025-03-06")
	put(5, "wrap", "2025-03-07", "") // sold with it
	put(5, "block", "", "")
	put(4, "block", "", "2025-03-08").OffHow = "found-gone"
	d.Cases = []herd.Case{lesionCase(5, "2025-03-06", "", false)}
	d.Devices[5].Foot = "RH"
	wants(t, work(t, d, question(), "due"), map[string]string{"wrap-off.in-time": "100 2/2"})
	r := work(t, d, question(), "devices")
	wants(t, r, map[string]string{"wraps.in-time": "100 2/2", "blocks.lost-early": "100 1/1", "ulcers.blocked": "- 0/0"})
	for key, says := range map[string]string{
		"wraps.in-time": "1 vet dressings", "blocks.lost-early": "1 on animals that left", "ulcers.blocked": "1 of animals that left",
	} {
		if notes := strings.Join(r.Figure(key).Notes, "\n"); !strings.Contains(notes, says) {
			t.Errorf("%s: the notes do not say %q: %s", key, says, notes)
		}
	}
}

func TestTrend_TellsTheRow(t *testing.T) {
	d := &measures.Data{Animals: cows(12), Scores: slices.Concat(
		session("2025-03-03", "2 0 0 0 0 0 0 0 0 0 2+b 0"),
		session("2025-03-17", "2 2 0 0 0 0 0 0 0 0 0 0"),
		session("2025-03-31", "2 2 2 2 0 0 0 0 0 0 0 0"),
	)}
	r := work(t, d, question(), "trend")
	wants(t, r, map[string]string{
		"lame.2025-03-03": "9.091 1/11",
		"lame.2025-03-31": "33.33 4/12",
		"mean":            "20",
	})
	// 0.2 plus three standard errors: 0.2 + 3 * sqrt(0.16 / 12) = 0.54641 (by hand).
	if l := r.Figure("lame.2025-03-31").Limits; l == nil || !near(l.High, 54.641, 1e-3) || l.Low != 0 {
		t.Errorf("limits %+v", l)
	}
	// The two forms of the test differ by (N-1)/N of chi-square, so their p do too.
	if a, b := r.Figure("trend").Value, r.Figure("trend-n").Value; !(a < b && b < 1) {
		t.Errorf("p %v without the factor and %v with it", a, b)
	}
}

// The table (19, 6; 10, 256) of trade of two observers: kappa 0.6735838, PABAK
// 0.8900344, large-sample interval 0.52419 to 0.82298 (epiR, epi.kappa.Rd, whose
// printed interval has the other standard error).
func TestAgreement_OfTwoObservers(t *testing.T) {
	d := &measures.Data{}
	n := 0
	for _, cell := range []struct {
		count int
		a, b  string
	}{{19, "2", "2"}, {6, "2", "0"}, {10, "0", "2"}, {256, "0", "0"}} {
		for range cell.count {
			n++
			for i, p := range []string{cell.a, cell.b} {
				s := scored(n, "2025-03-05", p)
				s.Entity += events.Entity(rune('a' + i))
				s.Payload.(*events.Locomotion).Observer = []string{"obs-1", "obs-2"}[i]
				d.Scores = append(d.Scores, s)
			}
		}
	}
	r := work(t, d, question(), "agreement")
	wants(t, r, map[string]string{
		"obs-1.obs-2.mob4-uk.lame":       "94.5 275/291",
		"obs-1.obs-2.mob4-uk.lame.kappa": "0.6736/291",
		"obs-1.obs-2.mob4-uk.lame.pabak": "0.89/291",
	})
	i := r.Figure("obs-1.obs-2.mob4-uk.lame.kappa").Intervals[0]
	if i.Method != measures.LargeSample || !near(i.Low, 0.52419, 1e-5) || !near(i.High, 0.82298, 1e-5) {
		t.Errorf("interval %+v", i)
	}
	if s := measures.Share(r, 5); len(s.Figures) != 0 {
		t.Errorf("figures about observers are shared: %v", keys(s))
	}
}

// How many of 100 to score at 50 percent to plus and minus 10 points: 49 (the
// table of the Welfare Quality protocol, from memory, rounds; up it is 50); to find
// one of 5: 45 (hypergeometric, R).
func TestSample_SaysHowMany(t *testing.T) {
	d := &measures.Data{Animals: cows(100)}
	q := question()
	q.Expect, q.Span = 50, 10
	wants(t, work(t, d, q, "sample"), map[string]string{"precision.endless": "97", "precision": "50", "detection": "45", "herd": "100"})
	q.Detect = 7
	r := work(t, d, q, "sample")
	wants(t, r, map[string]string{"detection": "34"}) // (93 over 34) / (100 over 34) is 0.0477, with 33 it is 0.0528
	if notes := strings.Join(r.Figure("detection").Notes, " "); !strings.Contains(notes, "7 of 100") {
		t.Errorf("notes: %s", notes)
	}
	q.Expect, q.Span = 15, 3
	wants(t, work(t, d, q, "sample"), map[string]string{"precision.endless": "545"}) // epiR, epi.sssimpleestb.Rd
}

func TestWork_RefusesWhatMakesNoSense(t *testing.T) {
	for name, change := range map[string]func(*measures.Question){
		"period":  func(q *measures.Question) { q.From = "2025-05-01" },
		"animals": func(q *measures.Question) { q.Of = "heifers" },
		"scale":   func(q *measures.Question) { q.Scale = "none" },
		"split":   func(q *measures.Question) { q.By = measures.ByZone },
		"level":   func(q *measures.Question) { q.Level = 95 },
	} {
		q := question()
		change(&q)
		if _, err := measures.Work(&measures.Data{}, q, "lameness"); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := measures.Work(&measures.Data{}, question(), "lamenes"); !errors.Is(err, events.ErrNotFound) || !strings.Contains(err.Error(), "lamenes") {
		t.Errorf("unknown measure: %v", err)
	} else if f := (*events.Fault)(nil); !errors.As(err, &f) || !strings.Contains(strings.Join(f.Hints, " "), "there are: lameness, confirmed, ") {
		t.Errorf("the hints do not list the measures: %v", f)
	}
}

// Of an empty farm no measure tells a number, and none panics.
func TestWork_OfNothingTellsNothing(t *testing.T) {
	for _, m := range measures.All() {
		r := work(t, &measures.Data{}, question(), m.Name)
		for i := range r.Figures {
			if f := &r.Figures[i]; f.Value.Told() && m.Name != "sample" {
				t.Errorf("%s: %s is %v of nothing", m.Name, f.Key, f.Value)
			}
		}
	}
}

func TestShare_HidesSmallNumbers(t *testing.T) {
	d := twelve()
	r := work(t, d, question(), "lameness")
	s := measures.Share(r, 5)
	for i := range s.Figures {
		f := &s.Figures[i]
		if len(f.Events) > 0 || len(f.Notes) > 0 {
			t.Errorf("%s has events or notes", f.Key)
		}
		if f.X != nil && *f.X > 0 && *f.X < 5 || f.Suppressed && (f.Value.Told() || f.X != nil || len(f.Intervals) > 0) {
			t.Errorf("%s shows %s", f.Key, says(f))
		}
	}
	if !s.Figure("lame.2025-03-10").Suppressed {
		t.Error("4 of 12 is shared")
	}
	if r.Figure("lame.2025-03-10").Suppressed {
		t.Error("the report itself was changed")
	}
	l := measures.Share(work(t, trimmed(), question(), "lesions"), 1)
	if l.Figure("animals.SU") != nil || l.Figure("animals.U") == nil {
		t.Error("a kind is shared, or its class is not")
	}
}

// Of figures that add up a single suppressed one could be worked out.
func TestShare_HidesASecondOneThatAddsUp(t *testing.T) {
	d := &measures.Data{Animals: cows(40), Scores: session("2025-03-10", strings.Repeat("0 ", 20)+strings.Repeat("1 ", 11)+strings.Repeat("2 ", 7)+"3 3")}
	s := measures.Share(work(t, d, question(), "lameness"), 5)
	for key, hidden := range map[string]bool{"score.mob4-uk.0.2025-03-10": false, "score.mob4-uk.1.2025-03-10": false, "score.mob4-uk.2.2025-03-10": true, "score.mob4-uk.3.2025-03-10": true} {
		if f := s.Figure(key); f.Suppressed != hidden {
			t.Errorf("%s: suppressed %v, wanted %v", key, f.Suppressed, hidden)
		}
	}
}

func hidden(t *testing.T, r *measures.Report, want map[string]bool) {
	t.Helper()
	for key, w := range want {
		f := r.Figure(key)
		if f == nil {
			t.Errorf("%s: no figure %s; there are %v", r.Measure, key, keys(r))
		} else if f.Suppressed != w {
			t.Errorf("%s: %s: suppressed %v, wanted %v", r.Measure, key, f.Suppressed, w)
		}
	}
}

// Two cows are two cows on six feet, in eight cases or with five wraps.
func TestShare_CountsAnimals(t *testing.T) {
	d := &measures.Data{Animals: cows(20)}
	for n := range 20 {
		feet := []string{"LF", "RF", "LH", "RH"}
		d.Exams = append(d.Exams, exam(n+1, "2025-03-05", "routine", feet...))
		for _, f := range feet {
			if n < 2 {
				d.Exams = append(d.Exams, lesion(n+1, "2025-03-05", f, "outer", "WL", 3))
			}
			if n < 8 {
				d.Exams = append(d.Exams, lesion(n+1, "2025-03-05", f, "outer", "U", 4))
			}
		}
		c := lesionCase(n%2+1, "2025-03-05", "", false)
		c.Foot = fmt.Sprint("foot", n)
		d.Cases = append(d.Cases, c)
		w := device(n%2+1, "wrap", "2025-03-05", "2025-03-07", "2025-03-06", "taken-off")
		w.Foot = c.Foot
		d.Devices = append(d.Devices, w)
	}
	share := func(name string) *measures.Report { return measures.Share(work(t, d, question(), name), 5) }
	hidden(t, share("lesions"), map[string]bool{"feet.WL": true, "claws.WL": true, "animals.WL": true, "feet.U": false, "claws.U": false, "animals.U": false})
	hidden(t, share("zones"), map[string]bool{"zone.hind.outer.3": true})
	hidden(t, share("cases"), map[string]bool{"new.any.year": true, "new.U.month": true})
	hidden(t, share("devices"), map[string]bool{"wraps.in-time": true})
	hidden(t, share("due"), map[string]bool{"wrap-off.in-time": true})
}

// The upper end of a range tells as much as the lower one.
func TestShare_LooksAtTheUpperEnd(t *testing.T) {
	d := &measures.Data{Animals: cows(40), Scores: session("2025-03-10", strings.Repeat("0 ", 20)+strings.Repeat("2 ", 20))}
	for i := range 2 {
		d.Scores[20+i].Severe = "undetermined"
	}
	r := work(t, d, question(), "lameness")
	wants(t, r, map[string]string{"severe.2025-03-10": "0..5 0/40"})
	hidden(t, measures.Share(r, 5), map[string]bool{"severe.2025-03-10": true, "lame.2025-03-10": false})
}

// What adds up within one report is not told by its other parts.
func TestShare_LetsNothingBeSubtracted(t *testing.T) {
	// 1 to 6 of the raw scores: lame are 2 and 3, so 3 is lame less 2.
	d := &measures.Data{Animals: cows(90), Scores: session("2025-03-10", strings.Repeat("0 ", 60)+strings.Repeat("1 ", 6)+strings.Repeat("2 ", 20)+strings.Repeat("3 ", 3))}
	hidden(t, measures.Share(work(t, d, question(), "lameness"), 5), map[string]bool{
		"lame.2025-03-10": false, "score.mob4-uk.3.2025-03-10": true, "score.mob4-uk.2.2025-03-10": true, "severe.mob4-uk.2025-03-10": true, "severe.2025-03-10": true,
	})

	// Lame of three parities 3, 8 and 9 of 20.
	d = &measures.Data{Animals: cows(90)}
	for i := range d.Animals {
		parity := 1 + i/30
		d.Animals[i].Parity, d.Animals[i].AsOf = &parity, "2025-02-01"
	}
	part := func(lame int) string { return strings.Repeat("2 ", lame) + strings.Repeat("0 ", 30-lame) }
	d.Scores = session("2025-03-10", part(3)+part(8)+part(9))
	q := question()
	q.By = measures.ByParity
	hidden(t, measures.Share(work(t, d, q, "period"), 5), map[string]bool{"lame": false, "lame.parity-1": true, "lame.parity-2": true, "lame.parity-3": false})
	hidden(t, measures.Share(work(t, d, q, "lameness"), 5), map[string]bool{
		"lame.2025-03-10": false, "lame.2025-03-10.parity-1": true, "lame.2025-03-10.parity-2": true, "lame.2025-03-10.parity-3": false,
	})

	// Any case is 9 of DD, 8 of heel and 3 of ulcers; any lesion that of routine and lame.
	d = &measures.Data{Animals: cows(40)}
	for n := range 20 {
		c := lesionCase(n+1, "2025-03-05", "", false)
		code, reason := "U", "lame"
		switch {
		case n < 9:
			code, reason = "DD", "routine"
		case n < 17:
			code, reason = "HHE", "routine"
		}
		c.Class = code
		d.Cases = append(d.Cases, c)
		d.Exams = append(d.Exams, exam(n+1, "2025-03-05", reason, "LH"), lesion(n+1, "2025-03-05", "LH", "outer", code))
	}
	for n := range 20 {
		d.Exams = append(d.Exams, exam(21+n, "2025-03-05", map[bool]string{true: "routine", false: "lame"}[n < 10], "LH"))
	}
	hidden(t, measures.Share(work(t, d, question(), "cases"), 5), map[string]bool{
		"new.any.year": false, "new.DD.year": false, "new.HHE.year": true, "new.U.year": true, "new.HHE.month": true, "new.U.month": true,
	})
	hidden(t, measures.Share(work(t, d, question(), "lesions"), 5), map[string]bool{
		"animals.any": false, "animals.U": true, "animals.HHE": true, "animals.lame.any": true, "animals.routine.any": true,
	})
}

// A suppressed session is told by none of what is made of the sessions.
func TestShare_LeavesOutWhatIsMadeOfASuppressedSession(t *testing.T) {
	line := func(lame int) string { return strings.Repeat("2 ", lame) + strings.Repeat("0 ", 100-lame) }
	d := &measures.Data{Animals: cows(100), Scores: slices.Concat(session("2025-03-03", line(20)), session("2025-03-17", line(22)), session("2025-03-31", line(3)))}
	r := work(t, d, question(), "trend")
	s := measures.Share(r, 5)
	hidden(t, s, map[string]bool{
		"lame.2025-03-03": false, "lame.2025-03-17": false, "lame.2025-03-31": true, "mean": true, "slope": true, "trend": true, "trend-n": true, "cusum.up": true, "cusum.down": true,
	})
	for i := range s.Figures {
		if f := &s.Figures[i]; f.Limits != nil || f.Out {
			t.Errorf("%s: limits %v, out %v", f.Key, f.Limits, f.Out)
		}
	}
	for _, p := range s.Parameters {
		if strings.Contains(p.Name, "target") {
			t.Errorf("the mean is told as %s: %s", p.Name, p.Value)
		}
	}
	if notes := strings.Join(s.Notes, "; "); !strings.Contains(notes, "1 suppressed: few animals") || !strings.Contains(notes, "6 suppressed: it is made of") || !strings.Contains(notes, "limits, mean and tests are left out") {
		t.Errorf("notes: %s", notes)
	}
	if r.Figure("lame.2025-03-03").Limits == nil || len(r.Parameters) != len(s.Parameters)+1 {
		t.Error("the report itself was changed")
	}
	hidden(t, measures.Share(work(t, d, question(), "sample"), 5), map[string]bool{"precision": true, "precision.endless": true, "detection": false})
}

func TestID_LeadsBack(t *testing.T) {
	q := question()
	q.Farm, q.By, q.Gap, q.Span = "oak: é", measures.ByParity, 28, 2.5
	r := work(t, twelve(), q, "lameness")
	for i := range r.Figures {
		id := r.Figures[i].ID
		back, err := measures.ParseID(id)
		if err != nil || back.String() != id || !reflect.DeepEqual(back.Question, q) {
			t.Fatalf("%s: %+v (%v)", id, back, err)
		}
		f := work(t, twelve(), back.Question, back.Measure).Figure(back.Key)
		if f == nil || f.ID != id {
			t.Errorf("%s: worked out again it differs", id)
		}
	}
	d := twelve()
	d.Scores[0].Lame = "yes"
	a, b := work(t, twelve(), question(), "lameness"), work(t, d, question(), "lameness")
	if key := "lame.2025-03-10"; a.Figure(key).ID == b.Figure(key).ID {
		t.Error("another figure has the same id")
	}
	for _, bad := range []string{"", "figure:", "figure:a:b:c:d:e:f", "figure:lameness:k:oak:2025-01-01..2025-02-01:gap=x:at=1:00", "figure:lameness:k:oak:2025-01-01..2025-02-01:no=1:at=1:00"} {
		if _, err := measures.ParseID(bad); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func TestFigure_JSONHasNullForWhatIsNotTold(t *testing.T) {
	r := work(t, &measures.Data{Animals: cows(3)}, question(), "cases")
	b, err := json.Marshal(r)
	if err != nil || strings.Contains(string(b), "NaN") {
		t.Fatalf("%v: %s", err, b)
	}
	var back measures.Report
	if err := json.Unmarshal(b, &back); err != nil || back.Figures[0].Upper.Told() {
		t.Errorf("%v: %+v", err, back.Figures)
	}
}
