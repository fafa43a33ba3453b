package events_test

import (
	"errors"
	"math/big"
	"testing"

	"dewclaw/events"
)

// An exact number is that which math/big reads, and is written as it is read.
func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"82.55", "-0", "007", "1.50", "9999999999999999999", "0.0000000000000000001", "1e1000001", "1,5", ".5", "NaN", ""} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := events.ParseDecimal(s)
		if err != nil {
			if !errors.Is(err, events.ErrInvalid) || d.IsSet() {
				t.Fatalf("%.60q: %v with %v, want nothing and an error of kind invalid", s, err, d)
			}
			return
		}
		want, ok := new(big.Rat).SetString(s)
		got, gok := new(big.Rat).SetString(d.String())
		if !ok || !gok || got.Cmp(want) != 0 {
			t.Fatalf("%q reads as %s", s, d)
		}
		if again, err := events.ParseDecimal(d.String()); err != nil || again.String() != d.String() {
			t.Fatalf("%q reads as %s, and that as %v, %v", s, d, again, err)
		}
	})
}

// Ids are read exactly as they are written.
func FuzzParseEventID(f *testing.F) {
	for _, s := range []string{"00004033ehb5gdsg6atu8ufr2ksf7.1", "000ap9j54mgu4fdtliljqufr2ksf7", "00000000000000000000000000000.0", "00000000000000000000000000000.07", "00000000000000000000000000000.+7", ".1", "h-3f9a1c20be", "", "00004033ehb5gdsg6atu8ufr2ksf7.1.moved"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		entity, revision, err := events.ParseEventID(s)
		if err != nil {
			if !errors.Is(err, events.ErrInvalid) || entity != "" || revision != 0 {
				t.Fatalf("%.60q: %q %d, %v", s, entity, revision, err)
			}
			return
		}
		e := events.Event{Entity: entity, Revision: revision, Moved: events.IsMovedID(s)}
		if back := e.ID(); back != s && string(entity) != s {
			t.Fatalf("%q reads as %q, revision %d, which is written %q", s, entity, revision, back)
		}
		record, slot, err := entity.Split()
		if err != nil {
			t.Fatalf("%q is accepted and cannot be taken apart: %v", s, err)
		}
		if record.Entity(slot) != entity {
			t.Fatalf("%q is put together as %q", entity, record.Entity(slot))
		}
		if again, err := events.ParseRecordID(record.String()); err != nil || again != record {
			t.Fatalf("record %v: got %v, %v", record, again, err)
		}
	})
}
