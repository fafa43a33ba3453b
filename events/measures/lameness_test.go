package measures_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"dewclaw/events/herd"
	"dewclaw/events/measures"
)

// twelve is 12 cows in milk and a dry one, 12 of them scored twice; cow 13 never.
func twelve() *measures.Data {
	d := &measures.Data{Animals: cows(13)}
	d.Animals[11].DryOffs = []string{"2025-03-20"}
	d.Scores = slices.Concat(
		session("2025-03-10", "0 0 1 2 2 3 0 0 0 0 2+b 0"),
		session("2025-03-24", "0 2 1 2 0 3 0 0 0 0 0   2"),
	)
	return d
}

func TestLameness_CountsOfThoseScored(t *testing.T) {
	r := work(t, twelve(), question(), "lameness")
	wants(t, r, map[string]string{
		"lame.2025-03-10":            "33.33 4/12",
		"lame.2025-03-24":            "27.27 3/11", // cow 12 is dry since the 20th
		"severe.2025-03-10":          "8.333 1/12",
		"severe.mob4-uk.2025-03-10":  "8.333 1/12",
		"score.mob4-uk.2.2025-03-24": "18.18 2/11",
	})
	f := r.Figure("lame.2025-03-10")
	if *f.Seen != 12 || *f.Eligible != 13 || f.Census {
		t.Errorf("seen %d of %d, census %v; cow 13 was not scored", *f.Seen, *f.Eligible, f.Census)
	}
	if f = r.Figure("lame.2025-03-24"); *f.Seen != 11 || *f.Eligible != 12 {
		t.Errorf("seen %d of %d on the second day, wanted 11 of 12 in milk", *f.Seen, *f.Eligible)
	}
	if n := leftOut(r, "not among"); n != 1 {
		t.Errorf("%d animals left out as dry, wanted 1", n)
	}
	// 3 of 11 by hand with the formula of Wilson 1927: 9.746 to 56.56 percent.
	if i := f.Intervals[0]; i.Method != measures.Wilson || !near(i.Low, 9.746, 1e-3) || !near(i.High, 56.56, 1e-2) {
		t.Errorf("interval %+v", i)
	}
}

func TestLameness_SaysCensusOfAWholeHerd(t *testing.T) {
	d := twelve()
	d.Animals = d.Animals[:12]
	f := work(t, d, question(), "lameness").Figure("lame.2025-03-10")
	if !f.Census || f.Intervals != nil {
		t.Errorf("all 12 were scored: census %v, intervals %v", f.Census, f.Intervals)
	}
}

func TestLameness_LeavesOutWhatIsInDoubtAndSpotScores(t *testing.T) {
	d := twelve()
	d.Scores[5].Doubts = []string{"after-leaving"}
	d.Scores = append(d.Scores, scored(1, "2025-04-02", "3"))
	r := work(t, d, question(), "lameness")
	wants(t, r, map[string]string{"lame.2025-03-10": "27.27 3/11"})
	if r.Figure("lame.2025-04-02") != nil || leftOut(r, "spot scores") != 1 || leftOut(r, "contradict") != 1 {
		t.Errorf("one score of one cow became a session, or nobody said what was left out: %v, %v", keys(r), r.LeftOut)
	}
}

func TestLameness_ShowsTheMostSevereOfADay(t *testing.T) {
	d := twelve()
	for _, s := range []herd.Score{scored(1, "2025-03-10", "2"), scored(3, "2025-03-24", "0")} {
		s.Entity = "other"
		d.Scores = append(d.Scores, s)
	}
	wants(t, work(t, d, question(), "lameness"), map[string]string{"lame.2025-03-10": "41.67 5/12", "score.mob4-uk.1.2025-03-24": "9.091 1/11"})
}

func TestLameness_TellsARangeWhereAScaleCannotTellSevere(t *testing.T) {
	d := twelve()
	for i := range d.Scores {
		if d.Scores[i].Severe == "yes" {
			d.Scores[i].Severe = "undetermined"
		}
	}
	wants(t, work(t, d, question(), "lameness"), map[string]string{"severe.2025-03-10": "0..8.333 0/12"})
}

func TestLameness_TakesAllWithoutARosterOfCalvings(t *testing.T) {
	d := twelve()
	for i := range d.Animals {
		d.Animals[i].Calvings = nil
	}
	r := work(t, d, question(), "lameness")
	wants(t, r, map[string]string{"lame.2025-03-24": "33.33 4/12"})
	if r.Of != "animals" || len(r.Notes) == 0 {
		t.Errorf("of %q, notes %v: nobody is told that all animals were taken", r.Of, r.Notes)
	}
}

