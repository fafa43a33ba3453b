package rules

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dewclaw/events"
)

// watched feeds the records one after the other.
func watching(s *Settings, records ...[]events.Payload) (w Watch) {
	for _, r := range records {
		w.Add(See(r, time.Time{}), s)
	}
	return w
}

func codesOf(ns []Suspicion) (out []string) {
	for _, n := range ns {
		out = append(out, n.Code)
	}
	return out
}

func repeat(n int, record []events.Payload) (out [][]events.Payload) {
	for range n {
		out = append(out, record)
	}
	return out
}

// Source of all rows: proposal of our own, no outside authority. A block goes on
// the claw without the lesion (common practice, no source).
func TestWatch_SuspectsSwappedSides(t *testing.T) {
	own := []events.Payload{lesion("SU", "RH", "outer", 4), treated("block", "RH", "outer")}
	other := []events.Payload{lesion("SU", "RH", "outer", 4), treated("block", "RH", "inner")}
	tests := []struct {
		name    string
		records [][]events.Payload
		want    bool
	}{
		{"nothing", nil, false},
		{"nine on the own claw", repeat(9, own), false},
		{"ten on the own claw", repeat(10, own), true},
		{"half and half", append(repeat(10, own), repeat(10, other)...), false},
		{"one more than half", append(repeat(11, own), repeat(10, other)...), true},
		{"all on the other claw", repeat(50, other), false},
		{"thin sole blocks", repeat(20, []events.Payload{lesion("SU", "RH", "outer", 4), treated("block-thin-sole", "RH", "outer")}), false},
		{"thin soles", repeat(20, []events.Payload{lesion("TS", "RH", "outer", 5), treated("block", "RH", "outer")}), false},
		{"lesions on both claws", repeat(20, []events.Payload{lesion("SU", "RH", "outer", 4), lesion("WL", "RH", "inner", 3), treated("block", "RH", "outer")}), false},
		{"a claw that is not told", repeat(20, []events.Payload{lesion("SU", "RH", "unknown", 4), treated("block", "RH", "outer")}), false},
		{"another foot", repeat(20, []events.Payload{lesion("SU", "LH", "outer", 4), treated("block", "RH", "outer")}), false},
	}
	for _, tt := range tests {
		s := Defaults()
		w := watching(s, tt.records...)
		if got := slices.Contains(codesOf(w.Notes(s)), SidesSwapped); got != tt.want {
			t.Errorf("%s: suspect %v (%v), wanted %v", tt.name, got, w.Notes(s), tt.want)
		}
		if s.Set(SidesSwapped, "off"); slices.Contains(codesOf(w.Notes(s)), SidesSwapped) {
			t.Errorf("%s: told although it is switched off", tt.name)
		}
	}
	s := Defaults()
	w := watching(s, repeat(12, own)...)
	if got := w.Notes(s); len(got) != 1 || got[0].Detail != "12 of 12 blocks sit on the claw with the lesion" {
		t.Errorf("notes %v", got)
	}
}

// The same records in any order give the same notes, whatever they are.
func TestWatch_CountsInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Defaults()
		records := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) []events.Payload {
			claw := rapid.SampledFrom([]string{"inner", "outer"}).Draw(t, "claw")
			clock := rapid.SampledFrom([]string{"00:00", "08:12", ""}).Draw(t, "clock")
			l := lesion("SU", "RH", "outer", 4)
			if clock != "" {
				l.Common = on("2026-03-04", clock, "+01:00", "")
			}
			return []events.Payload{l, treated("block", "RH", claw)}
		}), 0, 40).Draw(t, "records")
		a := watching(s, records...)
		b := watching(s, rapid.Permutation(slices.Clone(records)).Draw(t, "order")...)
		if x, y := a.Notes(s), b.Notes(s); !slices.Equal(x, y) {
			t.Fatalf("%v and in another order %v", x, y)
		}
	})
}

