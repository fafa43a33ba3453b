package intake_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"

	"pgregory.net/rapid"
)

// The layouts the properties run over: every row a record of its own key, every
// row a record of animal and time, rows in groups, and a complete source.
const (
	rowsOfTheirOwn = `
record: {key: no}
`
	rowsByAnimal = `
record: {identifier: [ear-tag]}
`
	groups = `
record: {identifier: [ear-tag], group: [tag, date, time]}
`
	completeGroups = `
complete:
  by: day
  scope: {title: 1}
  as-of: {title: 2, layout: "YYYY-MM-DD HH:mm"}
  brake: 6
record: {identifier: [ear-tag], group: [tag, date, time]}
`
	layoutHead = `
mapping: t
direction: in
dates: YYYY-MM-DD
times: HH:mm
animal: {ear-tag: tag}
occurred: {date: date, time: time}
row: {foot: {from: foot, table: {LH: LH, RH: RH}}, claw: =outer}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
  - lesion: {code: {from: lesion, table: {SU: SU, WLF: WLF}}, severity: {from: sev, scale: grade-3}}
  - if: {wrap: [y]}
    treatment: {what: =wrap, claw: =none}
  - if: {wrap: [order]}
    order: {what: =recheck}
`
)

func layoutOf(kind string) string {
	titles := ""
	if kind == completeGroups {
		titles = ", titles: 2"
	}
	return layoutHead + "read: {format: csv" + titles + "}\n" + kind
}

// A line is one row of a file.
type line struct {
	no                           int
	tag, day, time, foot, lesion string
	sev                          int
	wrap                         string
}

func (l line) String() string {
	return fmt.Sprintf("%d,%s,%s,%s,%s,%s,%d,%s", l.no, l.tag, l.day, l.time, l.foot, l.lesion, l.sev, l.wrap)
}

// An export is one file.
type export struct {
	asOf  int // minutes after midnight of 2026-03-20
	lines []line
}

func (x export) bytes(complete bool) []byte {
	var b strings.Builder
	if complete {
		fmt.Fprintf(&b, "barn\n2026-03-20 %02d:%02d\n", x.asOf/60, x.asOf%60)
	}
	b.WriteString("no,tag,date,time,foot,lesion,sev,wrap\n")
	for _, l := range x.lines {
		b.WriteString(l.String() + "\n")
	}
	return []byte(b.String())
}

// drawLine draws a row; few animals, days and values, so that rows meet again.
// About one in twelve is rotten.
func drawLine(t *rapid.T) line {
	l := line{
		no:  rapid.IntRange(1, 9).Draw(t, "no"),
		tag: rapid.SampledFrom([]string{"DE0941200731", "DE0941200744", "DE0941200758"}).Draw(t, "tag"),
		day: rapid.SampledFrom([]string{"2026-03-04", "2026-03-05"}).Draw(t, "day"), time: "08:12",
		foot:   rapid.SampledFrom([]string{"LH", "RH"}).Draw(t, "foot"),
		lesion: rapid.SampledFrom([]string{"", "SU", "WLF"}).Draw(t, "lesion"),
		sev:    rapid.IntRange(1, 3).Draw(t, "sev"),
		wrap:   rapid.SampledFrom([]string{"", "", "", "y"}).Draw(t, "wrap"),
	}
	if rapid.IntRange(0, 11).Draw(t, "rotten") == 0 {
		l.foot = rapid.SampledFrom([]string{"XX", "YY"}).Draw(t, "bad foot")
	}
	return l
}

// drawExports draws files of one source, each as of a minute later: a file is
// what the one before had, with rows left out, changed and added.
func drawExports(t *rapid.T) []export {
	var out []export
	var lines []line
	for i := range rapid.IntRange(1, 4).Draw(t, "files") {
		var next []line
		for _, l := range lines {
			switch rapid.IntRange(0, 5).Draw(t, "row") {
			case 0: // left out
			case 1:
				l.sev = rapid.IntRange(1, 3).Draw(t, "sev")
				next = append(next, l)
			default:
				next = append(next, l)
			}
		}
		for range rapid.IntRange(0, 5).Draw(t, "new rows") {
			next = append(next, drawLine(t))
		}
		if rapid.IntRange(0, 3).Draw(t, "order") == 0 {
			next = rapid.Permutation(next).Draw(t, "permuted")
		}
		lines = next
		out = append(out, export{asOf: 60 + i, lines: slices.Clone(lines)})
	}
	return out
}

