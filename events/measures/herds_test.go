package measures_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"go/parser"
	"go/token"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
	"dewclaw/events/herd"
	"dewclaw/events/measures"
	"dewclaw/schema/rules"
)

var long = flag.Bool("long", false, "the long forms of property tests and benchmarks")

// A draw makes the events of one random herd over half a year.
type draw struct {
	*rand.Rand
	farm  string
	lines []line
	times map[string]bool
	n     int

	sessions []int
}

func (d *draw) one(of int) bool         { return d.IntN(of) == 0 }
func (d *draw) day(from, to int) string { return dayText(from + d.IntN(to-from)) }
func pick[T any](d *draw, list ...T) T  { return list[d.IntN(len(list))] }
func (d *draw) keep(source, slot string, p events.Payload) events.Entity {
	d.n++
	l := line{d.farm, source, fmt.Sprint(source, d.n), slot, p}
	d.lines = append(d.lines, l)
	return l.entity()
}

// common names a cow on a day; some facts have a time of day, which no other fact
// of that cow or day has: equal times look like a corrected day.
func (d *draw) common(cow int, day string) events.Common {
	c := events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tag(cow)}}, Occurred: events.Occurred{Date: day, Precision: "date"}}
	if d.one(2) {
		for range 50 {
			at := fmt.Sprintf("%02d:%02d", 6+d.IntN(14), d.IntN(60))
			if k, o := fmt.Sprint(cow, at), day+at; !d.times[k] && !d.times[o] {
				d.times[k], d.times[o] = true, true
				c.Occurred.Time, c.Occurred.Offset, c.Occurred.Precision = at, "+00:00", "minute"
				break
			}
		}
	}
	return c
}

var firstDay = dayNumber("2025-01-01")

func farmOf(seed uint64) string { return fmt.Sprint("farm-", seed) }

// drawHerd makes a roster, scores on two scales, trimmings with findings, blocks
// and wraps, and lost claws: some facts after she left or before she came, some
// of cows no roster knows.
func drawHerd(seed uint64) []line {
	d := &draw{Rand: rand.New(rand.NewPCG(seed, 7)), farm: farmOf(seed), times: map[string]bool{}}
	cows := 3 + d.IntN(9)
	for c := range cows {
		if !d.one(8) {
			d.statement(c)
		}
	}
	for day := firstDay + d.IntN(10); day < firstDay+180; day += 7 + d.IntN(25) {
		d.sessions = append(d.sessions, day)
		d.session(cows, dayText(day))
	}
	for c := range cows {
		d.chute(c)
	}
	settings := rules.Defaults()
	for i := range d.lines {
		rules.Apply([]events.Payload{d.lines[i].p}, settings)
	}
	return d.lines
}

func (d *draw) statement(cow int) {
	a := &events.Animal{Common: events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: tag(cow)}}}, Sex: "female"}
	if !d.one(6) {
		a.Calvings = []string{d.day(firstDay-300, firstDay+100)}
		if d.one(3) {
			a.Calvings = append(a.Calvings, d.day(firstDay+100, firstDay+170))
		}
		if d.one(3) {
			a.DriedOff = d.day(firstDay, firstDay+180)
		}
	}
	if d.one(6) {
		a.Entered = d.day(firstDay-100, firstDay+60)
	}
	if d.one(6) {
		a.Left = d.day(firstDay+70, firstDay+180)
	}
	d.keep("roster", "", a)
}

func (d *draw) session(cows int, day string) {
	for c := range cows {
		if d.one(6) {
			continue
		}
		if !d.one(5) {
			d.keep("gait", "", &events.Locomotion{Common: d.common(c, day), Scale: "mob4-uk", Score: events.DecimalOf(int64(pick(d, 0, 0, 1, 1, 2, 2, 3)), 0)})
		}
		if d.one(4) {
			d.keep("parlour", "", &events.Locomotion{Common: d.common(c, day), Scale: "loc5-posture", Score: events.DecimalOf(int64(1+d.IntN(5)), 0)})
		}
	}
}

// chute brings one cow to the chute some times, on days that rise.
func (d *draw) chute(cow int) {
	gone := map[string]bool{}
	worn := map[string]bool{}
	last := firstDay
	for _, s := range d.sessions {
		day := s + d.IntN(20)
		if d.one(2) {
			day = s + d.IntN(4)
		}
		if day > last+6 && !d.one(3) {
			d.exam(cow, day, gone, worn)
			last = day
		}
	}
}

