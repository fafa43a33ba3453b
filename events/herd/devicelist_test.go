package herd_test

import (
	"slices"
	"testing"

	"dewclaw/events"
)

// All devices of a farm are those of its animals, ended ones too; a day leaves
// out what had come off before.
func TestFarmDevices_AreThoseOfItsAnimals(t *testing.T) {
	log := newMemLog("one")
	w := newWriter(log)
	for i, p := range []events.Payload{
		put(cow, "2026-01-05", "wrap", "RH", "none"), off(cow, "2026-01-06", "wrap", "RH", "none"), put(cow, "2026-02-01", "block", "LH", "inner"),
	} {
		w.put("2026-03-01", line{farm: "larkfield", source: "chute", record: string(rune('a' + i)), payload: p})
	}
	v := view(t, openHerd(t, log))
	all := must(v.FarmDevices(t.Context(), "larkfield", ""))(t)
	if got, want := worn(all), []string{"wrap RH none 2026-01-05 taken-off 2026-01-06", "block LH inner 2026-02-01"}; !slices.Equal(got, want) {
		t.Errorf("got %q, wanted %q", got, want)
	}
	if all[0].Animal == "" {
		t.Error("a device without its animal")
	}
	if got, want := worn(must(v.FarmDevices(t.Context(), "larkfield", "2026-01-07"))(t)), []string{"block LH inner 2026-02-01"}; !slices.Equal(got, want) {
		t.Errorf("from 7 January: got %q, wanted %q", got, want)
	}
	if got := must(v.FarmDevices(t.Context(), "stony-run", ""))(t); len(got) > 0 {
		t.Errorf("another farm has %q", worn(got))
	}
}
