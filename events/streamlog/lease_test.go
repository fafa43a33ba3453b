package streamlog

import (
	"errors"
	"testing"
	"time"

	"dewclaw/events"
)

// leases opens the leases of a log under a name.
func leases(t *testing.T, l *Log, name string, ttl time.Duration) *Leases {
	t.Helper()
	s, err := l.Leases(t.Context(), Holder{Name: name}, ttl)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func take(t *testing.T, s *Leases, key string) (bool, string) {
	t.Helper()
	held, by, err := s.Take(t.Context(), key)
	if err != nil {
		t.Fatal(err)
	}
	return held, by.Name
}

func TestLeases_HaveOneHolder(t *testing.T) {
	x := startExternal(t)
	dir := t.TempDir()
	la, lb := x.open(dir), x.open(t.TempDir())
	const ttl = 500 * time.Millisecond
	a, b := leases(t, la, "a", ttl), leases(t, lb, "b", time.Hour)
	if b.TTL() != ttl {
		t.Errorf("the second goes by %v, want %v, as the first", b.TTL(), ttl)
	}
	if held, _ := take(t, a, "source.chute"); !held {
		t.Error("a does not get a free lease")
	}
	if held, by := take(t, b, "source.chute"); held || by != "a" {
		t.Errorf("b: held %t by %q, want false by a", held, by)
	}
	if held, _ := take(t, b, "feed.vet"); !held {
		t.Error("b does not get another lease")
	}
	for end := time.Now().Add(2 * ttl); time.Now().Before(end); time.Sleep(ttl / 10) { // a renews, and keeps it past its time
		if held, by := take(t, a, "source.chute"); !held {
			t.Fatalf("a has lost its lease to %q", by)
		}
		if held, _ := take(t, b, "source.chute"); held {
			t.Fatal("two hold it")
		}
	}
	shut(t, la)
	a = leases(t, x.open(dir), "a", ttl) // as after a crash: nothing was given back
	if held, by := take(t, a, "source.chute"); !held {
		t.Errorf("a comes back over its folder and does not have its lease; %q has", by)
	}
	if err := a.Drop(t.Context(), "source.chute"); err != nil {
		t.Fatal(err)
	}
	if held, _ := take(t, b, "source.chute"); !held {
		t.Error("b does not get what a gave back")
	}
	if held, by := take(t, a, "source.chute"); held || by != "b" {
		t.Errorf("a: held %t by %q, want false by b", held, by)
	}
	end := time.Now().Add(20 * ttl) // b renews no more
	for held := false; !held; held, _ = take(t, a, "source.chute") {
		if time.Now().After(end) {
			t.Fatal("a does not get what b let end")
		}
		time.Sleep(ttl / 10)
	}
	if held, _ := take(t, b, "source.chute"); held {
		t.Error("b renews what it has lost")
	}
}

func TestGuarded_WritesOverNothingItHasNotRead(t *testing.T) {
	x := startExternal(t)
	open := func() *Guarded {
		b, err := x.open(t.TempDir()).Bucket(t.Context(), "feeds")
		if err != nil {
			t.Fatal(err)
		}
		return b.Guard()
	}
	a, b := open(), open()
	put := func(g *Guarded, value string, want error) {
		t.Helper()
		if err := g.Put(t.Context(), "vet.state", []byte(value)); !errors.Is(err, want) {
			t.Errorf("put %s: got %v, want %v", value, err, want)
		}
	}
	put(a, "1", nil)
	put(a, "2", nil)
	put(b, "3", ErrChanged)
	if !errors.Is(ErrChanged, events.ErrUnavailable) {
		t.Error("ErrChanged is not of kind unavailable")
	}
	if v, err := b.Get(t.Context(), "vet.state"); string(v) != "2" || err != nil {
		t.Errorf("got %q, %v, want 2", v, err)
	}
	put(b, "3", nil)
	put(a, "4", ErrChanged) // though a had written it last
	if err := a.Delete(t.Context(), "vet.state"); !errors.Is(err, ErrChanged) {
		t.Errorf("delete: got %v, want %v", err, ErrChanged)
	}
	if err := b.Delete(t.Context(), "vet.state"); err != nil {
		t.Error(err)
	}
	put(a, "5", ErrChanged)
	a.Forget("vet.")
	put(a, "5", nil)
}
