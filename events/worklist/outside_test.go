package worklist_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/worklist"
)

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 4)) }

// Windows and guards at days worked out outside the project, with R 4.2.2 (a
// calendar, and the calendar alone for the last two rows): a calving on
// 2024-01-15 is 100 days past on 2024-04-24, one of 2023-01-15 on 2023-04-25; a
// service on 2024-02-01 and 280 days give 2024-11-07; 56 days before that is
// 2024-09-12, 42 days 2024-09-26, 28 days 2024-10-10. How many days a window has
// is common practice, no source, but for the 28 days before calving
// (ahdb.org.uk, which cows should be on the trim list).
func TestMake_WindowsAgreeWithTheCalendar(t *testing.T) {
	milk := func(calved string) func(a *events.Animal) {
		return func(a *events.Animal) { a.Calvings = []string{calved} }
	}
	heifer := func(a *events.Animal) {
		none := 0
		a.Born, a.Parity, a.Calvings, a.Services = "2022-06-01", &none, nil, []string{"2024-02-01"}
	}
	tests := []struct {
		name, day string
		cow       func(a *events.Animal)
		want      string
	}{
		{"100 days in milk, leap year", "2024-04-24", milk("2024-01-15"), "planned mid-lactation 2024-05-14, routine never-examined "},
		{"100 days in milk", "2023-04-25", milk("2023-01-15"), "planned mid-lactation 2023-05-15, routine never-examined "},
		{"89 days in milk", "2024-04-13", milk("2024-01-15"), "routine never-examined "},
		{"121 days in milk", "2024-05-15", milk("2024-01-15"), "routine never-examined "},
		{"57 days before calving", "2024-09-11", heifer, ""},
		{"56 days before calving", "2024-09-12", heifer, "routine heifer 2024-09-26"},
		{"42 days before calving", "2024-09-26", heifer, "routine heifer 2024-09-26"},
		{"28 days before calving", "2024-10-10", heifer, "routine heifer 2024-09-26"},
		{"27 days before calving", "2024-10-11", heifer, "not now heifer 2024-09-26"},
	}
	for _, tt := range tests {
		s := newTale(t)
		s.cow(tt.cow)
		got := ""
		if r := s.row(tt.day, worklist.Options{}); r != nil {
			for i, x := range r.Reasons {
				if i > 0 {
					got += ", "
				}
				got += string(x.Tier) + " " + x.Code + " " + x.Closes
			}
		}
		if got != tt.want {
			t.Errorf("%s: got %q, want %q", tt.name, got, tt.want)
		}
	}
}

// A wrap of 2024-03-30 20:00 in Berlin is due 24 hours later, at 21:00 of the
// changed clock (calendar rule: the clocks went forward on 2024-03-31), and late
// at 21:00 of the day after: the milking between is that of 06:00.
func TestMake_HoursAreElapsed(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	s := newTale(t)
	x := wrap("2024-03-30T20:00")
	x.Derived.DueOff, x.Derived.LateFrom = "2024-03-31T21:00:00+02:00", "2024-04-01T21:00:00+02:00"
	s.tell(x)
	for _, tt := range []struct{ at, want string }{
		{"2024-03-31T20:59:00+02:00", "planned wrap-on"},
		{"2024-04-01T05:00:00+02:00", "today wrap-due"},
		{"2024-04-01T20:59:00+02:00", "today wrap-due"},
		{"2024-04-01T21:00:00+02:00", "now wrap-late"},
	} {
		at, _ := time.Parse(time.RFC3339, tt.at)
		in := input(t, herdOf(t, &s.w.log), "f", at.In(berlin).Format(time.DateOnly))
		in.Now, in.Zone = at, berlin
		l := worklist.Make(in, worklist.Options{For: worklist.Milkers})
		if len(l.Rows) != 1 || codes(&l.Rows[0]) != tt.want {
			t.Errorf("at %s: got %+v, want %s", tt.at, l.Rows, tt.want)
		}
	}
}
