package measures_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures"
)

// What a small herd is made of by hand. Every value expected of it in the tests
// is counted by hand from these lines.

func cow(n int, change func(*herd.Animal)) herd.Animal {
	a := herd.Animal{ID: fmt.Sprint("c", n), Farm: "oak", Known: true, Calvings: []string{"2025-01-10"}, Statements: []events.Entity{events.Entity(fmt.Sprint("stat.", n))}}
	if change != nil {
		change(&a)
	}
	return a
}

func cows(n int) (out []herd.Animal) {
	for i := range n {
		out = append(out, cow(i+1, nil))
	}
	return out
}

// scored makes one score of cow n on a day on the scale of 0 to 3; +b is with a
// block on.
func scored(n int, day string, points string) herd.Score {
	points, worn := strings.CutSuffix(points, "+b")
	v, err := events.ParseDecimal(points)
	if err != nil {
		panic(err)
	}
	s := herd.Score{Scale: "mob4-uk", Value: v, Lame: "no", Severe: "no", Native: "no"}
	if points >= "2" {
		s.Lame = "yes"
	}
	if points == "3" {
		s.Severe, s.Native = "yes", "yes"
	}
	if worn {
		s.On = []string{"block"}
	}
	s.Fact = herd.Fact{
		Entity: events.Entity(fmt.Sprintf("score.%d.%s", n, day)), Day: day, Animal: fmt.Sprint("c", n), Known: true,
		Payload: &events.Locomotion{Scale: "mob4-uk", Score: v},
	}
	return s
}

// session scores cows 1, 2, … in one line: one word a cow, "-" for none.
func session(day, line string) (out []herd.Score) {
	for i, p := range strings.Fields(line) {
		if p != "-" {
			out = append(out, scored(i+1, day, p))
		}
	}
	return out
}

func question() measures.Question {
	return measures.Question{Farm: "oak", From: "2025-03-01", To: "2025-04-30"}
}

func work(t testing.TB, d *measures.Data, q measures.Question, name string) *measures.Report {
	t.Helper()
	d.Farm, d.Position = q.Farm, 7
	if d.Gap == 0 {
		d.Gap = 42
	}
	r, err := measures.Work(d, q, name)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// wants holds figures to "value x/n": the value to 4 digits, "-" if none.
func wants(t *testing.T, r *measures.Report, want map[string]string) {
	t.Helper()
	for key, w := range want {
		f := r.Figure(key)
		if f == nil {
			t.Errorf("%s: no figure %s; there are %v", r.Measure, key, keys(r))
			continue
		}
		if got := says(f); got != w {
			t.Errorf("%s: %s is %q, wanted %q", r.Measure, key, got, w)
		}
	}
}

func says(f *measures.Figure) string {
	s := "-"
	if f.Value.Told() {
		s = fmt.Sprintf("%.4g", float64(f.Value))
	}
	if f.Upper.Told() {
		s += fmt.Sprintf("..%.4g", float64(f.Upper))
	}
	if f.X != nil {
		s += fmt.Sprint(" ", *f.X)
	}
	if f.N != nil {
		s += fmt.Sprint("/", *f.N)
	}
	if f.Time.Told() {
		s += fmt.Sprint(" in ", float64(f.Time))
	}
	return s
}

func keys(r *measures.Report) (out []string) {
	for i := range r.Figures {
		out = append(out, r.Figures[i].Key)
	}
	return out
}

func leftOut(r *measures.Report, why string) (n int) {
	for _, l := range r.LeftOut {
		if strings.Contains(l.Why, why) {
			n += l.N
		}
	}
	return n
}

func near(a measures.Number, b, tolerance float64) bool { return math.Abs(float64(a)-b) < tolerance }
