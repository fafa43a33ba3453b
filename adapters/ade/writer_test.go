package ade

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
	"dewclaw/schema"
	"dewclaw/schema/codes"
	"dewclaw/schema/rules"
)

var recorded = time.Date(2026, 3, 2, 9, 30, 0, 250e6, time.UTC)

func writer(t testing.TB, change func(*Options)) *Writer {
	t.Helper()
	o := Options{Source: "org.example.larkfield", Zones: map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}}
	if change != nil {
		change(&o)
	}
	w, err := NewWriter(o)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

const entity events.Entity = "a0hq67vcq0209f3sm9la0vn1a72k0"

func event(t testing.TB, p events.Payload) *events.Event {
	t.Helper()
	var enc events.Encoder
	data, _ := enc.Append(nil, p)
	return &events.Event{
		Kind: p.Kind(), Entity: entity, Revision: 1, Change: events.Recorded, Farm: "larkfield", Source: "chute", Recorded: recorded, Data: data,
	}
}

// base is what every event of the tests has.
func base() events.Common {
	return events.Common{
		Animal:   []events.Identifier{{Scheme: "ear-tag", Value: "DE 03 123 12345"}},
		Derived:  events.Derived{Animal: []events.Identifier{{Scheme: "ear-tag", Value: "DE0312312345"}}},
		Occurred: events.Occurred{Date: "2026-03-02", Time: "08:15", Offset: "+01:00", Zone: "Europe/Berlin", Precision: "minute"},
	}
}

func decode(t testing.TB, b []byte) map[string]any {
	t.Helper()
	var v map[string]any
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatalf("%s: %v", b, err)
	}
	return v
}

// Outside check: every finding at every place is valid by ADE's schemas, with
// legs by those of 2024, with toes by those with the positions of 2026.
func TestWriter_EveryLesionAtEveryPlaceIsValid(t *testing.T) {
	legs, toes := newJudge(t, false), newJudge(t, true)
	w, wt := writer(t, nil), writer(t, func(o *Options) { o.Toes = true })
	claws, step := append([]string{""}, codes.Find("claws").Codes()...), 1
	if testing.Short() {
		step = 12 // the first and the last zone
	}
	for _, code := range codes.Find("lesions").Codes() {
		for _, foot := range codes.Find("feet").Codes() {
			for _, claw := range claws {
				for zone := 0; zone < 13; zone += step {
					p := &events.Lesion{Common: base(), Code: code, Foot: foot, Claw: claw, Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{zone}}}
					legs.writes(w, p)
					if b := toes.writes(wt, p); bytes.Contains(b, []byte("Toe")) != (claw == "inner" || claw == "outer") {
						t.Fatalf("claw %q: %s", claw, b)
					}
				}
			}
		}
	}
	want := len(codes.Find("lesions").Codes()) * 4 * len(claws) * (12/step + 1)
	if legs.seen[Diagnosis] != want || toes.seen[Diagnosis] != want {
		t.Errorf("saw %v and %v, wanted %d", legs.seen, toes.seen, want)
	}
}

// Outside check: positions of 2026 are no positions by the schemas of 2024, so
// the test above could fail.
func TestWriter_ToesAreNoPositionsOf2024(t *testing.T) {
	j := newJudge(t, false)
	p := &events.Lesion{Common: base(), Code: "SU", Foot: "RH", Claw: "outer"}
	b, err := writer(t, func(o *Options) { o.Toes = true }).Append(nil, event(t, p), p)
	if err != nil {
		t.Fatal(err)
	}
	if j.resource(b) == nil {
		t.Errorf("valid: %s", b)
	}
	bare := bytes.Replace(b, []byte(`[{"position":"OuterToeRearRight"}]`), []byte(`["LegsRearRight"]`), 1)
	if bytes.Equal(bare, b) || j.resource(bare) == nil {
		t.Errorf("a position that is a text is valid: %s", bare)
	}
	if j.resource(bytes.Replace(b, []byte(`"animal"`), []byte(`"cow"`), 1)) == nil {
		t.Error("an event without an animal is valid")
	}
}

