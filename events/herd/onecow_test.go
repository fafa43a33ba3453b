package herd_test

import (
	"fmt"
	"path/filepath"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// oneCow writes n records of one cow on one day, one an entry if each.
func oneCow(n int, of func(i int) events.Payload) *memLog {
	log := newMemLog("one cow")
	w := newWriter(log)
	var lines []about
	for i := range n {
		lines = append(lines, about{line: line{farm: farm, source: "gait", record: fmt.Sprint("r", i), change: events.Recorded, payload: of(i)}})
	}
	w.entry(events.CauseChunk, "2026-03-01", lines...)
	return log
}

// BenchmarkOneCow measures the building of a herd of one cow of whom one source
// tells much on one day, by kind of record: the time must grow with their number.
func BenchmarkOneCow(b *testing.B) {
	score := func(when string, v int64) events.Payload {
		return &events.Locomotion{Common: on(cow, when), Scale: "mob4-uk", Score: events.DecimalOf(v, 0)}
	}
	for _, k := range []struct {
		name string
		of   func(i int) events.Payload
	}{
		{"scores", func(int) events.Payload { return score("2026-02-01", 2) }},
		{"timed-scores", func(i int) events.Payload { return score(fmt.Sprintf("2026-02-01T%02d:%02d", i/60%24, i%60), 2) }},
		{"blocks", func(i int) events.Payload { return put(cow, "2026-02-01", "block", "RH", "inner") }},
		{"lesions", func(i int) events.Payload {
			return &events.Lesion{Common: on(cow, "2026-02-01"), Foot: "RH", Claw: "outer", Code: "SU"}
		}},
		{"orders", func(i int) events.Payload {
			return &events.Order{Common: on(cow, "2026-02-01"), What: "recheck", Foot: "RH", Due: "2026-02-09"}
		}},
		{"examinations", func(i int) events.Payload {
			return &events.Examination{Common: on(cow, "2026-02-01T08:00"), Outcome: "clear"}
		}},
	} {
		for _, n := range []int{100, 400} {
			b.Run(fmt.Sprint(k.name, "-", n), func(b *testing.B) {
				log := oneCow(n, k.of)
				dir := b.TempDir()
				for i := 0; b.Loop(); i++ {
					h, err := herd.Open(b.Context(), herd.Options{Path: filepath.Join(dir, fmt.Sprint(i)), Log: log})
					if err != nil {
						b.Fatal(err)
					}
					if err := h.CatchUp(b.Context()); err != nil {
						b.Fatal(err)
					}
					if err := h.Close(); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
