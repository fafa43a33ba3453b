package herd_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// A step is what one entry adds: lines that belong together.
type step struct {
	cause    events.Cause
	received string
	lines    []about
}

// A world is what all sources of two farms ever say: one lane a source, whose
// order never changes. What a person decides about a source's facts is in the
// lane of that source.
type world struct{ lanes [][]step }

var farms = []string{"larkfield", "stony-run"}

func drawDay(t *rapid.T, label string) string {
	return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, rapid.IntRange(0, 120).Draw(t, label)).Format(time.DateOnly)
}

// drawIDs names a cow of the few there are, in some of her identifiers, now and
// then wrongly.
func drawIDs(t *rapid.T, schemes ...string) (out []events.Identifier) {
	cow := rapid.IntRange(1, 5).Draw(t, "cow")
	for _, s := range schemes {
		n := cow
		if rapid.IntRange(0, 9).Draw(t, "slip") == 0 {
			n = rapid.IntRange(1, 5).Draw(t, "wrong")
		}
		switch s {
		case "ear-tag":
			out = append(out, events.Identifier{Scheme: s, Value: fmt.Sprintf("DE091234567%d", n)})
		case "transponder":
			out = append(out, events.Identifier{Scheme: s, Value: fmt.Sprintf("27600091234567%d", n)})
		case "herd-number":
			out = append(out, events.Identifier{Scheme: s, Value: fmt.Sprintf("100%d", n)})
		case "temporary":
			out = append(out, events.Identifier{Scheme: s, Value: fmt.Sprintf("red %d", n)})
		}
	}
	if len(out) > 1 && rapid.IntRange(0, 4).Draw(t, "fewer") == 0 {
		out = out[:1]
	}
	return out
}

func drawStatement(t *rapid.T) *events.Animal {
	a := &events.Animal{Common: events.Common{Animal: drawIDs(t, "ear-tag", "transponder", "herd-number")}}
	if rapid.Bool().Draw(t, "dated") {
		a.Occurred = events.Occurred{Date: drawDay(t, "as of"), Precision: "date"}
	}
	maybe := func(to *string, label string) {
		if rapid.IntRange(0, 3).Draw(t, label) == 0 {
			*to = drawDay(t, label)
		}
	}
	maybe(&a.Entered, "entered")
	maybe(&a.Left, "left")
	maybe(&a.Born, "born")
	maybe(&a.DriedOff, "dried off")
	if rapid.Bool().Draw(t, "pen") {
		a.Pen = rapid.SampledFrom([]string{"1", "2"}).Draw(t, "which")
		maybe(&a.PenFrom, "since")
	}
	if rapid.Bool().Draw(t, "calved") {
		a.Calvings = []string{drawDay(t, "calving")}
	}
	return a
}