// story is what a log says, without what depends on how it was cut into entries.
func story(t tb, log *memoryLog) string {
	t.Helper()
	var b strings.Builder
	for ev := range slices.Values(eventsOf(t, log, 1)) {
		fmt.Fprintf(&b, "%s %s %s %v\n", ev.Kind, ev.ID(), ev.Change, events.StoredDigest(ev.Data))
	}
	held, waits := []string{}, []string{}
	var counts events.Counts
	for e, err := range log.Read(context.Background(), 1) {
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range e.Held {
			held = append(held, h.ID)
		}
		for _, w := range e.Waits {
			waits = append(waits, string(w.Entity))
		}
		counts = counts.Add(e.Counts)
	}
	fmt.Fprintf(&b, "held %v\nwaits %v\n%v\n", held, waits, counts)
	return b.String()
}

var kinds = map[string]string{"own key": rowsOfTheirOwn, "rows": rowsByAnimal, "groups": groups, "complete": completeGroups}

// scratchDir returns a folder for one check, in memory where there is a file
// system for that: nothing in it has to survive.
func scratchDir(t *rapid.T) string {
	base := "/dev/shm"
	if info, err := os.Stat(base); err != nil || !info.IsDir() {
		base = ""
	}
	dir, err := os.MkdirTemp(base, "intake")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// Any chunking of the files gives the same events, ids and outcomes in the same
// order, and the books balance whatever the chunking.
func TestTake_ChunkingChangesNothing(t *testing.T) {
	for name, kind := range kinds {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				exports := drawExports(t)
				src := source(t, "s", "larkfield", "t.yaml", []byte(layoutOf(kind)))
				stories := map[string]string{}
				for _, sizes := range []intake.Sizes{
					{}, {Rows: 1, Records: 1, Read: 1}, {Rows: rapid.IntRange(1, 4).Draw(t, "rows"), Records: rapid.IntRange(1, 4).Draw(t, "records"), Read: rapid.IntRange(1, 9).Draw(t, "read")},
				} {
					h := newSizedHouse(t, scratchDir(t), &memoryLog{id: "log"}, sizes)
					for i, x := range exports {
						h.take(src, fmt.Sprintf("%d.csv", i), x.bytes(kind == completeGroups))
					}
					stories[story(t, h.log)] = fmt.Sprint(sizes)
					if r := h.verify(); len(r.Differences) > 0 {
						t.Fatalf("sizes %v: %+v\n%s\n%v", sizes, r.Differences, dump(t, h.log), exports)
					}
					h.close()
				}
				if len(stories) > 1 {
					for s, sizes := range stories {
						t.Logf("sizes %s:\n%s", sizes, s)
					}
					t.Fatal("the stories differ")
				}
			})
		})
	}
}

// A crash behind any entry, followed by Finish and the files once more, gives the
// same events as no crash.
func TestTake_ACrashChangesNothing(t *testing.T) {
	for name, kind := range kinds {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				exports := drawExports(t)
				src := source(t, "s", "larkfield", "t.yaml", []byte(layoutOf(kind)))
				sizes := intake.Sizes{Rows: rapid.IntRange(1, 3).Draw(t, "rows"), Records: rapid.IntRange(1, 3).Draw(t, "records"), Read: rapid.IntRange(1, 5).Draw(t, "read")}
				dir := scratchDir(t)
				h := newSizedHouse(t, dir, &memoryLog{id: "log"}, sizes)
				all := func(h *house) {
					for i, x := range exports {
						h.take(src, fmt.Sprintf("%d.csv", i), x.bytes(kind == completeGroups))
					}
				}
				all(h)
				h.close()
				want := story(t, h.log)
				last, _ := h.log.Last()
				at := events.Position(rapid.IntRange(0, int(last)).Draw(t, "crash behind"))
				crashed := h.log.cut(at)
				again := newSizedHouse(t, dir, crashed, sizes) // its index is ahead of the log and is built anew
				if rapid.Bool().Draw(t, "finish") {
					if _, err := again.in.Finish(context.Background(), src); err != nil {
						t.Fatal(err)
					}
				}
				all(again)
				if r := again.verify(); len(r.Differences) > 0 {
					t.Fatalf("crash behind %d: %+v\n%s\nundisturbed:\n%s", at, r.Differences, dump(t, crashed), dump(t, h.log))
				}
				again.close()
				if got := story(t, crashed); got != want {
					t.Fatalf("after a crash behind entry %d of %d:\n%s\nwant:\n%s", at, last, got, want)
				}
			})
		})
	}
}

