package herd_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// The oracle reads the statements day by day: a herd number with both its days
// stated means the cows that have it on that day, and nothing else.
func TestResolve_AgreesWithReadingTheStatements(t *testing.T) {
	day := func(n int) string {
		return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n).Format(time.DateOnly)
	}
	dir, n := t.TempDir(), 0
	rapid.Check(t, func(rt *rapid.T) {
		type holder struct {
			cow      int
			from, to int
		}
		var all []holder
		log := newMemLog("oracle")
		w := newWriter(log)
		for cow := range rapid.IntRange(1, 4).Draw(rt, "cows") {
			x := holder{cow: cow, from: rapid.IntRange(0, 20).Draw(rt, "from")}
			x.to = x.from + rapid.IntRange(1, 12).Draw(rt, "days")
			all = append(all, x)
			w.put("2026-02-01", line{farm: farm, source: "roster", record: fmt.Sprint(cow), payload: &events.Animal{Common: events.Common{Animal: []events.Identifier{
				{Scheme: "ear-tag", Value: fmt.Sprint("DE", cow)}, {Scheme: "herd-number", Value: "31", From: day(x.from), To: day(x.to)},
			}}}})
		}
		n++
		path := filepath.Join(dir, fmt.Sprint(n))
		h, err := herd.Open(t.Context(), herd.Options{Path: path, Log: log})
		if err != nil {
			rt.Fatal(err)
		}
		defer os.Remove(path)
		defer h.Close()
		if err := h.CatchUp(t.Context()); err != nil {
			rt.Fatal(err)
		}
		for d := -1; d < 35; d++ {
			want := herd.Resolution{State: herd.None}
			for _, x := range all {
				if x.from <= d && d < x.to {
					want.Candidates = append(want.Candidates, fmt.Sprint(farm, "/ear-tag:DE", x.cow))
				}
			}
			switch len(want.Candidates) {
			case 0:
			case 1:
				want = herd.Resolution{State: herd.Known, Animal: want.Candidates[0]}
			default:
				want.State = herd.Several
			}
			got, err := h.Resolve(t.Context(), farm, ids("herd-number:31"), day(d))
			if err != nil {
				rt.Fatal(err)
			}
			if got.State != want.State || got.Animal != want.Animal || !slices.Equal(got.Candidates, want.Candidates) {
				rt.Fatalf("on %s: got %+v, want %+v", day(d), got, want)
			}
		}
	})
}
