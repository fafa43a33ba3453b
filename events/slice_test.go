package events_test

import (
	"errors"
	"testing"

	"dewclaw/events"
)

func TestMember_SlicesWhatAnEncoderWrites(t *testing.T) {
	b := []byte(`{"a":"x \"},{ y","b":[1,{"c":"]"},-2.5],"d":{"e":{}},"f":null}`)
	var got []string
	i := 1
	for {
		name, value, next := events.Member(b, i)
		if next < 0 {
			t.Fatalf("at %d: refused", i)
		}
		if next == 0 {
			break
		}
		got = append(got, string(name)+"="+string(value))
		i = next
	}
	want := []string{`a="x \"},{ y"`, `b=[1,{"c":"]"},-2.5]`, `d={"e":{}}`, `f=null`}
	if len(got) != len(want) {
		t.Fatalf("got %q, want %q", got, want)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("member %d: got %s, want %s", i, got[i], want[i])
		}
	}
	_, list, _ := events.Member(b, len(`{"a":"x \"},{ y"`))
	n := 0
	for i := 1; ; n++ {
		if _, i = events.Element(list, i); i <= 0 {
			break
		}
	}
	if n != 3 {
		t.Errorf("elements: got %d, want 3", n)
	}
}

func TestMember_NeverReadsOutside(t *testing.T) {
	whole := []byte(`{"a":"x","b":[1,{"c":2}]}`)
	for end := range whole {
		b := whole[:end]
		for i := -1; i <= end+1; i++ {
			_, _, _ = events.Member(b, i)
			_, _ = events.Element(b, i)
		}
		n := 0
		for i := 1; n < 9; n++ {
			if _, _, i = events.Member(b, i); i <= 0 {
				break
			}
		}
		if n > 2 {
			t.Errorf("%s: got %d members, want at most 2", b, n)
		}
	}
	if _, err := events.Text([]byte(`"\x"`)); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("got %v, want an error of kind corrupt", err)
	}
}
