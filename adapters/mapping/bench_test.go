package mapping

import (
	"bytes"
	"io"
	"syscall"
	"testing"

	"dewclaw/adapters"
	"dewclaw/testdata/bench"
)

func bigFile(t testing.TB, rows int) ([]byte, bench.Counts) {
	t.Helper()
	var b bytes.Buffer
	c, err := bench.Write(&b, bench.Options{Rows: rows, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), c
}

// The generator counts what it writes; the mapping must find the same.
func TestBigFile_IsMappedWhole(t *testing.T) {
	in := parseFile(t, "../../testdata/bench/big.yaml")
	b, want := bigFile(t, 20_000)
	records, _ := mapAll(t, in, job("big", "larkfield"), b, 512)
	var got bench.Counts
	for _, r := range records {
		got.Rows++
		got.Events += len(r.Drafts)
		if r.Held != nil {
			got.Rotten++
		}
	}
	if got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	drafted(t, records[:500])
}

// busy returns the processor time used so far, in seconds: on a machine that
// does other work beside, it tells more than the clock.
func busy(b *testing.B) float64 {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// BenchmarkMap maps the big file from rows that were split before, in chunks of
// 512, on one core: rules, digests and encoding included.
func BenchmarkMap(b *testing.B) {
	in := parseFile(b, "../../testdata/bench/big.yaml")
	file, want := bigFile(b, 100_000)
	head, rows := readAll(b, in, file)
	run, err := in.Start(job("big", "larkfield"), head)
	if err != nil {
		b.Fatal(err)
	}
	m := run.Mapper()
	var out []adapters.Record
	b.ReportAllocs()
	bytes, n, start := 0, 0, busy(b)
	for b.Loop() {
		events := 0
		for i := 0; i < len(rows); i += 512 {
			out = m.Map(rows[i:min(len(rows), i+512)], out[:0])
			for k := range out {
				events += len(out[k].Drafts)
				for d := range out[k].Drafts {
					bytes += len(out[k].Drafts[d].Open)
				}
			}
		}
		if events != want.Events {
			b.Fatalf("got %d events, want %d", events, want.Events)
		}
		n += events
	}
	s := busy(b) - start
	b.ReportMetric(float64(len(rows))*float64(b.N)/s, "rows/cpu-s")
	b.ReportMetric(float64(n)/s, "events/cpu-s")
	b.ReportMetric(float64(bytes)/float64(n), "B/event")
}

// BenchmarkDecodeAndMap is the whole way from bytes to drafts on one core.
func BenchmarkDecodeAndMap(b *testing.B) {
	in := parseFile(b, "../../testdata/bench/big.yaml")
	file, want := bigFile(b, 100_000)
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	start := busy(b)
	for b.Loop() {
		d := decoder(b, in.Layout(), bytes.NewReader(file))
		head, err := d.Head()
		if err != nil {
			b.Fatal(err)
		}
		run, err := in.Start(job("big", "larkfield"), head)
		if err != nil {
			b.Fatal(err)
		}
		m := run.Mapper()
		events := 0
		var rows []adapters.Row
		var out []adapters.Record
		for err == nil {
			rows, err = d.Read(rows[:0], 512)
			out = m.Map(rows, out[:0])
			for k := range out {
				events += len(out[k].Drafts)
			}
		}
		if err != io.EOF || events != want.Events {
			b.Fatalf("got %d events, %v, want %d", events, err, want.Events)
		}
	}
	s := busy(b) - start
	b.ReportMetric(float64(want.Rows)*float64(b.N)/s, "rows/cpu-s")
	b.ReportMetric(float64(want.Events)*float64(b.N)/s, "events/cpu-s")
}
