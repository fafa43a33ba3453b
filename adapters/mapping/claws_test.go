package mapping

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// mapText maps an original of a mapping given as text.
func mapText(t *testing.T, yaml, zone, original string) []adapters.Record {
	t.Helper()
	in, err := ParseInward("m.yaml", []byte(yaml))
	if err != nil {
		t.Fatal(err)
	}
	j := Job{Source: "s", Farm: "f", Zone: zone, Farms: map[string]string{"f": zone}, Received: time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)}
	records, _ := mapAll(t, in, j, []byte(original), 100)
	return records
}

const clawMapping = `
mapping: m
direction: in
dates: YYYY-MM-DD
%s
read: {format: csv}
record: {identifier: [herd-number]}
animal: {herd-number: cow}
occurred: {date: day}
row:
  foot: %s
  claw: %s
events:
  - lesion: {code: =SU}
`

// lesionOf returns the one lesion of a record.
func lesionOf(t *testing.T, r adapters.Record) *events.Lesion {
	t.Helper()
	i := slices.IndexFunc(r.Drafts, func(d adapters.Draft) bool { return d.Kind == events.KindLesion })
	if i < 0 {
		t.Fatalf("got %+v, want a lesion", r)
	}
	return payload(t, r.Drafts[i]).(*events.Lesion)
}

