package mapping

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Package time with the IANA zones is the outside judge of local times: a local
// time is left out if no moment has it, and stands twice if two have.
func TestZone_AgreesWithPackageTime(t *testing.T) {
	zones := []string{"Europe/Berlin", "America/Chicago", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC", "America/St_Johns", "Africa/Casablanca", "Pacific/Apia"}
	known := map[string]*zone{}
	for _, n := range zones {
		z, err := newZone(n)
		if err != nil {
			t.Fatal(err)
		}
		known[n] = z
	}
	rapid.Check(t, func(t *rapid.T) {
		z := known[rapid.SampledFrom(zones).Draw(t, "zone")]
		overlap := rapid.SampledFrom([]string{"hold", "earlier", "later"}).Draw(t, "overlap")
		start := time.Date(2011, 12, 20, 0, 0, 0, 0, time.UTC).Unix()
		local := start + rapid.Int64Range(0, 16*366*1440).Draw(t, "minutes")*60
		if rapid.Bool().Draw(t, "near") { // near a change of the clock
			_, until := time.Unix(local, 0).In(z.loc).ZoneBounds()
			if !until.IsZero() {
				_, off := until.Add(-time.Hour).Zone()
				local = until.Unix() + int64(off) + rapid.Int64Range(-180, 180).Draw(t, "shift")*60
			}
		}
		m := moment{}
		m.setSeconds(local)
		if m.seconds() != local {
			t.Fatalf("%d became %d", local, m.seconds())
		}
		var fits []int
		for off := -14 * 3600; off <= 15*3600; off += 900 {
			if _, o := time.Unix(local-int64(off), 0).In(z.loc).Zone(); o == off {
				fits = append(fits, off)
			}
		}
		got, text, wanted := z.offset(z.day(days(m.year, m.month, m.day), &m), local, overlap)
		switch {
		case len(fits) == 0:
			if wanted != leftOut {
				t.Fatalf("no moment has it: got %d, %q", got, wanted)
			}
		case len(fits) > 1 && overlap == "hold":
			if wanted != twice {
				t.Fatalf("two moments have it: got %d, %q", got, wanted)
			}
		default:
			want := fits[0] // the later of two has the smaller offset
			if overlap == "earlier" {
				want = fits[len(fits)-1]
			}
			if wanted != "" || got != want || text != time.Unix(local-int64(want), 0).In(z.loc).Format("-07:00") {
				t.Fatalf("got %d, %s, %q, want %d", got, text, wanted, want)
			}
		}
	})
}

func TestLayout_AgreesWithPackageTime(t *testing.T) {
	layouts := map[string]string{ // ours and Go's
		"YYYY-MM-DD": "2006-01-02", "DD.MM.YYYY": "02.01.2006", "M/D/YYYY": "1/2/2006", "D MMM YYYY": "2 Jan 2006", "YYYYMMDDHHmmss": "20060102150405",
		"YYYY-MM-DDTHH:mm:ss.SSSZ": "2006-01-02T15:04:05.000Z07:00", "M/D/YYYY h:mm A": "1/2/2006 3:04 PM", "DD/MM/YYYY hh:mm A": "02/01/2006 03:04 PM",
		"HH:mm": "15:04", "H:mm:ss": "15:04:05",
	}
	var names []string
	for l := range layouts {
		names = append(names, l)
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(names).Draw(t, "layout")
		l, err := parseLayout(name, nil)
		if err != nil {
			t.Fatal(err)
		}
		at := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(rapid.Int64Range(0, 80*366*86400*1000).Draw(t, "ms")) * time.Millisecond)
		s := at.Format(layouts[name])
		got, ok := l.parse(s, '.')
		if !ok {
			t.Fatalf("%s is not read", s)
		}
		want, err := time.Parse(layouts[name], s)
		if err != nil {
			t.Fatal(err)
		}
		if l.date && (got.year != want.Year() || got.month != int(want.Month()) || got.day != want.Day()) {
			t.Fatalf("%s: got %+v", s, got)
		}
		if l.clock && (got.hour != want.Hour() || got.minute != want.Minute() || got.second != want.Second() || got.ms != want.Nanosecond()/1e6) {
			t.Fatalf("%s: got %+v", s, got)
		}
		if l.date {
			if back := string(l.append(nil, &got)); back != s && name != "YYYY-MM-DDTHH:mm:ss.SSSZ" {
				t.Fatalf("%s: written back as %s", s, back)
			}
		}
	})
	// Spreadsheet day numbers, from memory: 1 January 2008 is day 39448 in the
	// 1900 system, and 1462 less in the 1904 system.
	for name, s := range map[string]string{"day-number": "39448", "day-number-1904": "37986"} {
		l, err := parseLayout(name, nil)
		if err != nil {
			t.Fatal(err)
		}
		if m, ok := l.parse(s, '.'); !ok || m.year != 2008 || m.month != 1 || m.day != 1 || m.clock {
			t.Errorf("%s %s: got %+v, %v", name, s, m, ok)
		}
		if m, ok := l.parse(s+".75", '.'); !ok || m.hour != 18 || m.day != 1 || m.prec != "minute" {
			t.Errorf("%s %s.75: got %+v, %v", name, s, m, ok)
		}
	}
}

// Seen from behind, a left foot has its outer claw on the left; a right foot is
// its mirror image (anatomy).
func TestMapper_SidesAreMirrored(t *testing.T) {
	for _, tt := range []struct{ sides, foot, claw, want string }{
		{"from-behind", "LH", "left", "outer"}, {"from-behind", "LH", "right", "inner"}, {"from-behind", "RH", "left", "inner"}, {"from-behind", "RH", "right", "outer"},
		{"from-behind", "LF", "left", "outer"}, {"from-behind", "RF", "dewclaw-right", "dewclaw-outer"},
		{"from-front", "LH", "left", "inner"}, {"from-front", "LH", "right", "outer"}, {"from-front", "RF", "left", "outer"}, {"from-front", "RF", "dewclaw-right", "dewclaw-inner"},
		{"from-front", "RF", "inner", "inner"},
	} {
		m := &Mapper{run: &Run{in: &Inward{sides: tt.sides}}}
		if got := m.side(tt.claw, tt.foot); got != tt.want {
			t.Errorf("%s claw of %s seen %s: got %s, want %s", tt.claw, tt.foot, tt.sides, got, tt.want)
		}
	}
}