func TestWatch_SuspectsASourceThatKnowsOnlyDays(t *testing.T) {
	at := func(clock, offset string) []events.Payload {
		return []events.Payload{&events.Examination{Common: on("2026-03-04", clock, offset, "")}}
	}
	day := []events.Payload{&events.Examination{Common: on("2026-03-04", "", "", "")}}
	tests := []struct {
		name    string
		records [][]events.Payload
		want    bool
	}{
		{"local midnight", repeat(20, at("00:00", "+01:00")), true},
		{"midnight in UTC", repeat(20, at("01:00", "+01:00")), true},
		{"midnight in UTC, the evening before", repeat(20, at("18:00", "-06:00")), true},
		{"too few", repeat(19, at("00:00", "+01:00")), false},
		{"one with a time", append(repeat(40, at("00:00", "+01:00")), at("08:12", "+01:00")), false},
		{"days alone", repeat(40, day), false},
	}
	for _, tt := range tests {
		s := Defaults()
		w := watching(s, tt.records...)
		if got := slices.Contains(codesOf(w.Notes(s)), MidnightAlways); got != tt.want {
			t.Errorf("%s: suspect %v, wanted %v", tt.name, got, tt.want)
		}
	}
}

// A device of one farm may be wrong while that of another is right, and two clocks that
// each keep their distance have not jumped.
func TestWatch_LooksAtEachFarmByItself(t *testing.T) {
	s := Defaults()
	var w Watch
	now := time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)
	see := func(farm, block string, lag time.Duration) {
		now = now.Add(2 * time.Minute)
		at := now.Add(-lag)
		l := lesion("SU", "RH", "outer", 4)
		l.Common.Occurred = events.Occurred{Date: at.Format(time.DateOnly), Time: at.Format("15:04"), Offset: "+00:00", Precision: "minute"}
		x := See([]events.Payload{l, treated("block", "RH", block)}, now)
		x.Farm = farm
		w.Add(x, s)
	}
	for range 15 {
		see("beta", "inner", time.Minute)
	}
	for range 20 {
		see("alpha", "outer", 5*time.Hour)
	}
	for range 15 {
		see("beta", "inner", time.Minute)
	}
	want := "farm alpha: 20 of 20 blocks sit on the claw with the lesion"
	if got := w.Notes(s); len(got) != 1 || got[0].Code != SidesSwapped || got[0].Farm != "alpha" || got[0].Detail != want {
		t.Errorf("got %v, want %q alone", got, want)
	}
	for range 60 {
		see("beta", "outer", 5*time.Hour)
	}
	got := w.Notes(s)
	if codes := codesOf(got); !slices.Equal(codes, []string{SidesSwapped, SidesSwapped, ClockJump}) || got[1].Farm != "beta" || got[2].Farm != "beta" {
		t.Errorf("when the other is wrong, too: got %v", got)
	}
}

// What so many farms do together is told of the source, if none of them does enough of
// it to be told of.
func TestWatch_LooksAtTheFarmsTogether(t *testing.T) {
	s := Defaults()
	var w Watch
	for _, farm := range []string{"alpha", "beta", "gamma"} {
		for range 8 {
			x := See([]events.Payload{&events.Examination{Common: on("2026-03-04", "00:00", "+01:00", "")}}, time.Time{})
			x.Farm = farm
			w.Add(x, s)
		}
	}
	if got := w.Notes(s); len(got) != 1 || got[0].Farm != "" || got[0].Detail != "all 24 times are midnight" {
		t.Errorf("got %v", got)
	}
}

