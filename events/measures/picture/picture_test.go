package picture_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/measures"
	"dewclaw/events/measures/picture"
)

// n makes a pointer to a number.
func n(v int) *int { return &v }

// made is a report of each measure that has a picture, with one figure that says
// more than markup allows.
func made(measure string) *measures.Report {
	nan := measures.Number(0)
	_ = nan.UnmarshalJSON([]byte("null"))
	r := &measures.Report{
		Measure: measure, Title: "Title of " + measure, Position: 412, Of: "cows in milk", Definition: "what <it> means & why",
		Question:   measures.Question{Farm: `oak "&" <ash>`, From: "2025-01-01", To: "2025-12-31"},
		Parameters: []measures.Parameter{{Name: "gap", Value: "42"}}, Unseen: measures.Unseen{Held: 3},
	}
	add := func(key string, v float64, x, of int) *measures.Figure {
		r.Figures = append(r.Figures, measures.Figure{Key: key, Value: measures.Number(v), Upper: nan, Time: nan, X: n(x), N: n(of), Scale: "mob4-uk"})
		return &r.Figures[len(r.Figures)-1]
	}
	switch measure {
	case "zones":
		for zone := range 13 {
			for _, side := range []string{"inner", "outer", "foot"} {
				add(fmt.Sprintf("zone.hind.%s.%d", side, zone), float64(zone), zone, 100)
			}
		}
	case "recurrence", "waiting":
		r.Curves = []measures.NamedCurve{{Name: "<any>", N: 4, Steps: []measures.CurveStep{
			{T: 3, AtRisk: 4, Events: 1, S: 0.75, Low: 0.2, High: 0.95}, {T: 9, AtRisk: 2, Censored: 1, S: 0.75, Low: nan, High: nan},
		}}}
	default:
		for i, day := range []string{"2025-12-01", "2025-03-03", "2025-08-04"} {
			f := add(map[string]string{"confirmed": "confirmed."}[measure]+map[bool]string{true: "lame."}[measure != "confirmed"]+day, float64(10+i), 10+i, 100)
			f.Intervals = []measures.Interval{{Method: measures.Wilson, Low: 5, High: 20}}
			if measure == "trend" {
				f.Limits, f.Out = &measures.Interval{Low: 2, High: 11.5}, i == 2
			}
		}
		add("mean", 11, 33, 300)
		add("lame.2025-12-01.parity-1", 50, 1, 2)
	}
	return r
}

func TestDraw_IsWellFormedAndSaysWhatItIs(t *testing.T) {
	for _, name := range picture.Names() {
		r := made(name)
		b, err := picture.Draw(r)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var texts strings.Builder
		d := xml.NewDecoder(bytes.NewReader(b))
		for {
			tok, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s: not well-formed: %v", name, err)
			}
			if c, ok := tok.(xml.CharData); ok {
				texts.Write(c)
				texts.WriteByte(' ')
			}
		}
		said := strings.Join(strings.Fields(texts.String()), " ")
		for _, want := range []string{r.Title, r.Definition, r.Question.Farm, "2025-01-01 to 2025-12-31", "log position 412", "gap: 42", "3 held records"} {
			if !strings.Contains(said, want) {
				t.Errorf("%s: %q is not in the picture: %s", name, want, said)
			}
		}
		if strings.Contains(string(b), "NaN") || strings.Contains(string(b), "Inf") {
			t.Errorf("%s: a coordinate is no number", name)
		}
		again, _ := picture.Draw(made(name))
		if !bytes.Equal(b, again) {
			t.Errorf("%s: the same report makes other bytes", name)
		}
	}
}

// Hatching, not colour: only black, white and grey of the grid are used.
func TestDraw_UsesNoColour(t *testing.T) {
	for _, name := range picture.Names() {
		b, err := picture.Draw(made(name))
		if err != nil {
			t.Fatal(err)
		}
		for _, attr := range []string{`fill="`, `stroke="`} {
			for _, part := range strings.Split(string(b), attr)[1:] {
				switch v, _, _ := strings.Cut(part, `"`); {
				case v == "black", v == "white", v == "none", v == "#bbb", strings.HasPrefix(v, "url(#"):
				default:
					t.Errorf("%s: %s%s", name, attr, v)
				}
			}
		}
	}
}

