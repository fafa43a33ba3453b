package intake_test

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

func rowsSource(t tb) *intake.Source {
	return source(t, "rows", "larkfield", "t.yaml", []byte(layoutOf(rowsByAnimal)))
}

// cowRows makes a file of rows, one a cow.
func cowRows(numbers ...int) []byte {
	x := export{}
	for _, n := range numbers {
		x.lines = append(x.lines, line{n, fmt.Sprintf("DE09412%05d", n), "2026-03-04", "08:12", "RH", "SU", 1, ""})
	}
	return x.bytes(false)
}

// manyColumns is a file of cows with so many columns that nobody reads.
func manyColumns(more int, numbers ...int) []byte {
	lines := bytes.SplitAfter(cowRows(numbers...), []byte("\n"))
	var out []byte
	for i, l := range lines[:len(lines)-1] {
		out = append(out, bytes.TrimRight(l, "\r\n")...)
		for n := range more {
			if out = append(out, ','); i == 0 {
				out = fmt.Appendf(out, "extra %d", n)
			}
		}
		out = append(out, '\n')
	}
	return out
}

func zipped(t *testing.T, members ...any) []byte {
	t.Helper()
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for i := 0; i < len(members); i += 2 {
		f, err := w.Create(members[i].(string))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.Write(members[i+1].([]byte)); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func gzipped(t *testing.T, b []byte) []byte {
	t.Helper()
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	if _, err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Every odd original has an outcome that is counted and said; none is an error
// that would come again for ever.
func TestTake_OddOriginals(t *testing.T) {
	note := func(n int) []byte {
		return []byte("no,tag,date,time,foot,lesion,sev,wrap\n1,DE0941200731," + strings.Repeat("9", n) + ",08:12,RH,SU,1,\n2,DE0941200732,2026-03-04,08:12,RH,SU,1,\n")
	}
	cut := gzipped(t, cowRows(1, 2, 3))
	tests := []struct {
		name, file string
		bytes      []byte
		want       events.Counts
		reason     string // part of the first reason of what is held
	}{
		{"header only", "a.csv", cowRows(), events.Counts{}, ""},
		{"gzip", "a.csv.gz", gzipped(t, cowRows(1, 2)), events.Counts{Read: 2, Accepted: 2}, ""},
		{"zip of two", "a.zip", zipped(t, "1.csv", cowRows(1, 2), "2.csv", cowRows(3)), events.Counts{Read: 3, Accepted: 3}, ""},
		{"zip with the same rows twice", "a.zip", zipped(t, "1.csv", cowRows(1, 2), "2.csv", cowRows(1)), events.Counts{Read: 3, Accepted: 2, Duplicate: 1}, ""},
		{"zip with one that is none", "a.zip", zipped(t, "1.csv", cowRows(1), "2.csv", []byte("PK\x03\x04 not a file"), "3.csv", cowRows(3)), events.Counts{Read: 3, Accepted: 2, Held: 1}, ""},
		{"gzip cut short", "a.csv.gz", cut[:len(cut)-6], events.Counts{Read: 1, Held: 1}, ""},
		{"another header", "a.csv", bytes.Replace(cowRows(1, 2, 3), []byte("lesion"), []byte("finding"), 1), events.Counts{Read: 1, Held: 1}, "header: wanted the columns \"lesion\""},
		{"a workbook", "a.csv", zipped(t, "[Content_Types].xml", []byte("<x/>"), "xl/workbook.xml", []byte("<x/>")), events.Counts{Read: 1, Held: 1}, ""},
		{"bytes that are no text", "a.csv", append(cowRows(1), 0xff, 0xfe, ','), events.Counts{Read: 2, Accepted: 1, Held: 1}, ""},
		{"a cell of 20 KB", "a.csv", note(20 << 10), events.Counts{Read: 2, Accepted: 1, Held: 1}, ""},
		{"a row of 10,000 cells", "a.csv", append(cowRows(1, 2), []byte(strings.Repeat("1,", 9_999)+"1\n")...), events.Counts{Read: 3, Accepted: 2, Held: 1}, "wanted at most 4096 cells, got 10000"},
		{"10,000 columns", "a.csv", manyColumns(10_000, 1, 2), events.Counts{Read: 1, Held: 1}, "4096"},
		{"4,000 columns", "a.csv", manyColumns(4_000, 1, 2), events.Counts{Read: 2, Accepted: 2}, ""},
		{"a row of 2 MB", "a.csv", note(2 << 20), events.Counts{Read: 2, Accepted: 1, Held: 1}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			h := fresh(t)
			r := h.take(rowsSource(t), tt.file, tt.bytes)
			if r.Counts != tt.want {
				t.Errorf("got %v, want %v", r.Counts, tt.want)
			}
			for _, e := range h.entries {
				for _, held := range e.Held {
					if !strings.Contains(held.Reasons[0].String(), tt.reason) {
						t.Errorf("got %s, want a reason with %q", held.Reasons[0], tt.reason)
					}
					if len(held.Raw) > events.MaxHeldBytes || len(held.RawBytes) > events.MaxHeldBytes {
						t.Errorf("a held record of %d bytes stands in the log", len(held.Raw)+len(held.RawBytes))
					}
				}
			}
			if again := h.take(rowsSource(t), "again", tt.bytes); !again.Known || again.Counts.Held != r.Counts.Held {
				t.Errorf("again: got %+v, want known", again)
			}
			h.balanced()
		})
	}
}

func TestTake_AnEmptyFileIsReadAndSaysNothing(t *testing.T) {
	h := fresh(t)
	r := h.take(rowsSource(t), "empty.csv", nil)
	if r.Counts.Accepted != 0 || r.Counts.Read != r.Counts.Held {
		t.Errorf("got %v, want nothing accepted", r.Counts)
	}
	h.balanced()
}

// A record too big for an entry is held, and its original is left to the archive.
func TestTake_ARecordTooBigForAnEntryIsHeld(t *testing.T) {
	h := fresh(t)
	layout := layoutOf(rowsByAnimal)
	layout = strings.Replace(layout, "trimmed: =unknown}", "trimmed: =unknown, remarks: note}", 1)
	src := source(t, "rows", "larkfield", "t.yaml", []byte(layout))
	head := "no,tag,date,time,foot,lesion,sev,wrap,note\n"
	big := "1,DE0941200731,2026-03-04,08:12,RH,SU,1,," + strings.Repeat("n", 600<<10) + "\n"
	r := h.take(src, "big.csv", []byte(head+big+"2,DE0941200732,2026-03-04,08:12,RH,SU,1,,short\n"))
	if want := (events.Counts{Read: 2, Accepted: 1, Held: 1}); r.Counts != want {
		t.Fatalf("got %v, want %v", r.Counts, want)
	}
	held := h.entries[0].Held[0]
	if held.Line != 2 || held.Large < 600<<10 || held.Raw != "" || !strings.Contains(held.Reasons[0].String(), "bytes") {
		t.Errorf("got %+v, want line 2, large, with the reason", held)
	}
	h.balanced()
}

// A log that does not answer: the original is handed over again and nothing is
// lost or doubled.
func TestTake_TheLogDoesNotAnswer(t *testing.T) {
	dir := t.TempDir()
	h := newSizedHouse(t, dir, &memoryLog{id: "log"}, intake.Sizes{Rows: 1, Records: 1})
	defer h.close()
	h.log.failAt(2, fmt.Errorf("disk: %w", events.ErrUnavailable))
	d := delivery("a.csv", cowRows(1, 2, 3, 4))
	d.Settle = func(_ context.Context, v adapters.Verdict) error { h.settled = append(h.settled, v); return nil }
	_, err := h.in.Take(t.Context(), rowsSource(t), d, intake.Options{})
	if !errors.Is(err, events.ErrUnavailable) || len(h.settled) != 1 || h.settled[0] != adapters.NotTaken {
		t.Fatalf("got %v, settled %v, want unavailable and not taken", err, h.settled)
	}
	if r := h.take(rowsSource(t), "a.csv", cowRows(1, 2, 3, 4)); r.Counts != (events.Counts{Read: 4, Accepted: 4}) {
		t.Errorf("again: got %v, want all four accepted, those of before among them", r.Counts)
	}
	if n := len(h.events()); n != 8 {
		t.Errorf("got %d events, want 8", n)
	}
	h.balanced()
}

// An original that cannot be opened or archived is not taken.
func TestTake_TheOriginalDoesNotAnswer(t *testing.T) {
	h := fresh(t)
	d := delivery("a.csv", nil)
	d.Open = func(context.Context) (io.ReadCloser, error) {
		return nil, fmt.Errorf("share is away: %w", events.ErrUnavailable)
	}
	d.Settle = func(_ context.Context, v adapters.Verdict) error { h.settled = append(h.settled, v); return nil }
	if _, err := h.in.Take(t.Context(), rowsSource(t), d, intake.Options{}); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("got %v, want unavailable", err)
	}
	if len(h.settled) != 1 || h.settled[0] != adapters.NotTaken {
		t.Errorf("settled %v, want not taken", h.settled)
	}
	if last, _ := h.log.Last(); last != 0 {
		t.Errorf("the log has %d entries, want none", last)
	}
}

func TestTake_ACancelledReadingGoesOnLater(t *testing.T) {
	dir := t.TempDir()
	h := newSizedHouse(t, dir, &memoryLog{id: "log"}, intake.Sizes{Rows: 1, Records: 1})
	defer h.close()
	ctx, cancel := context.WithCancel(t.Context())
	n := 0
	_, err := h.in.Take(ctx, rowsSource(t), delivery("a.csv", cowRows(1, 2, 3, 4, 5, 6)), intake.Options{Progress: func(int) {
		if n++; n == 3 {
			cancel()
		}
	}})
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v, want cancelled", err)
	}
	if r := h.take(rowsSource(t), "a.csv", cowRows(1, 2, 3, 4, 5, 6)); r.Counts != (events.Counts{Read: 6, Accepted: 6}) {
		t.Errorf("got %v, want six accepted", r.Counts)
	}
	if n := len(h.events()); n != 12 {
		t.Errorf("got %d events, want 12", n)
	}
	h.balanced()
}