// Outside check: everything else a finding, a treatment, a score or a group can
// say, member by member.
func TestWriter_EveryCodeIsValid(t *testing.T) {
	j := newJudge(t, false)
	w := writer(t, nil)
	for _, s := range codes.SeverityScales().All() {
		for _, point := range s.Points {
			p := &events.Lesion{Common: base(), Code: "SU", Foot: "RH", Severity: events.Severity{Scale: s.Code, Value: point}}
			d := decode(t, j.writes(w, p))["diagnoses"].([]any)[0].(map[string]any)
			if (d["severity"] == nil) == (d["severityScore"] == nil) {
				t.Errorf("%s %s: %v", s.Code, point, d)
			}
		}
	}
	for _, stage := range codes.Find("dd-stages").Codes() {
		j.writes(w, &events.Lesion{Common: base(), Code: "DD", Foot: "RH", Stage: stage})
	}
	for _, sign := range codes.Find("signs").Codes() {
		for _, course := range codes.Find("courses").Codes() {
			j.writes(w, &events.Lesion{
				Common: base(), Code: "OTHER", Description: "glass in the sole", Foot: "LF", Course: course, Signs: []events.Sign{{Sign: sign, Detail: "to the fetlock"}},
				SizeMM: decimal(t, "12.5"), DDAssociated: true,
			})
		}
	}
	for _, what := range codes.Find("treatments").Codes() {
		for _, milk := range append([]string{""}, codes.Find("withdrawals").Codes()...) {
			for _, meat := range append([]string{""}, codes.Find("withdrawals").Codes()...) {
				m := events.Medicine{Name: "as entered", Batch: "7", Days: "3", Quantity: "20 mL", Route: "im", OrderedBy: "vet"}
				m.Milk, m.Meat = withdrawn(milk, "2026-03-09"), withdrawn(meat, "2026-03-20T08:00:00+01:00")
				p := &events.Treatment{Common: base(), What: what, Foot: "RH", Claw: "inner", Medicine: m, PlannedOff: "2026-04-01"}
				p.Device = events.Device{HeightMM: decimal(t, "25"), Material: "wood", Purpose: "relief"}
				j.writes(w, p)
				p.Medicine = events.Medicine{}
				j.writes(w, p)
			}
		}
	}
	for _, what := range codes.Find("devices").Codes() {
		j.writes(w, &events.TakenOff{Common: base(), What: what, Foot: "RH", Claw: "inner", How: "taken-off"})
	}
	for _, what := range codes.Find("group-works").Codes() {
		n := 87
		j.writes(w, &events.Group{Common: events.Common{Occurred: base().Occurred}, What: what, Pens: []string{"2", "3"}, Passed: &n, Product: "a product", Concentration: "5 %"})
		j.writes(w, &events.Group{Common: events.Common{Occurred: base().Occurred}, What: what})
	}
	for _, outcome := range codes.Find("outcomes").Codes() {
		for _, reason := range codes.Find("reasons").Codes() {
			j.writes(w, &events.Examination{
				Common: base(), Outcome: outcome, Reasons: []string{reason},
				Feet: []events.FootExam{{Examined: "yes", Foot: "LF", Trimmed: "preventive"}, {Examined: "yes", Foot: "RH", Trimmed: "none"}},
			})
		}
	}
	for _, kind := range []string{Diagnosis, Treatment, GroupTreatment} {
		if j.seen[kind] == 0 {
			t.Errorf("no %s was written", kind)
		}
	}
}

