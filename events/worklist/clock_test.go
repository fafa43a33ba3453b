package worklist

import (
	"testing"
	"time"
)

// Package time is the outside here.
func TestParseDay_AgreesWithTime(t *testing.T) {
	zone := time.FixedZone("", -3*3600)
	days := []string{"", "2024-02-30", "2023-02-29", "2024-02-29", "2024-13-01", "2024-00-10", "2024-01-00", "2024-1-02x", "2024/01/02", "20240102", "+024-01-02", "2024-01-02T", "0000-01-01", "9999-12-31"}
	for d := time.Date(1999, 1, 1, 0, 0, 0, 0, time.UTC); d.Year() < 2005; d = d.AddDate(0, 0, 1) {
		days = append(days, d.Format(time.DateOnly))
	}
	for _, day := range days {
		for _, z := range []*time.Location{time.UTC, zone} {
			got, err := parseDay(day, z)
			want, wantErr := time.ParseInLocation(time.DateOnly, day, z)
			if !got.Equal(want) || (err == nil) != (wantErr == nil) {
				t.Errorf("%q: got %v, %v, want %v, %v", day, got, err, want, wantErr)
			}
		}
	}
}
