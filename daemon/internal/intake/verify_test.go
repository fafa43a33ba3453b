package intake_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

// verify works the books of a house out again.
func (h *house) verify() intake.Report {
	h.t.Helper()
	return verifyLog(h.t, h.dir, h.log)
}

func verifyLog(t tb, dir string, log *memoryLog) intake.Report {
	t.Helper()
	a, err := archive.OpenReadOnly(filepath.Join(dir, "archive"))
	if err != nil {
		t.Fatal(err)
	}
	r, err := intake.Verify(context.Background(), intake.VerifyDeps{
		Log: log, Archive: a, Decoders: decoders, Unpack: unpack, Dir: filepath.Join(dir, "tmp"),
	})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// balanced fails unless the books balance.
func (h *house) balanced() {
	h.t.Helper()
	for _, d := range h.verify().Differences {
		h.t.Fatalf("the books do not balance: %+v", d)
	}
}

func TestVerify_TheSamplesBalance(t *testing.T) {
	h := fresh(t)
	h.all()
	for _, s := range inputs {
		h.take(s.of(t), "again-"+s.file, s.bytes(t))
	}
	h.take(inputs[5].of(t), "06-lf.csv", lf(inputs[5].bytes(t)))
	h.take(inputs[0].of(t), "01-lf.csv", lf(inputs[0].bytes(t)))
	h.takeWith(inputs[0].of(t), "01-semicolon.csv", inputs[0].bytes(t), intake.Options{Again: true})
	r := h.verify()
	for _, d := range r.Differences {
		t.Errorf("%+v", d)
	}
	if r.Entries != len(h.log.bytes) || r.Originals != 10 || r.Events != len(h.events()) {
		t.Errorf("got %d entries, %d originals, %d events, want %d, 10, %d", r.Entries, r.Originals, r.Events, len(h.log.bytes), len(h.events()))
	}
	// all of them, twice; 06 and 01 once more; 01 as of now
	want := events.Counts{Read: 83 + 83 + 15 + 7, Accepted: 43 + 1, Amended: 2 + 1, Duplicate: 5 + 50 + 13 + 4, Held: 30 + 30, Ignored: 3 + 3 + 2 + 1, Retracted: 3}
	if r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
}

// rewrite changes one entry and chains the log anew, as if it had been so from
// the beginning.
func (l *memoryLog) rewrite(t *testing.T, at events.Position, change func(e *events.Entry)) *memoryLog {
	t.Helper()
	out := &memoryLog{id: l.id}
	for _, b := range l.bytes {
		e, err := events.ParseEntry(append([]byte(nil), b...))
		if err != nil {
			t.Fatal(err)
		}
		if e.At == at {
			change(e)
		}
		if _, err := out.Append(context.Background(), e); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

func TestVerify_NamesWhatDoesNotAgree(t *testing.T) {
	h := fresh(t)
	h.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
	h.take(inputs[2].of(t), "03.ndjson", inputs[2].bytes(t))
	tests := []struct {
		name   string
		at     events.Position
		change func(e *events.Entry)
		what   string
		line   int
	}{
		{"a value", 1, func(e *events.Entry) {
			for i := range e.Events {
				e.Events[i] = bytes.Replace(e.Events[i], []byte(`"value":78.5`), []byte(`"value":77.5`), 1)
			}
		}, "event", 4},
		{"an event left out", 1, func(e *events.Entry) { e.Events = e.Events[:len(e.Events)-1] }, "event", 11},
		{"an event too many", 1, func(e *events.Entry) { e.Events = append(e.Events, e.Events[0]) }, "event", 4},
		{"another entity", 1, func(e *events.Entry) {
			e.Events[3] = bytes.Replace(e.Events[3], []byte(`"entity":"`), []byte(`"entity":"v`), 1)
			i := bytes.Index(e.Events[3], []byte(`","subject`))
			e.Events[3] = append(e.Events[3][:i-1:i-1], e.Events[3][i:]...)
		}, "event", 4},
		{"counts", 1, func(e *events.Entry) { e.Counts.Accepted-- }, "counts", 0},
		{"a held record left out", 3, func(e *events.Entry) { e.Held = e.Held[1:] }, "held record", 5},
		{"a reason of a person", 3, func(e *events.Entry) { e.Held[0].ID = "h-000000000000" }, "held record", 5},
		{"where it stands", 3, func(e *events.Entry) { e.To.Line++ }, "cursor", 0},
		{"days that were whole", 2, func(e *events.Entry) { e.Complete.Days = nil }, "complete", 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := verifyLog(t, h.dir, h.log.rewrite(t, tt.at, tt.change))
			for _, d := range r.Differences {
				if d.Position == tt.at && d.What == tt.what && d.Line == tt.line {
					return
				}
			}
			t.Errorf("got %+v, want a difference at %d about %q, line %d", r.Differences, tt.at, tt.what, tt.line)
		})
	}
}

func TestVerify_NamesDamagedAndMissingOriginals(t *testing.T) {
	for _, harm := range []string{"damaged", "missing"} {
		t.Run(harm, func(t *testing.T) {
			h := fresh(t)
			r := h.take(inputs[0].of(t), "01.csv", inputs[0].bytes(t))
			h.take(inputs[2].of(t), "03.ndjson", inputs[2].bytes(t))
			path := h.archive.Path(r.Archive)
			if err := os.Chmod(path, 0o600); err != nil {
				t.Fatal(err)
			}
			if harm == "missing" {
				if err := os.Remove(path); err != nil {
					t.Fatal(err)
				}
			} else if err := os.WriteFile(path, bytes.ToUpper(inputs[0].bytes(t)), 0o600); err != nil {
				t.Fatal(err)
			}
			got := h.verify()
			if len(got.Differences) != 1 || got.Differences[0].Position != 1 || !strings.Contains(got.Differences[0].What, r.Archive) {
				t.Errorf("got %+v, want one difference that names the archive", got.Differences)
			}
		})
	}
}