// Outside check: a score of every scale is an attention event if it is lame by
// the scale's own cut, and nothing else.
func TestWriter_EveryLameScoreIsValid(t *testing.T) {
	j := newJudge(t, false)
	w := writer(t, nil)
	lame, sound := 0, 0
	for _, s := range codes.Find("locomotion").Codes() {
		for n := range 20 {
			p := &events.Locomotion{Common: base(), Scale: s, Score: decimal(t, half(n))}
			rules.Apply([]events.Payload{p}, rules.Defaults())
			if len(schema.Check(events.KindLocomotion, event(t, p).Data)) > 0 {
				continue // no value of this scale
			}
			b := j.writes(w, p)
			if (b != nil) != (p.Derived.Lame == "yes") {
				t.Errorf("%s %s: lame %q, written %s", s, p.Score, p.Derived.Lame, b)
			}
			if b != nil {
				lame++
				if text := decode(t, b)["remark"].(string); !strings.Contains(text, s) {
					t.Errorf("the scale is not named: %s", text)
				}
			} else {
				sound++
			}
		}
	}
	if lame < 10 || sound < 10 {
		t.Errorf("%d lame and %d sound scores were tried", lame, sound)
	}
}

func half(n int) string {
	return strings.TrimSuffix(decimalText(n/2)+map[int]string{0: ".0", 1: ".5"}[n%2], ".0")
}

func decimalText(n int) string { b, _ := json.Marshal(n); return string(b) }

func decimal(t testing.TB, s string) events.Decimal {
	t.Helper()
	d, err := events.ParseDecimal(s)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func withdrawn(state, until string) events.Withdrawal {
	if state != "until" {
		until = ""
	}
	return events.Withdrawal{State: state, Until: until}
}

// Outside check: the events of the samples are valid as resources, and as what
// is deleted; and the member dewclaw has the whole of the event.
func TestWriter_TheSamplesAreValid(t *testing.T) {
	files, err := filepath.Glob("../../testdata/samples/*.golden.ndjson")
	if err != nil || len(files) == 0 {
		t.Fatalf("saw %d files, %v", len(files), err)
	}
	j := newJudge(t, false)
	w := writer(t, nil)
	n, kinds := 0, map[events.Kind]int{}
	for _, name := range files {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for lines := bufio.NewScanner(f); lines.Scan(); {
			var l struct {
				Type string
				Data json.RawMessage
			}
			if err := json.Unmarshal(lines.Bytes(), &l); err != nil {
				t.Fatal(err)
			}
			kind := events.Kind(strings.TrimSuffix(strings.TrimPrefix(l.Type, "dewclaw."), ".v1"))
			p, err := events.DecodePayload(kind, l.Data)
			if err != nil {
				t.Fatal(err)
			}
			rules.Apply([]events.Payload{p}, rules.Defaults())
			if !slices.Contains(Kinds(), kind) || !w.Carries(kind, p) {
				continue
			}
			e := event(t, p)
			for _, e.Change = range []events.Change{events.Recorded, events.Retracted} {
				b, err := w.Append(nil, e, p)
				if errors.Is(err, events.ErrInvalid) {
					continue // an animal without a name the recipient could know
				}
				if err != nil {
					t.Fatal(err)
				}
				if err := j.resource(b); err != nil {
					t.Fatalf("%s\n%#v", b, err)
				}
				var r struct {
					Meta    struct{ IsDeleted bool }
					Dewclaw struct{ Data json.RawMessage }
				}
				if err := json.Unmarshal(b, &r); err != nil {
					t.Fatal(err)
				}
				if r.Meta.IsDeleted != (e.Change == events.Retracted) {
					t.Errorf("%s is deleted: %v", e.Change, r.Meta.IsDeleted)
				}
				if !bytes.Equal(r.Dewclaw.Data, e.Data) {
					t.Errorf("member dewclaw has %s, want %s", r.Dewclaw.Data, e.Data)
				}
				kinds[kind]++
				n++
			}
		}
	}
	if n < 20 || len(kinds) < 4 {
		t.Errorf("%d resources were checked: %v", n, kinds)
	}
}
