package events

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// package time is the outside judge of what a day is.
func TestDayHint_AgreesWithPackageTime(t *testing.T) {
	want := func(date string) uint16 {
		d, err := time.Parse(time.DateOnly, date)
		if err != nil {
			return 0
		}
		n := d.Unix()/86400 + 1
		if n < 1 || n > 65535 {
			return 0
		}
		return uint16(n)
	}
	for d := time.Date(1968, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2152; d = d.AddDate(0, 0, 1) {
		date := d.Format(time.DateOnly)
		if got := dayHint(date); got != want(date) {
			t.Fatalf("%s: got %d, want %d", date, got, want(date))
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		date := rapid.StringMatching(`[0-9]{4}[-/][0-9]{2}[-:][0-9][0-9x]`).Draw(t, "date")
		if got := dayHint(date); got != want(date) {
			t.Fatalf("%s: got %d, want %d", date, got, want(date))
		}
	})
}

func TestPlainText_LooksAtEveryByte(t *testing.T) {
	naive := func(s string) bool {
		for i := 0; i < len(s); i++ {
			if c := s[i]; c < 0x20 || c == '"' || c == '\\' || c >= 0x80 {
				return false
			}
		}
		return true
	}
	const around = "abcdefghijklmnopq~ !#[]"
	for i := range len(around) {
		for c := range 256 {
			s := around[:i] + string([]byte{byte(c)}) + around[i:]
			if got := plainText(s); got != naive(s) {
				t.Fatalf("%q: got %v", s, got)
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := string(rapid.SliceOfN(rapid.Byte(), 0, 40).Draw(t, "bytes"))
		if got := plainText(s); got != naive(s) {
			t.Fatalf("%q: got %v", s, got)
		}
	})
}
