package rules

import (
	"slices"
	"testing"

	"dewclaw/events"
)

// TestApply_AdvisesBetweenExaminations holds the advisories of checks, lost claws,
// orders and groups: the condition, its edge, and what is near it and says nothing.
func TestApply_AdvisesBetweenExaminations(t *testing.T) {
	on := func(day string) events.Common {
		return events.Common{Occurred: events.Occurred{Date: day, Precision: "date"}}
	}
	check := func(what, state string) *events.Check {
		return &events.Check{Common: on("2026-03-08"), What: what, State: state, Foot: "RH", Claw: "inner"}
	}
	gone := func(since string) *events.Check {
		c := check("block", "gone")
		c.Since = since
		return c
	}
	order := func(due, until string, cancels ...string) *events.Order {
		return &events.Order{Common: on("2026-03-08"), What: "leave-wrap", Due: due, Until: until, Cancels: cancels}
	}
	claw := func(state, since, until string) *events.Claw {
		return &events.Claw{Common: on("2026-03-08"), State: state, Foot: "RH", Claw: "outer", Since: since, Until: until}
	}
	const trimList = "ahdb.org.uk, which cows should be on the trim list: a rocking block comes second"
	tests := []struct {
		name   string
		p      events.Payload
		want   string
		source string
	}{
		{"block rocks", check("block", "rocking"), BlockRocking, trimList},
		{"block is loose", check("block", "loose"), BlockRocking, trimList},
		{"block is worn", check("block", "worn"), "", "it takes less weight off, and hurts nobody: common practice, no source"},
		{"block is on", check("block", "on"), "", "nothing is wrong"},
		{"wrap is loose", check("wrap", "loose"), "", "the rule is of blocks"},
		{"wound does not heal", check("wound", "not-healing"), WoundNotHealing, "common practice, no source"},
		{"wound heals", check("wound", "healing"), "", "common practice, no source"},
		{"horn lost", claw("capsule-lost", "", ""), HornCapsuleLost, "common practice, no source"},
		{"horn grown again", claw("capsule-lost", "2026-01-01", "2026-03-01"), "", "the tissue no longer lies open"},
		{"claw absent", claw("absent", "2026-01-01", ""), "", "nothing lies open for that"},
		{"gone since today", gone("2026-03-08"), "", "the edge"},
		{"gone since tomorrow", gone("2026-03-09"), SinceLater, "the calendar"},
		{"claw gone since tomorrow", claw("absent", "2026-03-09", ""), SinceLater, "the calendar"},
		{"taken off since tomorrow", &events.TakenOff{Common: on("2026-03-08"), What: "block", How: "found-gone", Since: "2026-03-09"}, SinceLater, "the calendar"},
		{"wrap time cancelled, no other", order("", "", "wrap-time"), OrderWithoutEnd, "proposal of our own"},
		{"wrap time cancelled, until a day", order("", "2026-03-10", "wrap-time"), "", "proposal of our own"},
		{"orders cancelled", order("", "", "orders"), "", "no default is meant"},
		{"due today", order("2026-03-08", ""), "", "the edge"},
		{"due this morning", order("2026-03-08T07:00:00+01:00", ""), "", "days are compared"},
		{"due yesterday", order("2026-03-07", ""), OrderPast, "proposal of our own"},
		{"until last year", order("2026-03-09", "2025-03-10"), OrderPast, "proposal of our own"},
		{"bath, nobody wrote with what", &events.Group{Common: on("2026-03-08"), What: "footbath", Pens: []string{"2"}}, BathWithoutProduct, "common practice, no source"},
		{"bath with a product", &events.Group{Common: on("2026-03-08"), What: "footbath", Product: "copper sulphate"}, "", "common practice, no source"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var want []string
			if tt.want != "" {
				want = []string{tt.want}
			}
			Apply([]events.Payload{tt.p}, Defaults())
			if got := notes(tt.p); !slices.Equal(got, want) {
				t.Errorf("got %q, want %q (%s)", got, want, tt.source)
			}
			if rules := tt.p.Base().Derived.Rules; (rules != "") != (tt.want != "") {
				t.Errorf("derived by rules %q", rules)
			}
		})
	}
}