func TestConfirmed_WantsTwoScoresOrASevereOne(t *testing.T) {
	wants(t, work(t, twelve(), question(), "confirmed"), map[string]string{
		"confirmed.2025-03-10": "8.333 1/12", // the severe one
		"confirmed.2025-03-24": "18.18 2/11", // cow 4 again, cow 6 severe
	})
	d := twelve()
	q := question()
	q.Confirm = 13 // the sessions are 14 days apart
	wants(t, work(t, d, q, "confirmed"), map[string]string{"confirmed.2025-03-24": "9.091 1/11"})
}

// Period prevalence is above that of a day in the same animals: Mahendran's trial
// had 172 of 419 lame at least once, and 48 of 392 on a day.
func TestPeriod_CountsEachAnimalOnce(t *testing.T) {
	wants(t, work(t, twelve(), question(), "period"), map[string]string{
		"lame":   "41.67 5/12", // cows 2, 4, 5, 6, 11; 12 was dry when she was lame
		"severe": "8.333 1/12",
	})
}

func TestChange_JudgesThoseScoredAtBoth(t *testing.T) {
	wants(t, work(t, twelve(), question(), "change"), map[string]string{
		"newly.2025-03-10.2025-03-24":     "14.29 1/7", // cow 2 of 1, 2, 3, 7, 8, 9, 10
		"recovered.2025-03-10.2025-03-24": "33.33 1/3", // cow 5 of 4, 5, 6
		"still.2025-03-10.2025-03-24":     "66.67 2/3",
	})
}

func TestEpisodes_BeginWhereASoundCowIsLame(t *testing.T) {
	d := &measures.Data{Animals: cows(12), Scores: slices.Concat(
		session("2025-03-03", "0 0 0 2 0   0"),
		session("2025-03-17", "0 0 2 2 0   0"),
		session("2025-03-31", "0 2 0 0 2+b 0"),
		session("2025-04-14", "0 2 0 0 0   3"),
	)}
	d.Animals[5].Stays = []herd.Stay{{Entered: "2024-01-01", Left: "2025-04-10"}}
	r := work(t, d, question(), "episodes")
	// Sound from the second not-lame score. Cow 1: sound 17.3., watched to 14.4.: 28
	// days. Cow 2: 17.3. to her episode on 31.3.: 14. Cow 3 never had two in a row
	// before the first lame one, sound on 14.4.: 0. Cow 4: sound on 14.4.: 0. Cow 5:
	// on 31.3. a block was on, and nobody tells since when: 0. Cow 6 left on 10.4.: her
	// score behind that is not hers to count, time 17.3. to 10.4.: 24.
	wants(t, r, map[string]string{
		"episodes.year":  "553.4 1 in 66",
		"episodes.month": "46.12 1 in 66",
	})
	// The block went on on 22.3.: 5 days. A wrap on cow 1 from 1.4. to 5.4. ends her
	// time, and one not-lame score behind it does not make her sound again: 15
	// days in the place of 28.
	d.Devices = []herd.Device{device(1, "wrap", "2025-04-01", "", "2025-04-05", "taken-off"), device(5, "block", "2025-03-22", "", "", "")}
	wants(t, work(t, d, question(), "episodes"), map[string]string{"episodes.year": "629.7 1 in 58"})
}

func TestScale_LeavesOthersOut(t *testing.T) {
	d := twelve()
	d.Scores[0].Scale = "loc5-posture"
	q := question()
	q.Scale = "mob4-uk"
	r := work(t, d, q, "lameness")
	wants(t, r, map[string]string{"lame.2025-03-10": "36.36 4/11"})
	if leftOut(r, "other scales") != 1 {
		t.Errorf("left out: %v", r.LeftOut)
	}
}

func TestSplit_ByParityOfTheDay(t *testing.T) {
	d := twelve()
	two := 2
	for i := range 6 {
		d.Animals[i].Parity, d.Animals[i].AsOf = &two, "2025-04-01"
	}
	one := 1
	for i := 6; i < 12; i++ {
		d.Animals[i].Parity, d.Animals[i].AsOf = &one, "2025-02-01"
	}
	d.Animals[0].Calvings = append(d.Animals[0].Calvings, "2025-03-28") // in parity 1 on the 24th
	q := question()
	q.By = measures.ByParity
	wants(t, work(t, d, q, "lameness"), map[string]string{
		"lame.2025-03-24.parity-1": "0 0/6",
		"lame.2025-03-24.parity-2": "60 3/5",
	})
}