// Exports of a complete source that say as of when they speak can be read in any
// order: what is live in the end is the same.
func TestTake_AnyOrderOfExportsGivesTheSameLiveFacts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var exports []export
		for i := range rapid.IntRange(1, 4).Draw(t, "files") {
			x := export{asOf: 60 + i}
			// one row an animal and day: whole exports without held rows
			for _, tag := range []string{"DE0941200731", "DE0941200744", "DE0941200758", "DE0941200760"} {
				if rapid.IntRange(0, 3).Draw(t, "there") > 0 {
					x.lines = append(x.lines, line{1, tag, "2026-03-04", "08:12", "RH", "SU", rapid.IntRange(1, 3).Draw(t, "sev"), ""})
				}
			}
			if len(x.lines) > 0 {
				exports = append(exports, x)
			}
		}
		layout := strings.Replace(layoutOf(completeGroups), "brake: 6", "brake: 1000", 1)
		src := source(t, "s", "larkfield", "t.yaml", []byte(layout))
		live := func(order []export) map[string]string {
			h := newHouse(t, scratchDir(t), &memoryLog{id: "log"})
			defer h.close()
			for _, x := range order {
				h.take(src, fmt.Sprint(x.asOf, ".csv"), x.bytes(true))
			}
			h.balanced()
			out := h.settle()
			for e, v := range out {
				if v == "retracted" {
					delete(out, e)
				}
			}
			if w, err := h.ix.Waits("s"); err != nil || len(w) > 0 {
				t.Skip("half of a day vanished at once: a person decides")
			}
			return out
		}
		want := live(exports)
		if got := live(rapid.Permutation(exports).Draw(t, "order")); diff(got, want) != "" {
			t.Fatalf("another order:\n%s", diff(got, want))
		}
	})
}

// Files that have no entity in common can be read in any order: the set of events
// is the same.
func TestTake_AnyOrderOfFilesWithoutCommonEntities(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.SampledFrom([]string{rowsByAnimal, groups}).Draw(t, "kind")
		src := source(t, "s", "larkfield", "t.yaml", []byte(layoutOf(kind)))
		var files []export
		for i := range 3 {
			x := export{}
			for range rapid.IntRange(0, 6).Draw(t, "rows") {
				l := drawLine(t)
				l.time = fmt.Sprintf("1%d:00", i)
				x.lines = append(x.lines, l)
			}
			files = append(files, x)
		}
		set := func(order []export) []string {
			h := newHouse(t, scratchDir(t), &memoryLog{id: "log"})
			defer h.close()
			for i, x := range order {
				h.take(src, fmt.Sprint(i, ".csv"), x.bytes(false))
			}
			var out []string
			for _, ev := range h.events() {
				out = append(out, fmt.Sprintln(ev.ID(), ev.Change, events.StoredDigest(ev.Data)))
			}
			slices.Sort(out)
			return out
		}
		want := set(files)
		if got := set(rapid.Permutation(files).Draw(t, "order")); !slices.Equal(got, want) {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

func dump(t tb, log *memoryLog) string {
	var b strings.Builder
	for e, err := range log.Read(context.Background(), 1) {
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "%d %s from %v to %v %v complete %v waits %v back %v held %d events", e.At, e.Name, e.From, e.To, e.Counts, e.Complete, e.Waits, e.Back, len(e.Held))
		for ev, err := range e.All() {
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(&b, " %s.%d %s;", ev.Kind, ev.Revision, ev.Change)
		}
		b.WriteString("\n")
	}
	return b.String()
}