func payload(t *testing.T, d adapters.Draft) events.Payload {
	t.Helper()
	p, err := events.DecodePayload(d.Kind, d.Data)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// A device that numbers the claws 1 to 8 is read by two tables over one column.
// Where they count across from behind they give what the list claw-schemes says
// (common practice, no source).
func TestMapper_ClawNumbersAreTwoTables(t *testing.T) {
	yaml := fmt.Sprintf(clawMapping, "tables: {}",
		"{from: no, table: {1: LF, 2: LF, 3: RF, 4: RF, 5: LH, 6: LH, 7: RH, 8: RH}}",
		"{from: no, table: {1: outer, 2: inner, 3: inner, 4: outer, 5: outer, 6: inner, 7: inner, 8: outer}}")
	yaml = strings.Replace(yaml, "tables: {}\n", "", 1)
	var rows strings.Builder
	rows.WriteString("cow,day,no\n")
	for n := 1; n <= 9; n++ {
		fmt.Fprintf(&rows, "%d,2026-03-02,%d\n", n, n)
	}
	records := mapText(t, yaml, "Europe/Berlin", rows.String())
	for n := 1; n <= 8; n++ {
		want, p := codes.ClawOf("numbers-across", "", fmt.Sprint(n))
		if p != nil {
			t.Fatal(p)
		}
		if l := lesionOf(t, records[n-1]); l.Foot != want.Foot || l.Claw != want.Claw {
			t.Errorf("claw %d: got %s %s, want %s %s", n, l.Foot, l.Claw, want.Foot, want.Claw)
		}
	}
	if r := records[8]; r.Outcome != adapters.Held || !strings.Contains(fmt.Sprint(r.Held.Reasons), `"9"`) {
		t.Errorf("claw 9: got %+v, want it held", r)
	}
}

// A claw is named in the words of the scheme the mapping declares, in those of
// no other: anatomy, from memory, as in the tests of codes.ClawOf.
func TestMapper_ClawsAreNamedByTheDeclaredScheme(t *testing.T) {
	for _, tt := range []struct{ scheme, foot, word, want string }{
		{"medial-lateral", "LH", "medial", "inner"},
		{"medial-lateral", "RF", "lateral", "outer"},
		{"medial-lateral", "RF", "dewclaw-lateral", "dewclaw-outer"},
		{"medial-lateral", "LH", "left", ""},
		{"medial-lateral", "LH", "outer", "outer"},
		{"from-behind", "LH", "left", "outer"},
		{"from-behind", "LH", "lateral", ""},
		{"from-front", "LH", "left", "inner"},
	} {
		yaml := fmt.Sprintf(clawMapping, "sides: "+tt.scheme, "foot", "claw")
		r := mapText(t, yaml, "Europe/Berlin", "cow,day,foot,claw\n7,2026-03-02,"+tt.foot+","+tt.word+"\n")[0]
		switch {
		case tt.want == "" && r.Outcome != adapters.Held:
			t.Errorf("%s, %s claw: got %+v, want it held", tt.scheme, tt.word, r)
		case tt.want != "" && (r.Outcome != adapters.Mapped || lesionOf(t, r).Claw != tt.want):
			t.Errorf("%s, %s claw of %s: got %+v, want %s", tt.scheme, tt.word, tt.foot, r, tt.want)
		}
	}
	yaml := fmt.Sprintf(clawMapping, "sides: medial-lateral", "foot", "{from: claw, table: {L: left, M: medial}}")
	if _, err := ParseInward("m.yaml", []byte(yaml)); err == nil || !strings.Contains(err.Error(), `claw: wanted one of medial, lateral, dewclaw-medial, dewclaw-lateral (sides: medial-lateral), got "left"`) {
		t.Errorf("got %v, want left refused", err)
	}
}

// The hour that a clock change leaves out, and the one it has twice. Sources:
// Directive 2000/84/EC (last Sundays of March and October, 01:00 UTC) and the
// Energy Policy Act of 2005, section 110 (second Sunday of March, first of
// November, 02:00 local time); both as the IANA time zone database has them.
func TestMapper_HoursAClockChangeLeavesOutOrDoubles(t *testing.T) {
	const yaml = `
mapping: m
direction: in
dates: YYYY-MM-DD
times: HH:mm
%s
read: {format: csv}
record: {identifier: [herd-number]}
animal: {herd-number: cow}
occurred: {date: day, time: time}
events:
  - locomotion: {scale: =loc5-posture, score: =1}
`
	for _, tt := range []struct{ zone, declared, day, time, want string }{
		{"Europe/Berlin", "", "2025-03-30", "01:59", "+01:00"},
		{"Europe/Berlin", "", "2025-03-30", "02:30", "wanted a time that exists in Europe/Berlin"},
		{"Europe/Berlin", "gap: hold", "2025-03-30", "02:30", "wanted a time that exists in Europe/Berlin"},
		{"Europe/Berlin", "", "2025-03-30", "03:00", "+02:00"},
		{"America/Chicago", "", "2025-03-09", "01:59", "-06:00"},
		{"America/Chicago", "", "2025-03-09", "02:30", "wanted a time that exists in America/Chicago"},
		{"America/Chicago", "", "2025-03-09", "03:00", "-05:00"},
		{"Europe/Berlin", "", "2025-10-26", "02:30", "wanted a time that exists once in"},
		{"Europe/Berlin", "overlap: hold", "2025-10-26", "02:30", "wanted a time that exists once in"},
		{"Europe/Berlin", "overlap: earlier", "2025-10-26", "02:30", "+02:00"},
		{"Europe/Berlin", "overlap: later", "2025-10-26", "02:30", "+01:00"},
		{"America/Chicago", "overlap: earlier", "2025-11-02", "01:30", "-05:00"},
		{"America/Chicago", "overlap: later", "2025-11-02", "01:30", "-06:00"},
		{"America/Chicago", "", "2025-11-02", "01:30", "wanted a time that exists once in"},
		{"America/Phoenix", "", "2025-03-09", "02:30", "-07:00"}, // keeps no summer time: 15 USC 260a, Arizona's exemption
	} {
		r := mapText(t, fmt.Sprintf(yaml, tt.declared), tt.zone, "cow,day,time\n7,"+tt.day+","+tt.time+"\n")[0]
		got := ""
		if r.Outcome == adapters.Held {
			got = fmt.Sprint(r.Held.Reasons)
		} else {
			got = payload(t, r.Drafts[0]).Base().Occurred.Offset
		}
		if !strings.Contains(got, tt.want) {
			t.Errorf("%s %s %s %q: got %s, want %s", tt.zone, tt.day, tt.time, tt.declared, got, tt.want)
		}
	}
}
