package measures

import "testing"

// Days of the proleptic Gregorian calendar, as R's Date has them; 2024 is a leap
// year. The day of calving is day 0 of lactation.
func TestDays_AreThoseOfTheCalendar(t *testing.T) {
	for _, x := range []struct {
		from, to string
		days     int
		what     string
	}{
		{"2024-01-15", "2024-04-24", 100, "days in milk over a leap day"},
		{"2023-01-15", "2023-04-25", 100, "days in milk without one"},
		{"2024-02-01", "2024-11-07", 280, "from service to calving"},
		{"2024-09-12", "2024-11-07", 56, "first day of the check of heifers"},
		{"2024-09-26", "2024-11-07", 42, "last day of it"},
		{"2024-10-10", "2024-11-07", 28, "guard before calving"},
		{"1999-12-31", "2000-03-01", 61, "a leap day in a year that 100 and 400 divide"},
		{"2100-02-28", "2100-03-01", 1, "no leap day in a year that 100 divides"},
	} {
		if got := int(dayOf(x.to, never) - dayOf(x.from, never)); got != x.days {
			t.Errorf("%s: %s to %s is %d days, wanted %d", x.what, x.from, x.to, got, x.days)
		}
		if back := dayOf(x.from, never) + day(x.days); back.String() != x.to {
			t.Errorf("%s: %d days after %s is %s, wanted %s", x.what, x.days, x.from, back, x.to)
		}
	}
	// 365.25 days are a cow-year, and twelve cow-months.
	if daysAYear != 12*daysAMonth || daysAMonth != 30.4375 {
		t.Errorf("a year is %v days and a month %v", daysAYear, daysAMonth)
	}
}