func drawFact(t *rapid.T, schemes ...string) events.Payload {
	c := events.Common{Animal: drawIDs(t, schemes...), Occurred: events.Occurred{Date: drawDay(t, "day"), Precision: "date"}}
	if rapid.Bool().Draw(t, "timed") {
		c.Occurred.Time, c.Occurred.Offset, c.Occurred.Precision = rapid.SampledFrom([]string{"08:00", "08:10", "17:00"}).Draw(t, "time"), "+01:00", "minute"
	}
	foot := rapid.SampledFrom([]string{"LH", "RH"}).Draw(t, "foot")
	claw := rapid.SampledFrom([]string{"inner", "outer", "unknown"}).Draw(t, "claw")
	switch rapid.IntRange(0, 8).Draw(t, "kind") {
	case 0:
		return &events.Examination{Common: c, Outcome: "findings", Feet: []events.FootExam{{Foot: foot, Examined: "yes", Result: rapid.SampledFrom([]string{"clear", "findings"}).Draw(t, "result")}}}
	case 1:
		return &events.Treatment{Common: c, Foot: foot, Claw: claw, What: rapid.SampledFrom([]string{"block", "wrap", "medicine"}).Draw(t, "what")}
	case 2:
		return &events.TakenOff{Common: c, Foot: foot, Claw: claw, What: rapid.SampledFrom([]string{"block", "wrap"}).Draw(t, "what"), How: "taken-off"}
	case 3:
		return &events.Locomotion{Common: c, Scale: "mob4-uk", Score: events.DecimalOf(rapid.Int64Range(0, 3).Draw(t, "score"), 0)}
	}
	switch k := rapid.IntRange(0, 5).Draw(t, "later"); k {
	case 0, 1:
		what := rapid.SampledFrom([]string{"block", "wrap", "wound"}).Draw(t, "what")
		states := map[string][]string{"block": {"on", "rocking", "gone"}, "wrap": {"on", "loose", "gone"}, "wound": {"healing", "not-healing", "healed"}}[what]
		return &events.Check{Common: c, Foot: foot, Claw: claw, What: what, State: rapid.SampledFrom(states).Draw(t, "state")}
	case 2:
		return &events.Claw{Common: c, Foot: foot, Claw: claw, State: rapid.SampledFrom([]string{"absent", "capsule-lost"}).Draw(t, "state"), Cause: "amputated"}
	case 3:
		o := &events.Order{Common: c, Foot: foot, What: rapid.SampledFrom([]string{"leave-wrap", "take-off-block", "recheck", "vet", "lift"}).Draw(t, "what")}
		o.OrderedBy = rapid.SampledFrom([]string{"vet", "farmer"}).Draw(t, "by")
		o.Due, o.Until = drawDay(t, "due"), drawDay(t, "until")
		if rapid.Bool().Draw(t, "cancels") {
			o.Cancels = []string{"wrap-time", "orders"}
		}
		return o
	}
	return &events.Lesion{
		Common: c, Foot: foot, Claw: claw, Code: rapid.SampledFrom([]string{"SU", "U", "WL", "WLF", "DD"}).Draw(t, "code"),
		Zones:  events.Zones{Map: "claw-zones-13", Numbers: []int{rapid.IntRange(3, 4).Draw(t, "zone")}},
		Course: rapid.SampledFrom([]string{"", "", "better", "healed"}).Draw(t, "course"),
	}
}

// drawLane makes the steps of one source. Each record may be said again: amended,
// retracted, recorded again; now and then a person corrects it in between.
func drawLane(t *rapid.T, farm, source string, draw func(*rapid.T) []events.Payload) (steps []step) {
	state := map[string]events.Change{}
	n := rapid.IntRange(0, 14).Draw(t, source)
	received := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for range n {
		received = received.AddDate(0, 0, rapid.IntRange(0, 20).Draw(t, "later"))
		record := rapid.SampledFrom([]string{"a", "b", "c", "d", "e", "f"}).Draw(t, "record")
		all := draw(t)
		for _, p := range all {
			record += string(p.Kind()) // an entity keeps its kind
		}
		change := events.Amended
		switch was := state[record]; {
		case was == "" || was == events.Retracted:
			change = events.Recorded
		case rapid.IntRange(0, 3).Draw(t, "gone") == 0:
			change = events.Retracted
		}
		state[record] = change
		s := step{cause: events.CauseChunk, received: received.Format(time.DateOnly)}
		for _, p := range all {
			s.lines = append(s.lines, about{line: line{farm: farm, source: source, record: record, change: change, payload: p}})
		}
		if change == events.Amended && all[0].Kind() != events.KindAnimal && rapid.IntRange(0, 2).Draw(t, "by a person") == 0 {
			s = byPerson(s, fmt.Sprint(source, len(steps)))
		}
		steps = append(steps, s)
	}
	return steps
}

// byPerson makes a step of a source one that a person made.
func byPerson(s step, record string) step {
	d := &events.Decision{Action: events.ActionChange}
	out := step{cause: events.CauseDecision, received: s.received, lines: []about{{line: line{farm: s.lines[0].farm, record: record, payload: d}}}}
	for _, l := range s.lines {
		target := l.line
		d.Targets = append(d.Targets, target.entity())
		l.source, l.target = "", &target
		out.lines = append(out.lines, l)
	}
	return out
}

