package delivery

import (
	"fmt"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewclaw/events"
)

// benchLog fills the log with n events, two to a record, 1,000 to an entry.
func benchLog(w *world, n int) int64 {
	bytes := int64(0)
	for i := 0; i < n; i += 2 {
		animal := fmt.Sprintf("2760003%08d", i%2000)
		at := events.Occurred{Date: "2026-03-04", Time: "08:12:31", Offset: "+01:00", Precision: "second", Zone: "Europe/Berlin"}
		rec := fmt.Sprintf("r%d", i)
		exam := &events.Examination{
			Feet: []events.FootExam{{Examined: "yes", Foot: "RH", Result: "findings", Trimmed: "unknown"}}, Outcome: "findings",
			Reasons: []string{"not-stated"}, Restraint: "not-stated",
		}
		l := lesion("SU")
		l.Severity = events.Severity{Scale: "grade-3", Value: "2"}
		l.Zones = events.Zones{Map: "claw-zones-13", Numbers: []int{4}}
		for _, p := range []events.Payload{exam, l} {
			b := p.Base()
			b.Occurred, b.Origin = at, events.Origin{Line: i}
			b.AsGiven = events.AsGiven{DaysInMilk: "120", Parity: "3", Pen: "7"}
		}
		w.say(animal, rec+"/e", exam)
		l.Common.Examination = w.entity(rec + "/e")
		w.say(animal, rec+"/l", l)
		delete(w.ids, rec+"/e")
		delete(w.ids, rec+"/l")
		if len(w.pending) >= 1000 {
			w.commit()
		}
	}
	if len(w.pending) > 0 {
		w.commit()
	}
	for e, err := range w.o.Log.Read(w.ctx(), 1) {
		if err != nil {
			w.t.Fatal(err)
		}
		for _, x := range e.Events {
			bytes += int64(len(x))
		}
	}
	return bytes
}

// BenchmarkFeed delivers a log on disk to a folder, files and manifests fsynced.
func BenchmarkFeed(b *testing.B) {
	for _, bb := range []struct{ name, more string }{
		{"cloudevents", ""},
		{"csv", "format: mapping\nmapping: herd.yaml"},
	} {
		b.Run(bb.name, func(b *testing.B) {
			const n = 200_000
			w := newWorld(b, strings.Replace(vet(bb.more), "[lesion, examination, treatment, animal]", "[lesion, examination]", 1))
			w.real()
			size := benchLog(w, n)
			w.newest = nil
			b.ResetTimer()
			before := cpu(b)
			for range b.N {
				w.o.Bucket = newShelf() // from the start again
				w.cfg.Feeds[0].Folder = b.TempDir()
				w.once()
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
			b.ReportMetric(float64(size)/n, "B/event")
			b.ReportMetric(float64((cpu(b)-before).Nanoseconds())/n/float64(b.N), "cpu-ns/event") // means something on a busy machine too
		})
	}
}

// cpu returns the processor time of the process so far.
func cpu(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
