package streamlog

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/events"
)

// small makes a log of n small entries and closes it.
func small(t *testing.T, n int) wreck {
	t.Helper()
	w := wreck{t, t.TempDir()}
	l := open(t, Options{Dir: w.dir})
	for i := 1; i <= n; i++ {
		mustAppend(t, l, entry(fmt.Sprintf("source-%d", i), 2, 100))
	}
	shut(t, l)
	return w
}

// last opens the log and returns its newest entry, its damage, and how many
// entries can be read.
func (w wreck) last() (newest events.Position, whole int, damage error) {
	w.t.Helper()
	l := open(w.t, Options{Dir: w.dir})
	defer shut(w.t, l)
	pos, _ := l.Last()
	got, _ := readAll(w.t, l)
	return pos, len(got), l.Damage()
}

func TestHead_OneSlotServes(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func([]byte) []byte
	}{
		{"first flipped", func(b []byte) []byte { b[100] ^= 1; return b }},
		{"second flipped", func(b []byte) []byte { b[slotGap+100] ^= 1; return b }},
		{"first zeroed", func(b []byte) []byte { clear(b[:slotSize]); return b }},
		{"second cut away", func(b []byte) []byte { return b[:slotSize] }},
		{"second cut short", func(b []byte) []byte { return b[:slotGap+90] }},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := small(t, 5)
			w.edit(w.head(), tt.do)
			if pos, n, err := w.last(); pos != 5 || err != nil || n != 5 {
				t.Errorf("got %d, %v, %d entries; want 5, no damage, 5", pos, err, n)
			}
		})
	}
}

// The anchor as the package comment shows it, whole and read from a text.
func TestHead_IsTheExampleOfTheDocumentation(t *testing.T) {
	const line = "dewclaw head 1 log 0123456789abcdefghijklmnog turn 00000000000000000042 position 00000000000000000017 " +
		"hash 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08 " +
		"sum 15f0b129a950391963cdf155f5ec2384f09a1de1cdab4bbc15dac4b8ef7226c5"
	s := slot{"0123456789abcdefghijklmnog", 42, mark{17, "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"}}
	b := formatSlot(s)
	if got := strings.TrimRight(string(b), " \n"); got != line {
		t.Errorf("got\n%s, want\n%s", got, line)
	}
	if got, ok := parseSlot(b); !ok || got != s || len(b) != slotSize {
		t.Errorf("read back: got %v %t, %d bytes", got, ok, len(b))
	}
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	words := strings.Join(strings.Fields(strings.ReplaceAll(string(doc), "//", " ")), " ")
	if !strings.Contains(words, line) {
		t.Error("doc.go does not show this slot")
	}
}

// A kill between the stream's acknowledgement and the anchor leaves one entry
// more than the anchor names.
func TestLog_TakesInAnEntryTheAnchorDoesNotName(t *testing.T) {
	w, head := anchorBehind(t)
	if pos, n, err := w.last(); pos != 3 || err != nil || n != 3 {
		t.Errorf("got %d, %v, %d entries; want 3, no damage, 3", pos, err, n)
	}
	now, err := os.ReadFile(w.head())
	if err != nil || bytes.Equal(now, head) {
		t.Error("the anchor was not moved")
	}
	w.edit(w.head(), func([]byte) []byte { return head })
	w.forge(1, 3, `"prev":"`, `"prev":"0`)
	if _, n, err := w.last(); !errors.Is(err, events.ErrCorrupt) || n != 2 {
		t.Errorf("an entry that does not chain: got %v, %d entries; want damage, 2", err, n)
	}
}

// anchorBehind makes a log of three entries whose anchor names the second.
func anchorBehind(t *testing.T) (w wreck, head []byte) {
	t.Helper()
	w = small(t, 2)
	index := filepath.Join(w.msgs(), "index.db") // the server writes it when it stops
	was := map[string][]byte{}
	for _, name := range []string{w.head(), index} {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		was[name] = b
	}
	l := open(t, Options{Dir: w.dir})
	mustAppend(t, l, entry("source-3", 2, 100))
	shut(t, l)
	for name, b := range was {
		w.edit(name, func([]byte) []byte { return b })
	}
	return w, was[w.head()]
}