func (d *draw) exam(cow, at int, gone, worn map[string]bool) {
	day := dayText(at)
	e := &events.Examination{Common: d.common(cow, day), Outcome: pick(d, "findings", "findings", "findings", "incomplete", "not-done"), Reasons: []string{pick(d, "routine", "lame", "recheck")}}
	var lesions []*events.Lesion
	for _, foot := range []string{"LH", "RH", "LF"} {
		if e.Outcome == "not-done" || d.one(3) {
			continue
		}
		f := events.FootExam{Foot: foot, Examined: "yes", Result: "clear"}
		for range d.IntN(3) {
			l := &events.Lesion{Foot: foot, Claw: pick(d, "inner", "outer"), Code: pick(d, "U", "SU", "WL", "WLF", "DD", "SH"), Course: pick(d, "", "", "same", "healed")}
			if l.Code == "DD" {
				l.Claw, l.Stage = "none", pick(d, "M0", "M1", "M2", "M4", "M4.1", "")
			}
			same := func(o *events.Lesion) bool { return o.Foot == l.Foot && o.Claw == l.Claw && o.Code == l.Code }
			if gone[foot+l.Claw] || slices.ContainsFunc(lesions, same) {
				continue
			}
			f.Result = "findings"
			lesions = append(lesions, l)
		}
		e.Feet = append(e.Feet, f)
	}
	entity := d.keep("chute", "", e)
	for _, l := range lesions {
		l.Common = e.Common
		l.Examination = entity
		d.keep("chute", "l", l)
	}
	if len(e.Feet) == 0 {
		return
	}
	foot, claw := e.Feet[0].Foot, pick(d, "inner", "outer")
	bare := events.Common{Animal: e.Animal, Occurred: events.Occurred{Date: day, Precision: "date"}}
	for _, k := range []string{"block " + foot + " " + claw, "wrap " + foot + " none"} {
		p := strings.Fields(k)
		switch {
		case worn[k]:
			worn[k] = false
			d.keep("chute", "o", &events.TakenOff{Common: bare, What: p[0], Foot: p[1], Claw: p[2], How: "taken-off"})
		case d.one(4) && !gone[p[1]+p[2]]:
			d.keep("chute", "t", &events.Treatment{Common: bare, What: p[0], Foot: p[1], Claw: p[2]})
			if worn[k] = p[0] == "block" || d.one(4); worn[k] {
				break
			}
			off := bare
			off.Occurred.Date = dayText(at + 1 + d.IntN(4))
			d.keep("chute", "o", &events.TakenOff{Common: off, What: p[0], Foot: p[1], Claw: p[2], How: "taken-off"})
		case d.one(25) && p[0] == "block" && !gone[foot+claw]:
			gone[foot+claw] = true
			d.keep("chute", "c", &events.Claw{Common: bare, Foot: foot, Claw: claw, State: "absent"})
		}
	}
}

// logOf puts lines into a log in an order: any of sources, each in its own, cut
// anywhere.
func logOf(lines []line, r *rand.Rand) *memLog {
	lanes := map[string][]line{}
	for _, l := range lines {
		k := l.farm + " " + l.source
		lanes[k] = append(lanes[k], l)
	}
	var sources []string
	for s := range lanes {
		sources = append(sources, s)
	}
	slices.Sort(sources)
	log := &memLog{}
	for len(sources) > 0 {
		i := r.IntN(len(sources))
		lane := lanes[sources[i]]
		n := 1 + r.IntN(len(lane))
		log.put("2025-07-01", lane[:n])
		if lanes[sources[i]] = lane[n:]; n == len(lane) {
			sources = slices.Delete(sources, i, i+1)
		}
	}
	return log
}

func herdQuestion(seed uint64) measures.Question {
	return measures.Question{Farm: farmOf(seed), From: "2025-02-15", To: "2025-06-15", Least: 3}
}

func everyMeasure() (names []string) {
	for _, m := range measures.All() {
		names = append(names, m.Name)
	}
	return names
}

