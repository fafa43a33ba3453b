package ade

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"dewclaw/adapters"
	"dewclaw/adapters/json"
	"dewclaw/events"
)

// go test ./adapters/ade -run '^$' -bench . -benchmem
func BenchmarkWriter(b *testing.B) {
	w := writer(b, nil)
	p := &events.Lesion{
		Common: base(), Code: "SU", Foot: "RH", Claw: "outer", Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4}},
		Severity: events.Severity{Scale: "grade-3", Value: "2"},
	}
	e := event(b, p)
	var buf []byte
	var err error
	for b.Loop() {
		if buf, err = w.Append(buf[:0], e, p); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(buf)), "B/event")
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

func BenchmarkDecoder(b *testing.B) {
	const n = 1000
	one := []byte(`{"resourceType":"icarAnimalCoreResource","identifier":{"scheme":"eu.bovine","id":"DE 03 123 12345"},"specie":"Cattle","gender":"Female",` +
		`"alternativeIdentifiers":[{"scheme":"std.iso.11785","id":"276000312312345"}],"birthDate":"2021-05-03T22:00:00Z","meta":{"source":"s","sourceId":"a"}}`)
	text := append(append([]byte("["), bytes.Repeat(append(one, ','), n-1)...), append(one, ']')...)
	b.SetBytes(int64(len(text)))
	for b.Loop() {
		d, err := NewDecoder(json.NewDecoder)(bytes.NewReader(text), adapters.Layout{Format: "ade"})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := d.Head(); err != nil {
			b.Fatal(err)
		}
		var rows []adapters.Row
		for err == nil {
			rows, err = d.Read(rows[:0], 256)
		}
		if !errors.Is(err, io.EOF) {
			b.Fatal(err)
		}
	}
	b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "resources/s")
}
