package intake_test

import (
	"fmt"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/index"
)

func completeSource(t tb) *intake.Source {
	return source(t, "chute", "larkfield", "t.yaml", []byte(layoutOf(completeGroups)))
}

// cows makes an export of a day: one row a cow, each a lesion SU on RH; "w" behind
// the number is a wrap as well, "o" an order, "x" a row that cannot be read.
func cows(asOf int, list ...string) []byte {
	x := export{asOf: asOf}
	for _, c := range list {
		n := strings.Trim(c, "wox")
		l := line{1, "DE09412007" + n, "2026-03-04", "08:" + n, "RH", "SU", 1, ""}
		if strings.HasSuffix(c, "w") {
			l.wrap = "y"
		}
		if strings.HasSuffix(c, "o") {
			l.wrap = "order"
		}
		if strings.HasSuffix(c, "x") {
			l.foot = "??"
		}
		x.lines = append(x.lines, l)
	}
	return x.bytes(true)
}

// what counts the newest revisions: live, retracted, and those that wait.
func (h *house) what() string {
	h.t.Helper()
	live, gone := 0, 0
	for _, ev := range h.newest() {
		switch {
		case ev.Kind == events.KindDecision:
		case ev.Change == events.Retracted:
			gone++
		default:
			live++
		}
	}
	w, err := h.ix.Waits("")
	if err != nil {
		h.t.Fatal(err)
	}
	return fmt.Sprintf("%d live, %d retracted, %d wait", live, gone, len(w))
}

func TestComplete(t *testing.T) {
	type file struct {
		asOf int
		cows string
		want string // what holds afterwards
	}
	tests := []struct {
		name  string
		files []file
	}{
		{"what vanished is retracted", []file{{60, "31 32 33", "6 live, 0 retracted, 0 wait"}, {61, "31 32", "4 live, 2 retracted, 0 wait"}}},
		{"an export of nothing lists no day", []file{{60, "31 32", "4 live, 0 retracted, 0 wait"}, {61, "", "4 live, 0 retracted, 0 wait"}}},
		{"a wrap never ends by silence", []file{{60, "31 32 33w", "7 live, 0 retracted, 0 wait"}, {61, "31 32", "5 live, 2 retracted, 1 wait"}}},
		{"nor does an order", []file{{60, "31 32 33o", "7 live, 0 retracted, 0 wait"}, {61, "31 32", "5 live, 2 retracted, 1 wait"}}},
		{"and waits no more if it is back", []file{
			{60, "31 32 33w", "7 live, 0 retracted, 0 wait"}, {61, "31 32", "5 live, 2 retracted, 1 wait"}, {62, "31 32 33w", "7 live, 0 retracted, 0 wait"},
		}},
		{"above half of the day a person decides", []file{{60, "31 32 33", "6 live, 0 retracted, 0 wait"}, {61, "31", "6 live, 0 retracted, 4 wait"}}},
		{"half of the day needs none", []file{{60, "31 32", "4 live, 0 retracted, 0 wait"}, {61, "31", "2 live, 2 retracted, 0 wait"}}},
		{"above the brake a person decides", []file{ // the brake of this layout is 6
			{60, "31 32 33 34 35 36 37 38 39 40", "20 live, 0 retracted, 0 wait"}, {61, "31 32 33 34 35 36", "20 live, 0 retracted, 8 wait"},
			{62, "31 32 33 34 35 36", "20 live, 0 retracted, 8 wait"}, // asked once
		}},
		{"at the brake none has to", []file{
			{60, "31 32 33 34 35 36 37 38 39 40", "20 live, 0 retracted, 0 wait"}, {61, "31 32 33 34 35 36 37", "14 live, 6 retracted, 0 wait"},
		}},
		{"a held row of the day keeps everything", []file{{60, "31 32 33", "6 live, 0 retracted, 0 wait"}, {61, "31 32 40x", "6 live, 0 retracted, 0 wait"}}},
		{"an older export retracts nothing", []file{{62, "31 32 33", "6 live, 0 retracted, 0 wait"}, {61, "31 32", "6 live, 0 retracted, 0 wait"}}},
		{"an older export brings what was never there, and it is gone", []file{{62, "31 32 33", "6 live, 0 retracted, 0 wait"}, {61, "31 32 34", "6 live, 2 retracted, 0 wait"}}},
		{"an older export with a wrap asks", []file{{62, "31 32 33", "6 live, 0 retracted, 0 wait"}, {61, "31 32 34w", "7 live, 2 retracted, 1 wait"}}},
		{"if the newer one was not whole it stays", []file{{62, "31 32 33 40x", "6 live, 0 retracted, 0 wait"}, {61, "31 32 34", "8 live, 0 retracted, 0 wait"}}},
		{"what vanished comes back", []file{
			{60, "31 32", "4 live, 0 retracted, 0 wait"}, {61, "31", "2 live, 2 retracted, 0 wait"}, {62, "31 32", "4 live, 0 retracted, 0 wait"},
		}},
		{"an older export revives nothing", []file{
			{60, "31 32", "4 live, 0 retracted, 0 wait"}, {62, "31", "2 live, 2 retracted, 0 wait"}, {61, "31 32", "2 live, 2 retracted, 0 wait"},
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			h := fresh(t)
			src := completeSource(t)
			for i, f := range tt.files {
				h.take(src, fmt.Sprint(i, ".csv"), cows(f.asOf, strings.Fields(f.cows)...))
				if got := h.what(); got != f.want {
					t.Errorf("after file %d (%s): got %s, want %s", i+1, f.cows, got, f.want)
				}
			}
			h.balanced()
		})
	}
}

