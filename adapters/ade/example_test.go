package ade_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/ade"
	"dewclaw/adapters/json"
	"dewclaw/events"
)

func ExampleNewDecoder() {
	open := ade.NewDecoder(json.NewDecoder)
	document := `{"member": [{"resourceType": "MilkingDryOffEvent", "id": "d-1", "eventDateTime": "2026-03-02T00:00:00Z",
		"animal": {"scheme": "std.iso.11785", "id": "276000312312345"}}]}`
	d, err := open(strings.NewReader(document), adapters.Layout{Format: "ade"})
	if err != nil {
		fmt.Println(err)
		return
	}
	if _, err := d.Head(); err != nil {
		fmt.Println(err)
		return
	}
	rows, err := d.Read(nil, 10)
	if err != io.EOF {
		fmt.Println(err)
		return
	}
	r := rows[0].Value.(map[string]any)
	fmt.Println(r["resourceType"], r["eventDateTime"], r["@animal"])
	// Output: icarMilkingDryOffEventResource 2026-03-02 map[transponder:276000312312345]
}

// lesion is an event as a log gives it.
func lesion() (*events.Event, *events.Lesion) {
	p := &events.Lesion{
		Common: events.Common{
			Animal:   []events.Identifier{{Scheme: "transponder", Value: "276000312312345"}},
			Occurred: events.Occurred{Date: "2026-03-02", Precision: "date"},
		},
		Code: "SU", Foot: "RH", Claw: "outer",
	}
	var enc events.Encoder
	data, _ := enc.Append(nil, p)
	return &events.Event{
		Kind: p.Kind(), Entity: "a0hq67vcq0209f3sm9la0vn1a72k0", Revision: 1, Change: events.Recorded, Farm: "larkfield",
		Recorded: time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC), Data: data,
	}, p
}

func ExampleNewWriter() {
	w, err := ade.NewWriter(ade.Options{Source: "org.example.larkfield", Zones: map[string]string{"larkfield": "Europe/Berlin"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	e, p := lesion()
	b, err := w.Append(nil, e, p)
	if err != nil {
		fmt.Println(err)
		return
	}
	text, _, _ := strings.Cut(string(b), `,"dewclaw"`)
	fmt.Println(strings.ReplaceAll(text, `,"`, ",\n  \""))
	// Output:
	// {"resourceType":"icarDiagnosisEventResource",
	//   "id":"a0hq67vcq0209f3sm9la0vn1a72k0",
	//   "meta":{"source":"org.example.larkfield",
	//   "sourceId":"a0hq67vcq0209f3sm9la0vn1a72k0",
	//   "modified":"2026-03-03T07:00:00Z"},
	//   "location":{"id":"larkfield",
	//   "scheme":"example.dewclaw.farm"},
	//   "animal":{"id":"276000312312345",
	//   "scheme":"std.iso.11785"},
	//   "eventDateTime":"2026-03-02T11:00:00Z",
	//   "diagnoses":[{"id":"a0hq67vcq0209f3sm9la0vn1a72k0",
	//   "name":"sole ulcer",
	//   "diagnosisCode":{"id":"SU",
	//   "scheme":"example.dewclaw.lesions"},
	//   "site":"RH outer claw",
	//   "positions":[{"position":"LegsRearRight"}]}]
}

// one is a feed of one event.
type one struct{ w *ade.Writer }

func (o one) Datasets(context.Context) ([]ade.Dataset, error) {
	return []ade.Dataset{{Name: "herd", Kinds: []events.Kind{events.KindLesion}, Writer: o.w}}, nil
}

func (o one) After(_ context.Context, _, cursor string, _ int) (ade.Page, error) {
	if cursor == "end" {
		return ade.Page{Next: "end"}, nil
	}
	e, _ := lesion()
	return ade.Page{Events: []events.Event{*e}, Next: "end"}, nil
}

func ExampleNewHandler() {
	w, err := ade.NewWriter(ade.Options{Source: "org.example.larkfield", Zones: map[string]string{"larkfield": "Europe/Berlin"}})
	if err != nil {
		fmt.Println(err)
		return
	}
	mux := http.NewServeMux()
	mux.Handle("/ade/", http.StripPrefix("/ade", ade.NewHandler(ade.HandlerOptions{Changes: one{w}, Prefix: "/ade"})))
	answer := httptest.NewRecorder()
	mux.ServeHTTP(answer, httptest.NewRequest(http.MethodGet, "/ade/datasets", nil))
	fmt.Print(answer.Body)
	// Output: [{"name":"herd","url":"/ade/datasets/herd","changes":"/ade/datasets/herd/changes","containedTypes":["icarDiagnosisEventResource"]}]
}