// A chosen dozen is listed and warned of, and moves neither mean nor limits nor
// tests; of samples drawn at random the setting says so.
func TestTrend_LeavesChosenAnimalsOut(t *testing.T) {
	d := &measures.Data{Animals: cows(100)}
	line := func(lame, of int) string { return strings.Repeat("2 ", lame) + strings.Repeat("0 ", of-lame) }
	d.Scores = slices.Concat(session("2025-03-03", line(10, 100)), session("2025-03-17", line(10, 100)), session("2025-03-31", line(10, 12)))
	r := work(t, d, question(), "trend")
	// 20 of 200 in the mean; with the dozen it were 30 of 212.
	wants(t, r, map[string]string{"mean": "10", "slope": "0", "lame.2025-03-31": "83.33 10/12"})
	f := r.Figure("lame.2025-03-31")
	if !f.Partial || f.Limits != nil || f.Out || f.Seen == nil || *f.Seen != 12 || !strings.Contains(strings.Join(f.Cautions, " "), "only 12 % of the") {
		t.Errorf("the chosen dozen: %+v", f)
	}
	if f = r.Figure("lame.2025-03-17"); f.Partial || f.Limits == nil {
		t.Errorf("a whole session: %+v", f)
	}
	q := question()
	q.Cover = 10
	wants(t, work(t, d, q, "trend"), map[string]string{"mean": "14.15"}) // 30 of 212
	for _, name := range []string{"lameness", "confirmed"} {
		r := work(t, d, question(), name)
		if f := r.Figure(map[string]string{"lameness": "lame.2025-03-31", "confirmed": "confirmed.2025-03-31"}[name]); !f.Partial {
			t.Errorf("%s: the chosen dozen is taken for the herd", name)
		}
	}
	c := work(t, d, question(), "change").Figure("newly.2025-03-17.2025-03-31")
	said := strings.Join(c.Cautions, "; ")
	for _, want := range []string{"only 12 % of the animals scored at the first", "few animals", "saw 12 of 100"} {
		if !strings.Contains(said, want) {
			t.Errorf("change does not say %q: %s", want, said)
		}
	}
	// What to expect is not told by chosen animals.
	if p := fmt.Sprint(work(t, d, question(), "sample").Parameters); !strings.Contains(p, "10 % (that of the session of 2025-03-17)") {
		t.Errorf("sample: %s", p)
	}
}

// Ranges of surveys of walking cows stand beside no signs of standing ones, and no
// cut of a sender's own (code list locomotion).
func TestLameness_IsComparedOnlyWhereTheCutFits(t *testing.T) {
	for scale, want := range map[string]bool{"mob4-uk": true, "loc5-posture": true, "sls4": false, "wq2-tied": false, "classes-4": false, "sensor": false} {
		d := twelve()
		for i := range d.Scores {
			d.Scores[i].Scale = scale
		}
		r := work(t, d, question(), "lameness")
		if f := r.Figure("lame.2025-03-24"); (len(f.Ranges) > 0) != want {
			t.Errorf("%s: ranges %v", scale, f.Ranges)
		}
	}
}

// A cow with days on which she was scored is one animal; a lactation that only the
// parity tells of has no known end.
func TestLooks_CountAnimalsAndSayWhatNobodyDated(t *testing.T) {
	three := 3
	d := &measures.Data{Animals: append(cows(12), cow(13, func(a *herd.Animal) { a.Calvings, a.Parity = nil, new(int) }), cow(14, func(a *herd.Animal) {
		a.Calvings, a.Parity, a.AsOf = []string{"2025-04-20"}, &three, "2025-05-01"
	}))}
	line := strings.Repeat("0 ", 13)
	d.Scores = slices.Concat(session("2025-03-03", line), session("2025-03-17", line))
	r := work(t, d, question(), "lameness")
	if n := leftOut(r, "scored animals that are not among"); n != 1 {
		t.Errorf("%d animals left out, wanted the heifer", n)
	}
	if notes := strings.Join(r.Notes, "; "); !strings.Contains(notes, "of 1 cow only the parity tells") {
		t.Errorf("notes: %s", notes)
	}
}