// drawExamination makes a record of an examination with a lesion, on few days
// and at few moments, so that two cows meet on one chute.
func drawExamination(t *rapid.T) []events.Payload {
	c := events.Common{Animal: drawIDs(t, "ear-tag")}
	c.Occurred = events.Occurred{
		Date: rapid.SampledFrom([]string{"2026-01-02", "2026-02-01", "2026-02-02"}).Draw(t, "day"), Precision: "minute",
		Time: rapid.SampledFrom([]string{"08:00", "08:10"}).Draw(t, "time"), Offset: "+01:00",
	}
	foot := rapid.SampledFrom([]string{"LH", "RH"}).Draw(t, "foot")
	return []events.Payload{
		&events.Examination{Common: c, Outcome: "findings"},
		&events.Lesion{Common: c, Foot: foot, Claw: "outer", Code: "SU", Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4}}},
	}
}

func drawWorld(t *rapid.T) *world {
	w := &world{}
	for _, farm := range farms[:rapid.IntRange(1, 2).Draw(t, "farms")] {
		add := func(source string, draw func(*rapid.T) []events.Payload) {
			w.lanes = append(w.lanes, drawLane(t, farm, source, draw))
		}
		statement := func(t *rapid.T) []events.Payload { return []events.Payload{drawStatement(t)} }
		add("roster", statement)
		add("parlour", statement)
		fact := func(schemes ...string) func(t *rapid.T) []events.Payload {
			return func(t *rapid.T) []events.Payload { return []events.Payload{drawFact(t, schemes...)} }
		}
		add("chute", drawExamination)
		add("trimmer", fact("ear-tag"))
		add("vet", fact("transponder", "herd-number"))
		add("gait", fact("herd-number", "temporary"))
		var decisions []step
		for i := range rapid.IntRange(0, 3).Draw(t, "decisions") {
			d := &events.Decision{Action: rapid.SampledFrom([]string{events.ActionSame, events.ActionNotSame}).Draw(t, "action")}
			d.Animal, d.Other = drawIDs(t, "transponder"), drawIDs(t, "ear-tag")
			l := line{farm: farm, record: fmt.Sprint("identity", i), payload: d}
			decisions = append(decisions, step{events.CauseDecision, fmt.Sprintf("2026-03-%02d", i+1), []about{{line: l}}})
		}
		w.lanes = append(w.lanes, decisions)
	}
	return w
}

// write puts the lanes into a log in an order drawn from t (one after the other
// if t is nil), neighbours of a lane in one entry now and then.
func (w *world) write(t *rapid.T, log *memLog) {
	lanes := slices.Clone(w.lanes)
	out := newWriter(log)
	for {
		lanes = slices.DeleteFunc(lanes, func(l []step) bool { return len(l) == 0 })
		if len(lanes) == 0 {
			return
		}
		i, n := 0, 1
		if t != nil {
			i, n = rapid.IntRange(0, len(lanes)-1).Draw(t, "lane"), rapid.IntRange(1, 4).Draw(t, "chunk")
		}
		s := lanes[i][0]
		lanes[i] = lanes[i][1:]
		for ; n > 1 && len(lanes[i]) > 0 && s.cause == events.CauseChunk && lanes[i][0].cause == s.cause && lanes[i][0].received == s.received; n-- {
			s.lines = append(slices.Clone(s.lines), lanes[i][0].lines...)
			lanes[i] = lanes[i][1:]
		}
		out.entry(s.cause, s.received, s.lines...)
	}
}

// Whatever the order in which sources arrive, however entries are cut, and
// whether the herd follows or is built anew: it is the same herd.
func TestHerd_IsTheSameInAnyOrder(t *testing.T) {
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		w := drawWorld(rt)
		n++
		path := filepath.Join(dir, fmt.Sprint(n))
		if err := os.Mkdir(path, 0o700); err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(path)
		straight, mixed := newMemLog("straight"), newMemLog("mixed")
		w.write(nil, straight)
		w.write(rt, mixed)

		want := whole(t, filepath.Join(path, "straight"), straight)

		growing := &memLog{id: "mixed", grown: make(chan struct{})}
		h, err := herd.Open(t.Context(), herd.Options{Path: filepath.Join(path, "growing"), Log: growing})
		if err != nil {
			t.Fatal(err)
		}
		defer h.Close()
		for len(growing.entries) < len(mixed.entries) {
			k := min(rapid.IntRange(1, 6).Draw(rt, "follow"), len(mixed.entries)-len(growing.entries))
			growing.entries = mixed.entries[:len(growing.entries)+k]
			if err := h.CatchUp(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		v := view(t, h)
		resolved(rt, h, v)
		looked(rt, v)
		if got := dump(t, v); got != want {
			rt.Fatalf("followed in another order:\n%s", difference(got, want))
		}
		if got := whole(t, filepath.Join(path, "anew"), mixed); got != want {
			rt.Fatalf("built anew from another order:\n%s", difference(got, want))
		}
	})
}