func reports(t testing.TB, v *herd.View, q measures.Question, names ...string) map[string]*measures.Report {
	t.Helper()
	d, err := measures.Load(t.Context(), v, q, names...)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]*measures.Report{}
	for _, n := range names {
		if out[n], err = measures.Work(d, q, n); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// judged are the measures of which the oracle works out the core figures.
var judged = []string{"lameness", "confirmed", "period", "change", "episodes", "cases", "lesions", "dermatitis", "waiting", "devices", "due", "trend"}

// TestFigures_EqualThoseOfTheOracle holds figures of 1,000 random herds (10,000
// with -long, 100 with -short) to what the oracle counts by brute force.
func TestFigures_EqualThoseOfTheOracle(t *testing.T) {
	n := 1000
	switch {
	case *long:
		n = 10_000
	case testing.Short():
		n = 100
	}
	compared, above := 0, map[string]int{}
	herds := map[uint64][]line{} // some of one log
	var v *herd.View
	for seed := range uint64(n) {
		const aLog = 100
		if seed%aLog == 0 {
			var all []line
			clear(herds)
			for s := range uint64(min(aLog, n-int(seed))) {
				herds[seed+s] = drawHerd(seed + s)
				all = append(all, herds[seed+s]...)
			}
			v = herdOf(t, logOf(all, rand.New(rand.NewPCG(seed, 1))))
		}
		ok := t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			var all []raw
			for _, l := range herds[seed] {
				all = append(all, raw{l.entity(), l.source, l.p})
			}
			q := herdQuestion(seed)
			got := reports(t, v, q, judged...)
			want := work0(all, q.From, q.To, q.Least)
			for key, w := range want {
				name, figure, _ := strings.Cut(key, "/")
				if w.n+w.x+w.days == 0 {
					continue
				}
				f := got[name].Figure(figure)
				if f == nil {
					t.Errorf("%s: no figure, wanted %v", key, w)
					continue
				}
				if g := toldOf(f); g != w {
					t.Errorf("%s: %v, the oracle has %v", key, g, w)
				}
				compared++
				above[name] += min(w.x, 1)
			}
			for name, r := range got {
				for i := range r.Figures {
					f := &r.Figures[i]
					if _, ok := want[name+"/"+f.Key]; !ok && covered(name, f) && (f.N != nil && *f.N > 0) {
						t.Errorf("%s/%s: %v, of which the oracle knows nothing", name, f.Key, toldOf(f))
					}
				}
			}
		})
		if !ok {
			break // one herd is enough to look at
		}
	}
	for _, name := range judged {
		if above[name] < n/10 {
			t.Errorf("%s: only %d figures of %d herds are above zero: the herds try nothing", name, above[name], n)
		}
	}
	t.Logf("%d figures of up to %d herds compared", compared, n)
}

// covered reports whether the oracle must know a figure.
func covered(name string, f *measures.Figure) bool {
	switch name {
	case "lameness":
		return strings.HasPrefix(f.Key, "lame.") || strings.HasPrefix(f.Key, "severe.2")
	case "confirmed", "change", "period":
		return true
	case "due":
		return !strings.HasPrefix(f.Key, "animals.")
	case "lesions":
		return strings.Count(f.Key, ".") == 1
	}
	return false
}

func toldOf(f *measures.Figure) told {
	g := told{x: *f.X}
	if f.N != nil {
		g.n = *f.N
	}
	if f.Time.Told() {
		g.days = int(f.Time)
	}
	if f.Upper.Told() {
		g.unclear = int(math.Round(float64(f.Upper)*float64(g.n)/100)) - g.x
	}
	return g
}

// TestFigures_AreTheSameInAnyOrder: whichever source comes first, however entries
// are cut, every figure is the same to the last event.
func TestFigures_AreTheSameInAnyOrder(t *testing.T) {
	n := 15
	if *long {
		n = 1000
	}
	for seed := range uint64(n) {
		lines := drawHerd(seed)
		var first string
		for order := range uint64(3) {
			rs := reports(t, herdOf(t, logOf(lines, rand.New(rand.NewPCG(seed, order)))), herdQuestion(seed), everyMeasure()...)
			for _, r := range rs {
				r.Position = 0
				for i := range r.Figures {
					id, err := measures.ParseID(r.Figures[i].ID)
					if err != nil {
						t.Fatal(err)
					}
					r.Figures[i].ID = id.Digest
				}
			}
			b, err := json.MarshalIndent(rs, "", " ")
			if err != nil {
				t.Fatal(err)
			}
			if first == "" {
				first = string(b)
			} else if string(b) != first {
				t.Fatalf("seed %d, order %d: other figures:\n%s\nthan in the first order:\n%s", seed, order, b, first)
			}
		}
	}
}

// The oracle proves nothing if it asks what it judges.
func TestOracle_ImportsNothingItJudges(t *testing.T) {
	f, err := parser.ParseFile(token.NewFileSet(), "oracle_test.go", nil, parser.ImportsOnly)
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range f.Imports {
		if p := strings.Trim(i.Path.Value, `"`); strings.HasPrefix(p, "dewclaw/") && p != "dewclaw/events" {
			t.Errorf("the oracle imports %s", p)
		}
	}
	if len(f.Imports) == 0 {
		t.Error("saw no imports")
	}
}