func TestWatch_SuspectsAClockThatJumped(t *testing.T) {
	// lags are given in minutes, a record every two minutes.
	feed := func(lags ...int) (Watch, *Settings) {
		s := Defaults()
		var w Watch
		now := time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC)
		for _, lag := range lags {
			now = now.Add(2 * time.Minute)
			at := now.Add(-time.Duration(lag) * time.Minute)
			c := events.Common{Occurred: events.Occurred{Date: at.Format(time.DateOnly), Time: at.Format("15:04"), Offset: "+00:00", Precision: "minute"}}
			w.Add(See([]events.Payload{&events.Examination{Common: c}}, now), s)
		}
		return w, s
	}
	run := func(lag int) (out []int) {
		for range 15 {
			out = append(out, lag)
		}
		return out
	}
	var day []int // a device that sends a day at once
	for i := range 15 {
		day = append(day, 600-20*i)
	}
	tests := []struct {
		name string
		lags []int
		want bool
	}{
		{"steady", slices.Concat(run(1), run(1), run(2)), false},
		{"an hour behind all of a sudden", slices.Concat(run(1), run(61)), true},
		{"an hour ahead", slices.Concat(run(61), run(1)), true},
		{"ten minutes", slices.Concat(run(1), run(11)), false},
		{"eleven minutes", slices.Concat(run(1), run(12)), true},
		{"not enough records", slices.Concat(run(1), run(61)[:14]), false},
		{"days at once", slices.Concat(day, run(1), day), false},
		{"one late record in a run", slices.Concat(run(1), append(run(1)[:14], 300)), false},
	}
	for _, tt := range tests {
		w, s := feed(tt.lags...)
		if got := slices.Contains(codesOf(w.Notes(s)), ClockJump); got != tt.want {
			t.Errorf("%s: suspect %v (%v), wanted %v", tt.name, got, w.Notes(s), tt.want)
		}
	}
	// Files of a whole morning, a record each minute, with a rest at nine; the clock is set back an hour in the last ones.
	morning := func(w *Watch, day int, slow time.Duration) {
		received := time.Date(2026, 3, day, 13, 0, 0, 0, time.UTC)
		for i := range 180 {
			at := received.Add(-7*time.Hour + time.Duration(i)*time.Minute - slow)
			if i >= 60 {
				at = at.Add(time.Hour)
			}
			c := events.Common{Occurred: events.Occurred{Date: at.Format(time.DateOnly), Time: at.Format("15:04"), Offset: "+00:00", Precision: "minute"}}
			w.Add(See([]events.Payload{&events.Examination{Common: c}}, received), Defaults())
		}
	}
	var files Watch
	for day := range 15 {
		morning(&files, 1+day, 0)
	}
	if got := files.Notes(Defaults()); slices.Contains(codesOf(got), ClockJump) {
		t.Errorf("files of whole mornings: suspect %v, wanted none", got)
	}
	for day := range 15 {
		morning(&files, 16+day, time.Hour)
	}
	if got := files.Notes(Defaults()); !slices.Contains(codesOf(got), ClockJump) {
		t.Errorf("files an hour late from a day on: suspect %v, wanted the clock", got)
	}
	var w Watch
	w.Add(See(nil, time.Time{}), Defaults())
	if got := w.Notes(Defaults()); got != nil {
		t.Errorf("nothing was seen and %v is suspect", got)
	}
}

// Source: proposal of our own, no outside authority: 72 hours, 20 records, more
// than half.
func TestWatch_TellsThatRecordsComeLate(t *testing.T) {
	received := time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)
	at := func(day, clock string) []events.Payload {
		return []events.Payload{&events.Examination{Common: on(day, clock, "+00:00", "")}}
	}
	tests := []struct {
		name    string
		records [][]events.Payload
		want    bool
	}{
		{"three days", repeat(20, at("2026-03-07", "12:00")), false},
		{"a minute more", repeat(20, at("2026-03-07", "11:59")), true},
		{"too few", repeat(19, at("2026-03-07", "11:59")), false},
		{"half of them", append(repeat(10, at("2026-03-01", "08:00")), repeat(10, at("2026-03-10", "08:00"))...), false},
		{"more than half", append(repeat(11, at("2026-03-01", "08:00")), repeat(10, at("2026-03-10", "08:00"))...), true},
		{"a day that ended three days ago", repeat(20, at("2026-03-06", "")), true},
		{"a day that ended less than three days ago", repeat(20, at("2026-03-07", "")), false},
	}
	for _, tt := range tests {
		s := Defaults()
		var w Watch
		for _, r := range tt.records {
			w.Add(See(r, received), s)
		}
		if got := slices.Contains(codesOf(w.Notes(s)), RecordsLate); got != tt.want {
			t.Errorf("%s: late %v (%v), wanted %v", tt.name, got, w.Notes(s), tt.want)
		}
	}
	s := Defaults()
	w := watching(s, repeat(40, at("2026-03-01", "08:00"))...)
	if got := w.Notes(s); got != nil {
		t.Errorf("nobody knows when they came, and %v", got)
	}
}

func ExampleWatch() {
	var w Watch
	s := Defaults()
	for range 12 {
		l := &events.Lesion{Code: "SU", Foot: "RH", Claw: "outer"}
		b := &events.Treatment{What: "block", Foot: "RH", Claw: "outer"}
		w.Add(See([]events.Payload{l, b}, time.Time{}), s)
	}
	for _, n := range w.Notes(s) {
		fmt.Println(n.Code, n.Detail)
	}
	// Output: sides-swapped 12 of 12 blocks sit on the claw with the lesion
}