// A crash within a zip of two exports of a complete source goes on in the right
// member, and what the first lists does not count for the second.
func TestTake_ACrashWithinAZip(t *testing.T) {
	src := completeSource(t)
	body := zipped(t, "1.csv", cows(60, "31", "32", "33"), "2.csv", cows(61, "31", "32"))
	sizes := intake.Sizes{Rows: 1, Records: 1}
	dir := t.TempDir()
	h := newSizedHouse(t, dir, &memoryLog{id: "log"}, sizes)
	r := h.take(src, "a.zip", body)
	if want := (events.Counts{Read: 5, Accepted: 3, Duplicate: 2, Retracted: 2}); r.Counts != want {
		t.Fatalf("got %v, want %v", r.Counts, want)
	}
	h.balanced()
	h.close()
	want := story(t, h.log)
	last, _ := h.log.Last()
	for at := range last {
		crashed := h.log.cut(at)
		again := newSizedHouse(t, dir, crashed, sizes)
		again.take(src, "a.zip", body)
		if r := again.verify(); len(r.Differences) > 0 {
			t.Errorf("crash behind entry %d: %+v\n%s", at, r.Differences, dump(t, crashed))
		}
		again.close()
		if got := story(t, crashed); got != want {
			t.Errorf("crash behind entry %d of %d:\n%s\nwant:\n%s", at, last, got, want)
		}
	}
}

