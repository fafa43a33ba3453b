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
			e := entry("s", n, 600)
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

func report(b *testing.B, n int) {
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
	b.ReportMetric(0, "ns/op")
}

func BenchmarkRead(b *testing.B) {
	const n, entries = 512, 200
	l := open(b, Options{Dir: b.TempDir()})
	for range entries {
		mustAppend(b, l, entry("s", n, 600))
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
	k, err := l.connection()
	if err != nil {
		b.Fatal(err)
	}
	_ = k
	b.Run("consumer", func(b *testing.B) {
		files := l.store
		l.store = &remote{l}
		defer func() { l.store = files }()
		read(b)
	})
}
