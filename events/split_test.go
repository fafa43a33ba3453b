package events_test

import (
	"encoding/base32"
	"testing"

	"dewclaw/events"

	"pgregory.net/rapid"
)

// The oracle is the base32 of the standard library (RFC 4648, extended hex).
func TestEntity_SplitAgreesWithBase32(t *testing.T) {
	codec := base32.NewEncoding("0123456789abcdefghijklmnopqrstuv").WithPadding(base32.NoPadding)
	rapid.Check(t, func(t *rapid.T) {
		rec := rapid.SliceOfN(rapid.Byte(), 13, 13).Draw(t, "record")
		slot := rapid.SliceOfN(rapid.Byte(), 5, 5).Draw(t, "slot")
		e := events.Entity(codec.EncodeToString(rec) + codec.EncodeToString(slot))
		r, s, err := e.Split()
		if err != nil || r != events.RecordID(rec) || s != events.Slot(slot) {
			t.Fatalf("%s: got %v, %v, %v", e, r, s, err)
		}
		b := []byte(e)
		b[rapid.IntRange(0, len(b)-1).Draw(t, "at")] = rapid.Byte().Draw(t, "other")
		r, s, err = events.Entity(b).Split()
		if err == nil && r.Entity(s) != events.Entity(b) {
			t.Fatalf("%s: accepted, but written as %s", b, r.Entity(s))
		}
	})
	for _, bad := range []events.Entity{"", "0", "00000000000000000000000000000", "0000000000000000000010000000"} {
		_, _, err := bad.Split()
		if got, want := err == nil, bad == "00000000000000000000000000000"; got != want {
			t.Errorf("%q: accepted %v, want %v", bad, got, want)
		}
	}
}