// A held row without a readable date may be of any day.
func TestComplete_AHeldRowWithoutADateKeepsEveryDay(t *testing.T) {
	h := fresh(t)
	src := completeSource(t)
	h.take(src, "1.csv", cows(60, "31", "32", "33"))
	undated := append(cows(61, "31", "32"), []byte("1,DE0941200799,soon,08:00,RH,SU,1,\n")...)
	r := h.take(src, "2.csv", undated)
	if got, want := h.what(), "6 live, 0 retracted, 0 wait"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if len(r.Complete) != 1 || len(r.Complete[0].Days) != 0 || r.Complete[0].Why == "" {
		t.Errorf("got %+v, want no day and why", r.Complete)
	}
}

// ofFarms makes an export as cows does, whose rows name their farms: "a31" is cow 31
// of larkfield, "b31" one of stony-run, "?31" one of a farm that nobody knows.
func ofFarms(asOf int, list ...string) []byte {
	names := map[byte]string{'a': "Lark", 'b': "Stony", '?': "Elsewhere"}
	var b strings.Builder
	for i, l := range strings.Split(strings.TrimSuffix(string(cows(asOf)), "\n"), "\n") {
		if i == 2 {
			l += ",farm"
		}
		b.WriteString(l + "\n")
	}
	for _, c := range list {
		rows := strings.SplitAfter(string(cows(asOf, c[1:])), "\n")
		b.WriteString(strings.TrimSuffix(rows[3], "\n") + "," + names[c[0]] + "\n")
	}
	return []byte(b.String())
}

// The work of two farms comes in one export or in one of each: what one farm's lacks
// says nothing of the other, neither that it vanished nor that it is old.
func TestComplete_OfSeveralFarms(t *testing.T) {
	type file struct {
		asOf int
		cows string
		want string // what holds afterwards
	}
	layout := strings.Replace(layoutOf(completeGroups), "direction: in\n", "direction: in\nfarm: {from: farm, table: {Lark: larkfield, Stony: stony-run}}\n", 1)
	for _, tt := range []struct {
		name  string
		files []file
	}{
		{"the other farm's export retracts nothing", []file{{60, "a31 a32", "4 live, 0 retracted, 0 wait"}, {61, "b31 b32 b33", "10 live, 0 retracted, 0 wait"}}},
		{"and makes none the older one", []file{{61, "b31 b32 b33", "6 live, 0 retracted, 0 wait"}, {60, "a31", "8 live, 0 retracted, 0 wait"}}},
		{"each farm's own retracts", []file{
			{60, "a31 a32 b31 b32", "8 live, 0 retracted, 0 wait"}, {61, "a31 b31 b32", "6 live, 2 retracted, 0 wait"}, {62, "b32", "4 live, 4 retracted, 0 wait"},
		}},
		{"a wrap of the other farm does not wait", []file{{60, "a31w", "3 live, 0 retracted, 0 wait"}, {61, "b31", "5 live, 0 retracted, 0 wait"}}},
		{"a held row keeps the day of its farm alone", []file{{60, "a31 a32 b31 b32", "8 live, 0 retracted, 0 wait"}, {61, "a31 b31 a40x", "6 live, 2 retracted, 0 wait"}}},
		{"a row of an unknown farm may be of each", []file{{60, "a31 a32 b31 b32", "8 live, 0 retracted, 0 wait"}, {61, "a31 b31 ?40", "8 live, 0 retracted, 0 wait"}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			h := fresh(t)
			src := source(t, "chute", "", "t.yaml", []byte(layout))
			src.Farms = map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}
			for i, f := range tt.files {
				r := h.take(src, fmt.Sprint(i, ".csv"), ofFarms(f.asOf, strings.Fields(f.cows)...))
				if got := h.what(); got != f.want {
					t.Errorf("after file %d (%s): got %s, want %s", i+1, f.cows, got, f.want)
				}
				for _, c := range r.Complete {
					if c.Farm == "" || c.Scope != "barn" {
						t.Errorf("file %d (%s): got %+v, want whose days these are", i+1, f.cows, c)
					}
				}
			}
			h.balanced()
		})
	}
}

