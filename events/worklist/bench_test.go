package worklist_test

import (
	"flag"
	"fmt"
	"syscall"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/worklist"
)

var farms = flag.Int("farms", 10, "farms in one more log of the long benchmark, of 200,000 events each: 100 are 20 million")

// bigHerd builds the read model of a log of n events about farms of a thousand
// cows: larkfield, and others beside it that have as many events each. What it has
// is dropped from the log.
func bigHerd(b *testing.B, n, farms int) *herd.Herd {
	w := newWriter()
	var h *herd.Herd
	for f := range farms {
		farm := "larkfield"
		if f > 0 {
			farm = fmt.Sprint("neighbour-", f)
		}
		w.bigFarm(farm, n/farms)
		if h == nil {
			h = herdOf(b, &w.log)
		} else if err := h.CatchUp(b.Context()); err != nil {
			b.Fatal(err)
		}
		clear(w.log.entries)
		clear(w.rev)
	}
	return h
}

// bigFarm adds n events of one farm over 700 days: a roster, examinations again
// and again with two findings, a block that comes off and a score each; the newest
// ones are of the last days before the list.
func (w *writer) bigFarm(farm string, n int) {
	const cows = 1000
	var chunk []line
	made := 0
	put := func(source string, lines ...line) {
		for i := range lines {
			lines[i].farm, lines[i].source = farm, source
		}
		if chunk = append(chunk, lines...); len(chunk) >= 500 {
			w.put(chunk...)
			made, chunk = made+len(chunk), nil
		}
	}
	for c := range cows {
		put("roster", line{record: fmt.Sprint("cow", c), payload: &events.Animal{
			Common: events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tagOf(c)}, {Scheme: "herd-number", Value: fmt.Sprint(c)}}},
			Born:   "2018-05-02", Calvings: []string{plus("2025-11-28", -c%300)}, Sex: "female",
		}})
	}
	const days = 700
	exams := (n-made)/6 + 1
	for x := 0; made < n; x++ {
		date := plus("2026-01-30", min(x*days/exams, days)-days)
		cow := x * 7919 % cows
		c := events.Common{
			Animal:   []events.Identifier{{Scheme: "ear-tag", Value: tagOf(cow)}},
			Derived:  events.Derived{Rules: "1"},
			Occurred: events.Occurred{Date: date, Time: fmt.Sprintf("%02d:%02d", 6+x%12, x/12%60), Offset: "+01:00", Zone: "Africa/Lagos", Precision: "minute"},
		}
		foot, record := []string{"LH", "RH"}[x/cows%2], fmt.Sprint("x", x)
		scored := &events.Locomotion{Common: c, Scale: "mob4-uk", Score: events.DecimalOf(int64(x%4), 0)}
		scored.Derived.Lame, scored.Derived.SevereNative = []string{"no", "no", "yes", "yes"}[x%4], []string{"no", "no", "no", "yes"}[x%4]
		put("chute",
			line{record: record, slot: "x", payload: &events.Examination{Common: c, Outcome: "findings", Reasons: []string{"routine"}, Restraint: "standing",
				Feet: []events.FootExam{{Foot: foot, Examined: "yes", Result: "findings", Trimmed: "preventive"}}}},
			line{record: record, slot: "1", payload: &events.Lesion{Common: c, Foot: foot, Claw: "outer", Code: "SU", Severity: events.Severity{Scale: "grade-3", Value: fmt.Sprint(1 + x%3)}}},
			line{record: record, slot: "2", payload: &events.Lesion{Common: c, Foot: foot, Claw: "none", Code: "DD", Stage: "M2"}},
			line{record: record, slot: "o", payload: &events.TakenOff{Common: c, Foot: foot, Claw: "inner", What: "block", How: "taken-off"}},
			line{record: record, slot: "b", payload: &events.Treatment{Common: c, Foot: foot, Claw: "inner", What: "block"}},
			line{record: record, slot: "s", payload: scored},
		)
	}
	if len(chunk) > 0 {
		w.put(chunk...)
	}
}

// BenchmarkMake makes the trimmer's list of a farm of a thousand cows, for the
// day after its newest records, and everything it is made of read from the herd:
// of that farm alone with 10,000 to 300,000 events. With -long there are two logs of
// 2 million: of ten such farms, which is 100 events a cow and year, and of one,
// where every cow is examined every second day and the made-up records look so
// much alike that 18,000 of them contradict each other. With -farms there is a log
// of more of them.
func BenchmarkMake(b *testing.B) {
	type size struct{ events, farms int }
	sizes := []size{{10_000, 1}, {100_000, 1}, {300_000, 1}}
	if *long {
		sizes = append(sizes, size{2_000_000, 10}, size{2_000_000, 1})
		if *farms > 10 {
			sizes = append(sizes, size{*farms * 200_000, *farms})
		}
	}
	for _, n := range sizes {
		b.Run(fmt.Sprint(n.events, "-events-farms-", n.farms), func(b *testing.B) {
			h := bigHerd(b, n.events, n.farms)
			rows, cpu := 0, cpuTime()
			for b.Loop() { // the herd is built once, however often the list is made
				in := input(b, h, "larkfield", "2026-01-31")
				in.Now = time.Date(2026, 1, 31, 7, 0, 0, 0, zone)
				rows = len(worklist.Make(in, worklist.Options{}).Rows)
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