// resolved fails unless asking what a fact's identifiers mean gives the animal
// of the fact.
func resolved(t *rapid.T, h *herd.Herd, v *herd.View) {
	for _, farm := range farms {
		facts, err := v.Facts(context.Background(), herd.FactQuery{Farm: farm})
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range facts {
			r, err := h.Resolve(context.Background(), farm, f.As, f.Day)
			if err != nil {
				t.Fatal(err)
			}
			if f.Known != (r.State == herd.Known) || f.Known && r.Animal != f.Animal {
				t.Fatalf("%v on %s: resolved to %+v, and the fact is of %s", f.As, f.Day, r, f.Animal)
			}
		}
	}
}

// looked fails unless the glances are the looks that the facts of some days tell of.
func looked(t *rapid.T, v *herd.View) {
	from, to := drawDay(t, "from"), drawDay(t, "to")
	for _, farm := range farms {
		facts, err := v.Facts(context.Background(), herd.FactQuery{Farm: farm, From: min(from, to), To: max(from, to)})
		if err != nil {
			t.Fatal(err)
		}
		var want []herd.Glance
		for _, f := range facts {
			g := herd.Glance{Event: f.Entity, Animal: f.Animal, Day: f.Day}
			switch p := f.Payload.(type) {
			case *events.Examination:
				for _, x := range p.Feet {
					if x.Examined == "yes" {
						g.Feet = append(g.Feet, x.Foot)
					}
				}
				g.Whole = herd.LooksAtAnimal(p)
				if p.Outcome == "not-done" {
					continue
				}
			case *events.Lesion:
				g.Feet = []string{p.Foot}
			case *events.Treatment:
				if g.Feet = []string{p.Foot}; !slices.Contains([]string{"block", "block-thin-sole", "corrective-trim"}, p.What) && p.Role != "vet" && p.Role != "trimmer" {
					continue
				}
			case *events.Check:
				if g.Feet = []string{p.Foot}; p.What != "wound" && p.Role != "vet" {
					continue
				}
			case *events.TakenOff:
				if g.Feet = []string{p.Foot}; p.Role != "vet" {
					continue
				}
			default:
				continue
			}
			if len(f.Doubts) == 0 {
				want = append(want, g)
			}
		}
		got, err := v.Glances(context.Background(), farm, min(from, to), max(from, to))
		if err != nil || !slices.EqualFunc(got, want, func(a, b herd.Glance) bool { return reflect.DeepEqual(a, b) }) {
			t.Fatalf("%v: looks of %s from %s to %s:\ngot  %+v\nwant %+v", err, farm, min(from, to), max(from, to), got, want)
		}
	}
}

// whole returns the dump of a herd that is built at once and closed again.
func whole(t *testing.T, path string, log herd.Log) string {
	h, err := herd.Open(t.Context(), herd.Options{Path: path, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	defer h.Close()
	if err := h.CatchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	v, err := h.View(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer v.Close()
	return dump(t, v)
}

// difference returns the first lines in which two dumps differ.
func difference(got, want string) string {
	a, b := strings.Split(got, "\n"), strings.Split(want, "\n")
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return fmt.Sprintf("line %d\ngot\n%s\nwant\n%s", i, strings.Join(a[max(0, i-8):min(len(a), i+12)], "\n"), strings.Join(b[max(0, i-8):min(len(b), i+12)], "\n"))
		}
	}
	return fmt.Sprintf("%d and %d lines", len(a), len(b))
}
