package measures_test

import (
	"flag"
	"fmt"
	"syscall"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/events/measures"
	"dewclaw/schema/rules"
)

// bigFarm adds n events of one farm over two years to a log: the roster of its
// cows, examinations with two findings and a block or wrap that came off, and
// scores of the whole herd every two weeks.
func bigFarm(log *memLog, farm string, n, cows int) {
	made, settings := 0, rules.Defaults()
	var chunk []line
	flush := func(day string) {
		if len(chunk) > 0 {
			log.put(day, chunk)
			made, chunk = made+len(chunk), nil
		}
	}
	keep := func(source, day string, p events.Payload, c events.Common) {
		*p.Base() = c
		rules.Apply([]events.Payload{p}, settings)
		if len(chunk) > 0 && (chunk[0].source != source || len(chunk) >= 500) {
			flush(day)
		}
		chunk = append(chunk, line{farm, source, fmt.Sprint(source, made+len(chunk)), "", p})
	}
	common := func(cow, day int) events.Common {
		return events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tag(cow)}}, Occurred: events.Occurred{Date: dayText(day), Precision: "date"}}
	}
	first := dayNumber("2024-01-01")
	for c := range cows {
		keep("roster", "2024-01-01", &events.Animal{Sex: "female", Calvings: []string{dayText(first - 200 + c%180)}},
			events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tag(c)}}})
	}
	// Every cow is scored every two weeks; the rest of the events are of the chute.
	visits := max(1, (n-cows-52*cows)/6/730)
	for d := range 730 {
		day := dayText(first + d)
		if d%14 == 0 {
			for c := range cows {
				keep("gait", day, &events.Locomotion{Scale: "mob4-uk", Score: events.DecimalOf(int64((c*7+d*3)%9/3), 0)}, common(c, first+d))
			}
		}
		for v := range visits {
			cow := (d*visits + v) * 7919 % cows
			foot := []string{"LH", "RH"}[(d+v)%2]
			x := common(cow, first+d)
			keep("chute", day, &events.Examination{Outcome: "findings", Reasons: []string{"routine"}, Feet: []events.FootExam{
				{Foot: "LH", Examined: "yes", Result: "findings"}, {Foot: "RH", Examined: "yes", Result: "findings"}}}, x)
			x.Examination = chunk[len(chunk)-1].entity()
			keep("chute", day, &events.Lesion{Foot: foot, Claw: "outer", Code: "SU", Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4}}}, x)
			keep("chute", day, &events.Lesion{Foot: foot, Claw: "none", Code: "DD", Stage: "M2", Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{10}}}, x)
			keep("chute", day, &events.ClawMeasure{Foot: foot, Claw: "outer", What: "toe-length", Value: events.DecimalOf(785, 1), Unit: "mm", Landmark: "unknown", When: "after"}, x)
			what, claw := "wrap", "none"
			if v%3 == 0 {
				what, claw = "block", "inner"
			}
			keep("chute", day, &events.Treatment{Foot: foot, Claw: claw, What: what}, x)
			keep("chute", day, &events.TakenOff{Foot: foot, Claw: claw, What: what, How: "taken-off"}, common(cow, first+d+1))
		}
	}
	flush("2026-01-01")
}

var farms = flag.Int("farms", 10, "farms in the logs of the long benchmark, of 200,000 events each: 100 are 20 million")

// BenchmarkMeasures works out each measure for a quarter of a year, and "all" of
// them at once, for a farm of 1,000 cows with 100 events a cow and year: in a log of
// that farm alone, or with -long of ten such farms, which is 2 million events. With
// -farms there are as many.
func BenchmarkMeasures(b *testing.B) {
	n := 1
	if *long {
		n = *farms
	}
	log := &memLog{}
	total := 0
	v := grownHerd(b, log, n, func(f int) {
		from := len(log.entries)
		bigFarm(log, farmOf(uint64(f)), 200_000, 1000)
		for _, bytes := range log.entries[from:] {
			e, err := events.ParseEntry(bytes)
			if err != nil {
				b.Fatal(err)
			}
			total += len(e.Events)
		}
	})
	q := measures.Question{Farm: farmOf(0), From: "2025-10-01", To: "2025-12-31"}
	run := func(name string, names ...string) {
		b.Run(name, func(b *testing.B) {
			cpu := cpuTime()
			for range b.N {
				d, err := measures.Load(b.Context(), v, q, names...)
				if err != nil {
					b.Fatal(err)
				}
				for _, m := range names {
					r, err := measures.Work(d, q, m)
					if err != nil || len(r.Figures) == 0 && m != "agreement" && m != "recurrence" {
						b.Fatalf("%s: %v, no figures", m, err)
					}
				}
			}
			b.ReportMetric(float64((cpuTime()-cpu).Milliseconds())/float64(b.N), "cpu-ms/op")
			b.ReportMetric(float64(total), "events")
		})
	}
	for _, m := range everyMeasure() {
		run(m, m)
	}
	run("all", everyMeasure()...)
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