// A zone that is put right in the config reads the same rows anew, whichever farm
// it is of.
func TestTake_AnotherZoneReadsRowsAnew(t *testing.T) {
	layout := strings.Replace(layoutOf(rowsOfTheirOwn), "direction: in\n", "direction: in\nfarm: =stony-run\n", 1)
	x := export{}
	for i := range 300 {
		x.lines = append(x.lines, line{i, "DE0941200731", "2026-03-04", "08:12", "RH", "SU", 1, ""})
	}
	h := fresh(t)
	src := source(t, "chute", "", "t.yaml", []byte(layout))
	src.Farms = map[string]string{"larkfield": "Europe/Berlin", "stony-run": "Europe/Berlin"}
	h.take(src, "1.csv", x.bytes(false))
	src = source(t, "chute", "", "t.yaml", []byte(layout))
	src.Farms = map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}
	if r := h.take(src, "2.csv", append(x.bytes(false), '\n')); r.Counts.Amended != 300 {
		t.Errorf("got %s, want 300 amended", r.Counts)
	}
}

// A finding that is another now: in a group the old one vanishes with the day.
func TestComplete_AFindingOfAGroupVanishesAlone(t *testing.T) {
	h := fresh(t)
	src := completeSource(t)
	rows := func(asOf int, lesion string) []byte {
		x := export{asOf: asOf}
		for _, n := range []string{"31", "32", "33"} {
			x.lines = append(x.lines, line{1, "DE09412007" + n, "2026-03-04", "08:00", "RH", "SU", 1, ""})
		}
		x.lines[0].lesion = lesion
		return x.bytes(true)
	}
	h.take(src, "1.csv", rows(60, "SU"))
	r := h.take(src, "2.csv", rows(61, "WLF"))
	if want := (events.Counts{Read: 3, Accepted: 1, Duplicate: 2, Retracted: 1}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	if got, want := h.what(), "6 live, 1 retracted, 0 wait"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	h.balanced()
}

// The rows of one animal stand apart: together they are its record.
func TestComplete_ARecordThatGoesOnFurtherDown(t *testing.T) {
	h := fresh(t)
	src := completeSource(t)
	rows := func(asOf int, feet ...string) []byte {
		x := export{asOf: asOf}
		for _, foot := range feet {
			for _, n := range []string{"31", "32", "33"} {
				x.lines = append(x.lines, line{1, "DE09412007" + n, "2026-03-04", "08:00", foot, "SU", 1, ""})
			}
		}
		return x.bytes(true)
	}
	r := h.take(src, "1.csv", rows(60, "LH", "RH"))
	if want := (events.Counts{Read: 6, Accepted: 3, Amended: 3}); r.Counts != want {
		t.Errorf("got %v, want %v", r.Counts, want)
	}
	for _, ev := range h.newest() {
		if ev.Kind != events.KindExamination {
			continue
		}
		p, err := ev.Payload()
		if err != nil {
			t.Fatal(err)
		}
		if x := p.(*events.Examination); len(x.Feet) != 2 {
			t.Errorf("%s has %d feet, want both", ev.ID(), len(x.Feet))
		}
	}
	// the same rows with other bytes: the first part of each waits for the second
	r = h.take(src, "2.csv", append(rows(61, "LH", "RH"), '\n'))
	if want := (events.Counts{Read: 6, Duplicate: 6}); r.Counts != want {
		t.Errorf("again: got %v, want %v", r.Counts, want)
	}
	h.balanced()
}

// Once a person has settled the held row of a day, the same export makes the day whole.
func TestComplete_ADroppedRowHoldsADayNoMore(t *testing.T) {
	h := fresh(t)
	src := completeSource(t)
	h.take(src, "1.csv", cows(60, "31", "32", "33"))
	body := cows(61, "31", "32", "40x")
	h.take(src, "2.csv", body)
	held, err := h.ix.HeldRecords(index.StillHeld, events.Place{}, 10)
	if err != nil || len(held) != 1 {
		t.Fatalf("got %v, %v, want one held record", held, err)
	}
	s := intake.Settlement{Source: src.ID, Farm: src.Farm, Decision: events.Decision{
		Action: events.ActionDrop, Held: held[0].ID, Who: "a", Why: "no such cow",
	}}
	if _, err := h.in.Settle(t.Context(), s); err != nil {
		t.Fatal(err)
	}
	h.take(src, "3.csv", append(body, '\n'))
	if got, want := h.what(), "4 live, 2 retracted, 0 wait"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	h.balanced()
}
