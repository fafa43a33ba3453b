package herd_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
)

var long = flag.Bool("long", false, "the long forms of property tests and benchmarks")

// bigLog makes a log of n events: cows of a farm with a roster, examined again
// and again with two findings, a block and a measure each, now and then scored.
func bigLog(n, cows int) *memLog {
	log := newMemLog("big")
	w := newWriter(log)
	var roster []line
	for c := range cows {
		roster = append(roster, line{farm: "larkfield", source: "roster", record: fmt.Sprint("cow", c), payload: &events.Animal{
			Common: events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tag(c)}, {Scheme: "transponder", Value: eid(c)}, {Scheme: "herd-number", Value: fmt.Sprint(c)}}},
			Born:   "2018-05-02", Calvings: []string{"2025-11-28"}, Sex: "female",
		}})
	}
	made := 0
	for len(roster) > 0 {
		k := min(512, len(roster))
		w.put("2024-01-01", roster[:k]...)
		roster, made = roster[k:], made+k
	}
	start := time.Date(2024, 1, 2, 0, 0, 0, 0, time.UTC)
	days := 700
	perDay := max(1, n/6/days)
	var chunk []line
	for x := 0; made+len(chunk) < n; x++ {
		at := start.AddDate(0, 0, x/perDay)
		cow := x * 7919 % cows
		c := events.Common{
			Animal:   []events.Identifier{{Scheme: "ear-tag", Value: "DE " + tag(cow)[2:]}},
			Derived:  events.Derived{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tag(cow)}}, Rules: "1"},
			Occurred: events.Occurred{Date: at.Format(time.DateOnly), Time: fmt.Sprintf("%02d:%02d", 6+x%12, x/12%60), Offset: "+01:00", Zone: "Europe/Berlin", Precision: "minute"},
			Origin:   events.Origin{Line: x + 4},
		}
		rec := fmt.Sprint("x", x)
		exam := line{farm: "larkfield", source: "chute", record: rec, payload: &events.Examination{}}
		e := exam.entity()
		c2 := c
		c2.Examination = e
		c2.Words = events.Words{{Field: "foot", Text: "HR"}, {Field: "claw", Text: "außen"}}
		foot := []string{"LH", "RH"}[x/cows%2]
		chunk = append(chunk,
			line{farm: "larkfield", source: "chute", record: rec, payload: &events.Examination{Common: c, Outcome: "findings", Reasons: []string{"routine"}, Restraint: "standing",
				Feet: []events.FootExam{{Foot: "LH", Examined: "yes", Result: "findings", Trimmed: "preventive"}, {Foot: "RH", Examined: "yes", Result: "clear", Trimmed: "preventive"}}}},
			line{farm: "larkfield", source: "chute", record: rec, slot: "1", payload: &events.Lesion{Common: c2, Foot: foot, Claw: "outer", Code: "SU", Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4}}, Severity: events.Severity{Scale: "grade-3", Value: "2"}}},
			line{farm: "larkfield", source: "chute", record: rec, slot: "2", payload: &events.Lesion{Common: c2, Foot: foot, Claw: "outer", Code: "WLF", Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{3}}, Severity: events.Severity{Scale: "grade-3", Value: "1"}}},
			line{farm: "larkfield", source: "chute", record: rec, slot: "3", payload: &events.Treatment{Common: c2, Foot: foot, Claw: "inner", What: "block"}},
			line{farm: "larkfield", source: "chute", record: rec, slot: "4", payload: &events.ClawMeasure{Common: c2, Foot: foot, Claw: "outer", What: "toe-length", Value: events.DecimalOf(785, 1), Unit: "mm", Landmark: "unknown", When: "after"}},
			line{farm: "larkfield", source: "chute", record: rec, slot: "5", payload: &events.Locomotion{Common: c2, Scale: "mob4-uk", Score: events.DecimalOf(int64(x%4), 0)}},
		)
		if len(chunk) >= 1500 {
			w.put(at.Format(time.DateOnly), chunk...)
			made += len(chunk)
			chunk = chunk[:0]
		}
	}
	if len(chunk) > 0 {
		w.put("2026-01-01", chunk...)
	}
	return log
}

func tag(c int) string { return fmt.Sprintf("DE09%08d", c) }
func eid(c int) string { return fmt.Sprintf("27600009%07d", c) }

func countEvents(log *memLog) (n int) {
	for _, b := range log.entries {
		e, _ := events.ParseEntry(b)
		n += len(e.Events)
	}
	return n
}

