package streamlog

import (
	"fmt"
	"testing"

	"dewclaw/events"
)

func BenchmarkAppend(b *testing.B) {
	for _, n := range []int{256, 512} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			l := open(b, Options{Dir: b.TempDir()})
			e := chunk(n)
			b.ReportAllocs()
			b.ResetTimer()
			for b.Loop() {
				e.Time = ""
				mustAppend(b, l, e)
			}
			report(b, n)
		})
	}
}

// chunk is an entry of n events of 600 bytes, in the stored form of a lesion.
func chunk(n int) *events.Entry {
	e := &events.Entry{Cause: events.CauseChunk, Source: "chute", Counts: events.Counts{Read: n, Accepted: n}}
	for i := range n {
		ev := fmt.Appendf(nil, `{"kind":"lesion","entity":"9q3k7v0c1m5t2r8d4h6j%06d","subject":"ear-tag:DE0941%06d","data":{`+
			`"animal":[{"scheme":"ear-tag","value":"DE 09 41 %06d"}],"claw":"outer","code":"SU","examination":"4h6j9q3k7v0c1m5t2r8d%06d",`+
			`"foot":"RH","occurred":{"date":"2026-03-04","time":"08:12","zone":"Europe/Berlin"},"remarks":["deep, under the horn"],`+
			`"severity":{"scale":"1-3","value":"2"},"zones":{"map":"13","numbers":[4]},"notes":[{"code":"check"}],`+
			`"origin":{"line":%d},"words":{"code":"SG","foot":"HR","claw":"außen","severity":"2"}}}`, i, i, i, i, i)
		pad := fmt.Appendf(nil, `"pad":"%0*d",`, max(1, 600-len(ev)-9), 0)
		e.Events = append(e.Events, append(append(ev[:len(ev)-2:len(ev)-2], ','), append(pad[:len(pad)-1], "}}"...)...))
	}
	return e
}

func report(b *testing.B, n int) {
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(0, "ns/op")
}

func BenchmarkRead(b *testing.B) {
	const n, entries = 512, 200
	l := open(b, Options{Dir: b.TempDir()})
	for range entries {
		mustAppend(b, l, chunk(n))
	}
	read := func(b *testing.B) {
		for b.Loop() {
			got := events.Position(0)
			for e, err := range l.Read(b.Context(), 1) {
				if err != nil {
					b.Fatal(err)
				}
				got = e.At
			}
			if got != entries {
				b.Fatalf("read up to %d", got)
			}
		}
		report(b, n*entries)
	}
	b.Run("files", read)
	b.Run("consumer", func(b *testing.B) {
		files := l.store
		l.store = &remote{l}
		defer func() { l.store = files }()
		read(b)
	})
}
