package herd

import (
	"errors"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events"
)

// What the herd keeps of an event is the event but for what is kept elsewhere.
func TestSlice_KeepsAllButWhatIsKeptElsewhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.SampledFrom(events.Kinds()).Draw(t, "kind")
		p := anyPayload(t, k)
		var x events.Encoder
		data, _ := x.Append(nil, p)
		env := events.Envelope{Kind: k, Entity: "e", Subject: "s", Farm: "f", Visit: "v", Scope: "c"}
		before := events.Place{Position: 7, Index: 4}
		b := events.AppendRevision(nil, events.AppendOpen(nil, env, data), events.Revision{Number: 3, Change: events.Amended, Before: &before})
		var s stored
		if err := s.slice(b); err != nil {
			t.Fatal(err)
		}
		if string(s.kind) != string(k) || string(s.entity) != "e" || string(s.farm) != "f" || string(s.visit) != "v" || s.revision != 3 || string(s.change) != "amended" {
			t.Fatalf("got %+v of %s", s, b)
		}
		if at, ok := s.place(9); !ok || at != before {
			t.Fatalf("got %v %v, want %v", at, ok, before)
		}
		got, err := payload(k, s.body)
		if err != nil {
			t.Fatal(err)
		}
		want, err := events.DecodePayload(k, data)
		if err != nil {
			t.Fatal(err)
		}
		c := want.Base()
		c.Animal, c.Derived.Animal, c.Origin, c.Words = nil, nil, events.Origin{}, nil
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("%s:\ngot  %+v\nwant %+v", s.body, got, want)
		}
	})
}

func TestSlice_RefusesWhatIsNoEvent(t *testing.T) {
	var s stored
	for _, b := range []string{``, `[]`, `{"kind"`, `{"kind":"lesion","data":{"occurred":{"date"}}`, `{"kind":"lesion","entity":"e"}`, `{"revision":"x","data":{}}`} {
		if err := s.slice([]byte(b)); !errors.Is(err, events.ErrCorrupt) {
			t.Errorf("%s: got %v, want an error of kind corrupt", b, err)
		}
	}
	in := []byte(`{"kind":"lesion","data":{},"before":{"index":4}}`)
	if err := s.slice(in); err != nil {
		t.Fatal(err)
	}
	if at, ok := s.place(9); !ok || at != (events.Place{Position: 9, Index: 4}) {
		t.Errorf("got %v, want a place in the entry itself", at)
	}
}
