package archive

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"
	"time"

	"dewclaw/events"

	"github.com/google/go-cmp/cmp"
)

var packed = []Message{
	{"CHUTE@2026-01-01T00:00:00Z#17", "barn.chute", time.Date(2026, 3, 4, 7, 12, 0, 123456789, time.UTC), []byte("first\nline")},
	{"CHUTE@2026-01-01T00:00:00Z#18", `odd "name"` + "\n", time.Date(2026, 3, 4, 7, 12, 1, 0, time.UTC), []byte{}},
	{"CHUTE@2026-01-01T00:00:00Z#19", "", time.Date(2026, 3, 4, 7, 12, 1, 0, time.UTC), []byte{0, 0xff, '\n', 0x1f, 0x8b}},
}

func TestPack_GivesTheMessagesBackOneByOne(t *testing.T) {
	a := open(t, t.TempDir())
	for _, messages := range [][]Message{packed, packed[:1], nil} {
		hash, size, err := a.PutPack(t.Context(), messages)
		if err != nil {
			t.Fatal(err)
		}
		if again, _, err := a.PutPack(t.Context(), messages); again != hash || err != nil {
			t.Errorf("the same messages give %s, then %s, %v", hash, again, err)
		}
		if n, ok := a.Has(hash); !ok || n != size {
			t.Errorf("Has = %d, %v; want %d", n, ok, size)
		}
		p, err := a.OpenPack(hash)
		if err != nil {
			t.Fatal(err)
		}
		defer p.Close()
		if p.Len() != len(messages) {
			t.Fatalf("Len = %d, want %d", p.Len(), len(messages))
		}
		for i := len(messages) - 1; i >= 0; i-- {
			got, err := p.Message(i)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(messages[i], got); diff != "" {
				t.Errorf("message %d (-want +got):\n%s", i, diff)
			}
			if n, ok := p.Index(messages[i].ID); !ok || n != i {
				t.Errorf("Index = %d, %v; want %d", n, ok, i)
			}
		}
		if _, err := p.Message(len(messages)); !errors.Is(err, events.ErrNotFound) {
			t.Errorf("message behind the last: %v, want not found", err)
		}
		if _, ok := p.Index("none"); ok {
			t.Error("found a message that is not there")
		}
	}
}

// The format is kept for ever: this is a pack as version 1 wrote it.
func TestPack_ReadsTheFormatOfTheDocumentation(t *testing.T) {
	const doc = "dewclaw pack 1 2\n" +
		`{"id":"CHUTE@…#17","name":"barn.chute","received":"2026-03-04T07:12:00Z","size":5}` + "\nfirst\n" +
		`{"id":"CHUTE@…#18","name":"barn.chute","received":"2026-03-04T07:12:01Z","size":0}` + "\n\n"
	a := open(t, t.TempDir())
	hash := put(t, a, doc)
	p, err := a.OpenPack(hash)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	var messages []Message
	for i := range p.Len() {
		m, err := p.Message(i)
		if err != nil {
			t.Fatal(err)
		}
		messages = append(messages, m)
	}
	if again, _, err := a.PutPack(t.Context(), messages); again != hash || err != nil {
		b, _ := os.ReadFile(a.Path(again))
		t.Errorf("written again it is %q, %v", b, err)
	}
}

func TestPack_SeesDamage(t *testing.T) {
	a := open(t, t.TempDir())
	hash, size, err := a.PutPack(t.Context(), packed)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(a.Path(hash))
	if err != nil {
		t.Fatal(err)
	}
	for cut := len("dewclaw pack 1 3\n"); cut < int(size); cut++ {
		if _, err := a.OpenPack(put(t, a, string(whole[:cut]))); !errors.Is(err, events.ErrCorrupt) {
			t.Fatalf("cut at byte %d: %v, want corrupt", cut, err)
		}
	}
	if _, err := a.OpenPack(put(t, a, string(whole)+"x")); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("a byte more: %v, want corrupt", err)
	}
	for name, body := range map[string]string{
		"empty": "", "rows": "animal;foot\n1;LF\n", "a newer version": "dewclaw pack 2 0\n", "an endless line": strings.Repeat("x", 1<<20),
	} {
		if _, err := a.OpenPack(put(t, a, body)); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%s: %v, want invalid", name, err)
		}
	}
	if _, err := a.OpenPack(strings.Repeat("0", 64)); !errors.Is(err, events.ErrNotFound) {
		t.Errorf("err = %v, want not found", err)
	}
}

func TestPack_RefusesAnIdentityThatIsNoLine(t *testing.T) {
	a := open(t, t.TempDir())
	_, _, err := a.PutPack(t.Context(), []Message{{ID: strings.Repeat("x", maxPackLine)}})
	if !errors.Is(err, events.ErrInvalid) {
		t.Errorf("err = %v, want invalid", err)
	}
}

func FuzzOpenPack(f *testing.F) {
	f.Add([]byte("dewclaw pack 1 0\n"))
	f.Add([]byte("dewclaw pack 1 1\n{\"id\":\"a\",\"size\":3}\nabc\n"))
	f.Add([]byte("dewclaw pack 1 99999999999\n{}\n"))
	f.Add([]byte("dewclaw pack 1 1\n{\"size\":9223372036854775807}\n\n"))
	a, err := Open(f.TempDir())
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		hash, _, err := a.Put(t.Context(), bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		defer os.Remove(a.Path(hash))
		p, err := a.OpenPack(hash)
		if err != nil {
			if p != nil || !errors.Is(err, events.ErrInvalid) && !errors.Is(err, events.ErrCorrupt) {
				t.Fatalf("pack %v, err %v", p, err)
			}
			return
		}
		defer p.Close()
		for i := range p.Len() {
			m, err := p.Message(i)
			if err != nil && !errors.Is(err, events.ErrCorrupt) {
				t.Fatal(err)
			}
			if len(m.Body) > len(b) {
				t.Fatalf("message %d has %d bytes of %d", i, len(m.Body), len(b))
			}
		}
	})
}
