package streamlog

import (
	"bytes"
	"errors"
	"fmt"
	"iter"
	"slices"
	"testing"

	"dewclaw/events"
)

func TestRestore_MakesTheSameLog(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	for i := range 9 {
		mustAppend(t, l, entry(fmt.Sprint("s", i), 3, 100))
	}
	whole := rawOf(t, l, 9)
	for _, n := range []int{9, 4, 0} {
		t.Run(fmt.Sprint(n, " entries"), func(t *testing.T) {
			if got := rawOf(t, l, events.Position(n)); !slices.EqualFunc(got, whole[:n], bytes.Equal) {
				t.Fatalf("read %d raw entries, want the first %d", len(got), n)
			}
			dir := t.TempDir()
			r, err := Restore(t.Context(), Options{Dir: dir, Now: clock}, l.ID(), all(whole[:n]))
			if err != nil {
				t.Fatal(err)
			}
			shut(t, r)
			r = open(t, Options{Dir: dir})
			hash := events.NoEntry
			if n > 0 {
				hash = events.EntryHash(whole[n-1])
			}
			if pos, h := r.Last(); int(pos) != n || h != hash || r.ID() != l.ID() {
				t.Errorf("restored log %s ends at %d %s, want %s at %d %s", r.ID(), pos, h, l.ID(), n, hash)
			}
			if got := rawOf(t, r, 99); !slices.EqualFunc(got, whole[:n], bytes.Equal) {
				t.Error("the entries are not the same bytes")
			}
			if pos := mustAppend(t, r, entry("next", 1, 50)); int(pos) != n+1 {
				t.Errorf("the next entry is at %d, want %d", pos, n+1)
			}
		})
	}
}

func TestRestore_TakesNothingThatIsNoChain(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	for i := range 4 {
		mustAppend(t, l, entry(fmt.Sprint("s", i), 2, 100))
	}
	whole := rawOf(t, l, 4)
	other := open(t, Options{Dir: t.TempDir()})
	mustAppend(t, other, entry("s0", 2, 100))
	changed := bytes.Replace(whole[1], []byte(`"s1"`), []byte(`"sX"`), 1)
	tests := []struct {
		name string
		body [][]byte
	}{
		{"one is missing", [][]byte{whole[0], whole[2]}},
		{"the first is missing", whole[1:]},
		{"one was changed", [][]byte{whole[0], changed, whole[2]}},
		{"two changed places", [][]byte{whole[1], whole[0]}},
		{"one of another log", rawOf(t, other, 1)},
		{"not an entry", [][]byte{[]byte(`{"v":1`)}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Restore(t.Context(), Options{Dir: t.TempDir(), Now: clock}, l.ID(), all(tt.body))
			if !errors.Is(err, events.ErrCorrupt) {
				t.Errorf("got %v, want corrupt", err)
			}
		})
	}
	dir := t.TempDir()
	r, err := Restore(t.Context(), Options{Dir: dir, Now: clock}, l.ID(), all(whole))
	if err != nil {
		t.Fatal(err)
	}
	shut(t, r)
	if _, err := Restore(t.Context(), Options{Dir: dir, Now: clock}, l.ID(), all(whole)); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("into a folder with a log: got %v, want invalid", err)
	}
}

func all(list [][]byte) iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		for _, b := range list {
			if !yield(b, nil) {
				return
			}
		}
	}
}

func rawOf(t *testing.T, l *Log, through events.Position) [][]byte {
	t.Helper()
	var out [][]byte
	for r, err := range l.ReadRaw(t.Context(), 1, through) {
		if err != nil {
			t.Fatal(err)
		}
		if r.Hash != events.EntryHash(r.Body) || int(r.Entry.At) != len(out)+1 {
			t.Errorf("entry %d comes as %d with hash %s", len(out)+1, r.Entry.At, r.Hash)
		}
		out = append(out, r.Body)
	}
	return out
}