func TestDraw_SessionsStandInOrderAndSplitsAreNone(t *testing.T) {
	b, err := picture.Draw(made("lameness"))
	if err != nil {
		t.Fatal(err)
	}
	s := string(b)
	if a, z := strings.Index(s, ">2025-03-03<"), strings.Index(s, ">2025-12-01<"); a < 0 || z < a {
		t.Error("days are missing or not in order")
	}
	if strings.Count(s, "<circle") != 3 {
		t.Errorf("%d points, wanted 3", strings.Count(s, "<circle"))
	}
}

func TestDraw_MarksWhatIsBeyondTheLimits(t *testing.T) {
	b, err := picture.Draw(made("trend"))
	if err != nil || strings.Count(string(b), `<rect x=`) != 1 {
		t.Errorf("%v: %d squares, wanted 1", err, strings.Count(string(b), `<rect x=`))
	}
}

// A line drawn through a suppressed session would tell of it; one of chosen animals is
// in no line.
func TestDraw_NoLineThroughWhatIsSuppressedOrChosen(t *testing.T) {
	lines := func(change func(f *measures.Figure)) int {
		r := made("trend")
		r.Figures = append(r.Figures, r.Figures[1])
		r.Figures[len(r.Figures)-1].Key = "lame.2025-05-05"
		for i := range r.Figures {
			if r.Figures[i].Key == "lame.2025-08-04" {
				change(&r.Figures[i])
			}
		}
		b, err := picture.Draw(r)
		if err != nil {
			t.Fatal(err)
		}
		_, path, _ := strings.Cut(string(b), `<path d="M`)
		for !strings.Contains(strings.SplitN(path, "/>", 2)[0], `stroke-width="1.6"`) {
			if _, path, _ = strings.Cut(path, `<path d="M`); path == "" {
				t.Fatal("no line")
			}
		}
		path, _, _ = strings.Cut(path, `"`)
		return 100*(1+strings.Count(path, "M")) + strings.Count(path, "L")
	}
	if n := lines(func(*measures.Figure) {}); n != 103 {
		t.Errorf("four sessions: %d pieces, wanted one of three legs", n)
	}
	if n := lines(func(f *measures.Figure) { f.Value, f.Suppressed = measures.Number(math.NaN()), true }); n != 201 {
		t.Errorf("suppressed: %d, wanted two pieces with one leg", n)
	}
	if n := lines(func(f *measures.Figure) { f.Partial = true }); n != 102 {
		t.Errorf("chosen animals: %d, wanted one piece of two legs", n)
	}
}

// Nearly all are examined on the first days: there the axis is, with the hours marked.
func TestDraw_WaitsEndWhereNearlyAllWereExamined(t *testing.T) {
	r := made("waiting")
	r.Curves[0].Steps = []measures.CurveStep{{T: 1, AtRisk: 100, Events: 97, S: 0.03, Low: 0.01, High: 0.08}, {T: 350, AtRisk: 3, Events: 3, S: 0}}
	b, err := picture.Draw(r)
	if err != nil || !strings.Contains(string(b), ">48 h<") || !strings.Contains(string(b), "Drawn to day 14; the last animal was watched to day 350.") {
		t.Errorf("%v: %s", err, b)
	}
}

func TestDraw_RefusesWhatHasNoPicture(t *testing.T) {
	for _, r := range []*measures.Report{{Measure: "cases"}, {Measure: "lameness"}, {Measure: "zones"}, {Measure: "waiting"}} {
		if b, err := picture.Draw(r); !errors.Is(err, events.ErrInvalid) || b != nil {
			t.Errorf("%s: %v", r.Measure, err)
		}
	}
}