// BenchmarkRebuild builds the read model anew from a log on JetStream of 300,000 events of
// 1,000 cows (2 million with -long).
func BenchmarkRebuild(b *testing.B) {
	n := 300_000
	if *long {
		n = 2_000_000
	}
	log := openLog(b, filepath.Join(b.TempDir(), "log"))
	defer log.Close()
	memory := bigLog(n, 1000)
	total := countEvents(memory)
	for e, err := range memory.Read(b.Context(), 1) {
		if err != nil {
			b.Fatal(err)
		}
		log.append(e)
	}
	memory = nil
	cpu := cpuTime()
	b.ResetTimer()
	for range b.N {
		path := filepath.Join(b.TempDir(), "herd.db")
		h, err := herd.Open(b.Context(), herd.Options{Path: path, Log: log})
		if err != nil {
			b.Fatal(err)
		}
		if err := h.CatchUp(b.Context()); err != nil {
			b.Fatal(err)
		}
		fi, _ := os.Stat(path)
		b.ReportMetric(float64(fi.Size())/float64(total), "B/event")
		if err := h.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(total)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(float64((cpuTime()-cpu).Nanoseconds())/float64(total*b.N), "cpu-ns/event")
}

// BenchmarkFollow applies entries of 1,500 events each to a herd of 100,000
// events of 1,000 cows, one by one as they come.
func BenchmarkFollow(b *testing.B) {
	log := bigLog(100_000+1500*b.N, 1000)
	all := log.entries
	log.entries = all[:len(all)-b.N]
	h := openHerd(b, log)
	view(b, h)
	b.ResetTimer()
	cpu, n := cpuTime(), 0
	for i := range b.N {
		log.entries = all[:len(all)-b.N+i+1]
		n += 1500
		if err := h.CatchUp(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(float64((cpuTime()-cpu).Nanoseconds())/float64(n), "cpu-ns/event")
}

// BenchmarkLists asks what a worklist of a farm needs, in a herd of 300,000
// events of 1,000 cows (2 million with -long).
func BenchmarkLists(b *testing.B) {
	n := 300_000
	if *long {
		n = 2_000_000
	}
	h := openHerd(b, bigLog(n, 1000))
	view(b, h)
	ctx := b.Context()
	for _, q := range []struct {
		name string
		ask  func(v *herd.View) (int, error)
	}{
		{"animals", func(v *herd.View) (int, error) {
			x, err := v.Animals(ctx, "larkfield", "2026-01-01")
			return len(x), err
		}},
		{"unmatched", func(v *herd.View) (int, error) { x, err := v.Unmatched(ctx, "larkfield"); return len(x), err }},
		{"contradictions", func(v *herd.View) (int, error) { x, err := v.Contradictions(ctx, "larkfield"); return len(x), err }},
		{"devices", func(v *herd.View) (int, error) {
			x, err := v.OpenDevices(ctx, "larkfield", "2026-01-01")
			return len(x), err
		}},
		{"open cases", func(v *herd.View) (int, error) {
			x, err := v.Cases(ctx, herd.CaseQuery{Farm: "larkfield", Open: true, Newest: true})
			return len(x), err
		}},
		{"devices of one animal", func(v *herd.View) (int, error) {
			x, err := v.Devices(ctx, "larkfield/ear-tag:"+tag(17))
			return len(x), err
		}},
		{"cases of one animal", func(v *herd.View) (int, error) {
			x, err := v.Cases(ctx, herd.CaseQuery{Animal: "larkfield/ear-tag:" + tag(17)})
			return len(x), err
		}},
		{"standings", func(v *herd.View) (int, error) {
			x, err := v.Standings(ctx, "larkfield", "2026-01-01")
			return len(x), err
		}},
		{"standings of a past day", func(v *herd.View) (int, error) {
			x, err := v.Standings(ctx, "larkfield", "2025-11-30")
			return len(x), err
		}},
		{"facts of 14 days", func(v *herd.View) (int, error) {
			x, err := v.Facts(ctx, herd.FactQuery{Farm: "larkfield", From: "2025-11-18"})
			return len(x), err
		}},
		{"counts", func(v *herd.View) (int, error) { _, err := v.Counts(ctx, "larkfield"); return 0, err }},
		{"known", func(*herd.View) (int, error) {
			_, err := h.Known(ctx, "larkfield", ids("ear-tag:DE0900000017"), "2025-02-02")
			return 1, err
		}},
	} {
		b.Run(q.name, func(b *testing.B) {
			rows, cpu := 0, cpuTime()
			for range b.N {
				v, err := h.View(ctx)
				if err != nil {
					b.Fatal(err)
				}
				if rows, err = q.ask(v); err != nil {
					b.Fatal(err)
				}
				_ = v.Close()
			}
			b.ReportMetric(float64(rows), "rows")
			b.ReportMetric(float64((cpuTime()-cpu).Nanoseconds())/float64(b.N), "cpu-ns/op")
		})
	}
}

// cpuTime returns what the process has used of all cores: a figure that other
// work on the machine does not spoil.
func cpuTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