// An original is read to its end by the mapping that began it, whatever the
// config says by then.
func TestTake_ACrashedReadingGoesOnWithItsMapping(t *testing.T) {
	dir := t.TempDir()
	sizes := intake.Sizes{Rows: 1, Records: 1}
	h := newSizedHouse(t, dir, &memoryLog{id: "log"}, sizes)
	body := cowRows(1, 2, 3, 4)
	h.take(rowsSource(t), "a.csv", body)
	h.close()
	want := story(t, h.log)
	crashed := h.log.cut(2)
	again := newSizedHouse(t, dir, crashed, sizes)
	defer again.close()
	other := source(t, "rows", "larkfield", "t.yaml", []byte(strings.Replace(layoutOf(rowsByAnimal), "SU: SU", "SU: SH", 1)))
	if _, err := again.in.Finish(t.Context(), other); err != nil {
		t.Fatal(err)
	}
	if got := story(t, crashed); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	again.balanced()
}

// Sources do not wait for one another, and the index takes their entries in the
// order of the log.
func TestTake_SourcesSideBySide(t *testing.T) {
	h := newSizedHouse(t, t.TempDir(), &memoryLog{id: "log"}, intake.Sizes{Rows: 2, Records: 3})
	defer h.close()
	var numbers []int
	for i := range 60 {
		numbers = append(numbers, i+1)
	}
	done := make(chan error)
	for _, id := range []string{"a", "b", "c"} {
		go func() {
			src := source(t, id, "larkfield", "t.yaml", []byte(layoutOf(rowsByAnimal)))
			_, err := h.in.Take(context.Background(), src, delivery(id+".csv", cowRows(numbers...)), intake.Options{})
			done <- err
		}()
	}
	for range 3 {
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	if n := len(h.events()); n != 3*120 {
		t.Errorf("got %d events, want %d", n, 3*120)
	}
	if last, _ := h.log.Last(); h.ix.Applied() != last {
		t.Errorf("the index is at %d, the log at %d", h.ix.Applied(), last)
	}
	h.balanced()
}
