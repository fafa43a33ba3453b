package rules

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// retagged is the telegram of 985113007399202 with a retagging counter of 2.
func retagged() string {
	c, _, _ := codes.ReadTransponder("985113007399202")
	c.Retag = 2
	t := c.Telegram()
	return hex.EncodeToString(t[:])
}

// Local times and their moments, worked out by the IANA time zone database.
func TestOutside_Moments(t *testing.T) {
	tests := []struct {
		date, clock, offset, zone string
		utc                       string
	}{
		{"2025-10-26", "02:30", "+02:00", "Europe/Berlin", "2025-10-26T00:30:00Z"},    // the doubled hour, first
		{"2025-10-26", "02:30", "+01:00", "Europe/Berlin", "2025-10-26T01:30:00Z"},    // and second
		{"2025-11-02", "01:30", "-05:00", "America/Chicago", "2025-11-02T06:30:00Z"},  // the same
		{"2025-11-02", "01:30", "-06:00", "America/Chicago", "2025-11-02T07:30:00Z"},  //
		{"2025-06-01", "08:00", "+12:00", "Pacific/Auckland", "2025-05-31T20:00:00Z"}, // another day in UTC
		{"2025-06-01", "18:00", "-07:00", "America/Los_Angeles", "2025-06-02T01:00:00Z"},
		{"2025-07-01", "00:00", "+01:00", "Europe/London", "2025-06-30T23:00:00Z"}, // why a day never becomes midnight
	}
	for _, tt := range tests {
		c := on(tt.date, tt.clock, tt.offset, tt.zone)
		at, ok := moment(&c.Occurred)
		if !ok || at.UTC().Format(time.RFC3339) != tt.utc {
			t.Errorf("%s %s %s: %v, wanted %s", tt.date, tt.clock, tt.zone, at.UTC(), tt.utc)
			continue
		}
		// The offset given is one the zone has at that moment.
		if _, offset := at.Zone(); at.Format("-07:00") != tt.offset {
			t.Errorf("%s has the offset %d at %s", tt.zone, offset, tt.utc)
		}
	}
	// Europe/Berlin 2025-03-30 02:30 and America/Chicago 2025-03-09 02:30 do not
	// exist: neither offset of the day leads back to that local time.
	for _, tt := range []struct{ zone, date string }{{"Europe/Berlin", "2025-03-30"}, {"America/Chicago", "2025-03-09"}} {
		for _, offset := range []string{"+01:00", "+02:00", "-06:00", "-05:00"} {
			c := on(tt.date, "02:30", offset, tt.zone)
			if at, _ := moment(&c.Occurred); at.Format("2006-01-02 15:04") == tt.date+" 02:30" {
				t.Errorf("%s 02:30 %s exists in %s", tt.date, offset, tt.zone)
			}
		}
	}
	// A day alone has no moment and stays a day.
	day := on("2025-07-01", "", "", "")
	if at, ok := moment(&day.Occurred); ok {
		t.Errorf("a day alone is the moment %v", at)
	}
	w := &events.Treatment{Common: day, What: "wrap"}
	if Apply([]events.Payload{w}, Defaults()); w.Derived.DueOff != "2025-07-02" || w.Derived.LateFrom != "2025-07-03" {
		t.Errorf("a wrap of a day alone is due %s and late %s", w.Derived.DueOff, w.Derived.LateFrom)
	}
}

// Elapsed hours over a change of the clock, by the IANA time zone database:
// a wrap of 2024-03-30 20:00 in Europe/Berlin.
func TestOutside_WrapOverAClockChange(t *testing.T) {
	w := &events.Treatment{Common: on("2024-03-30", "20:00", "+01:00", "Europe/Berlin"), What: "wrap"}
	Apply([]events.Payload{w}, Defaults())
	if w.Derived.DueOff != "2024-03-31T21:00:00+02:00" || w.Derived.LateFrom != "2024-04-01T21:00:00+02:00" {
		t.Errorf("due %s, late from %s, wanted 21:00 local on both days", w.Derived.DueOff, w.Derived.LateFrom)
	}
}

// Stages of digital dermatitis by size: Vet Res 51 (2020) 9, table 1. The size
// and the stage are kept as they are told; nothing is derived of one from the
// other, so neither is advised of.
func TestOutside_StagesAndSizes(t *testing.T) {
	for _, tt := range []struct{ stage, size string }{{"M1", "15"}, {"M2", "30"}, {"M4.1", "10"}} {
		l := lesion("DD", "RH", "none", 10)
		l.Stage, l.SizeMM = tt.stage, dec(tt.size)
		if Apply([]events.Payload{l}, Defaults()); notes(l) != nil || !codes.Find("dd-stages").Has(tt.stage) {
			t.Errorf("%s of %s mm: %v", tt.stage, tt.size, l.Notes)
		}
	}
	for stage, says := range map[string]string{"M1": "under 2 cm", "M2": "over 2 cm"} {
		if m := codes.Find("dd-stages").Entry(stage).Meaning; !strings.Contains(m, says) {
			t.Errorf("%s means %q, wanted %q in it", stage, m, says)
		}
	}
}