// A kill or a power cut in the middle of an append leaves part of a record.
func TestLog_PassesOverAnAppendCutShort(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(wreck)
	}{
		{"cut", func(w wreck) { w.cut(1, 3) }},
		{"end zeroed", func(w wreck) {
			w.edit(w.block(1), func(b []byte) []byte { clear(b[len(b)-100:]); return b })
		}},
		{"only a few bytes", func(w wreck) {
			w.edit(w.block(1), func(b []byte) []byte {
				start, _, _ := recordOf(w.t, b, 3)
				return b[:start+10]
			})
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w, _ := anchorBehind(t)
			tt.do(w)
			l := open(t, Options{Dir: w.dir})
			if pos, _ := l.Last(); pos != 2 || l.Damage() != nil {
				t.Fatalf("got %d, %v; want 2, no damage", pos, l.Damage())
			}
			if pos := mustAppend(t, l, entry("source-3", 1, 100)); pos != 3 {
				t.Errorf("append: got position %d, want 3", pos)
			}
			shut(t, l)
			if pos, n, err := w.last(); pos != 3 || err != nil || n != 3 {
				t.Errorf("got %d, %v, %d entries; want 3, no damage, 3", pos, err, n)
			}
		})
	}
}

func TestLog_CopiesTheNewestBlockAside(t *testing.T) {
	w := small(t, 3)
	for range 2 {
		block, err := os.ReadFile(w.block(1))
		if err != nil {
			t.Fatal(err)
		}
		l := open(t, Options{Dir: w.dir})
		mustAppend(t, l, entry("s", 1, 100))
		shut(t, l)
		names, err := filepath.Glob(filepath.Join(w.dir, asideName, "*"))
		if err != nil || len(names) != 1 || filepath.Base(names[0]) != "newest-1.blk" {
			t.Fatalf("aside: got %v, want newest-1.blk alone", names)
		}
		if got, err := os.ReadFile(names[0]); err != nil || !bytes.Equal(got, block) {
			t.Error("the copy is not the block as it was before opening")
		}
	}
}

func TestLog_RefusesANewerEntryVersion(t *testing.T) {
	w := small(t, 3)
	w.forge(1, 3, `{"v":1`, `{"v":9`)
	// The forged entry is beyond the anchor's hash; give the anchor its hash.
	var body []byte
	w.edit(w.block(1), func(b []byte) []byte {
		body = b[bytes.LastIndex(b, []byte(`{"v":9`)) : len(b)-8]
		return b
	})
	h, err := openHead(w.dir, false)
	if err != nil {
		t.Fatal(err)
	}
	if err := h.write(mark{3, events.EntryHash(body)}); err != nil {
		t.Fatal(err)
	}
	h.close()
	l, err := Open(t.Context(), Options{Dir: w.dir, Now: clock})
	if err == nil {
		t.Fatalf("opened; damage: %v", errors.Join(l.Damage(), l.Close()))
	}
	var f *events.Fault
	if !errors.As(err, &f) || !errors.Is(err, events.ErrInvalid) || f.Wanted != "at most 1" || f.Got != "9" {
		t.Errorf("got %v, want a refusal that names versions 1 and 9", err)
	}
}

func TestLog_RefusesEntriesOfAnotherLog(t *testing.T) {
	w := small(t, 3)
	id := strings.TrimPrefix(filepath.Base(filepath.Dir(w.msgs())), streamPrefix)
	other := strings.Repeat("0", len(id))
	w.forge(1, 3, id+`","at"`, other+`","at"`)
	if _, n, err := w.last(); !errors.Is(err, events.ErrCorrupt) || n != 2 {
		t.Errorf("got %v, %d entries; want damage, 2", err, n)
	}
}
