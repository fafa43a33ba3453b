package intake_test

import (
	"fmt"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/daemon/internal/intake"
)

const blocksByRow = `mapping: blocks
direction: in
dates: YYYY-MM-DD
times: HH:mm
read: {format: csv}
record: {key: no}
animal: {ear-tag: tag}
occurred: {date: day, time: clock}
row: {foot: foot, claw: claw}
events:
  - lesion: {code: =SU, severity: {from: sev, scale: grade-3}}
  - treatment: {what: =block, claw: block}
`

// blockRows makes n rows of ulcers of the outer claw with a block on a claw.
func blockRows(first, n int, day, block string) []byte {
	var b strings.Builder
	b.WriteString("no,tag,day,clock,foot,claw,sev,block\n")
	for i := first; i < first+n; i++ {
		fmt.Fprintf(&b, "%d,DE09412%05d,%s,%02d:%02d,RH,outer,2,%s\n", i, i, day, 8+i/60, i%60, block)
	}
	return []byte(b.String())
}

func noticeOf(r intake.Receipt, code string) string {
	for _, n := range r.Notices {
		if strings.HasPrefix(n, code+": ") {
			return n
		}
	}
	return ""
}

// A block goes on the claw without the lesion: common practice, no source.
func TestTake_TellsOnceThatTheMappingOrClockOfASourceIsSuspect(t *testing.T) {
	h := fresh(t)
	src := source(t, "blocks", "larkfield", "blocks.yaml", []byte(blocksByRow))

	r := h.take(src, "a.csv", blockRows(0, 9, "2026-03-31", "outer"))
	if got := noticeOf(r, "sides-swapped"); got != "" || r.Counts.Accepted != 9 {
		t.Fatalf("%v, and after nine blocks %q", r.Counts, got)
	}
	r = h.take(src, "b.csv", blockRows(9, 1, "2026-03-31", "outer"))
	if got := noticeOf(r, "sides-swapped"); !strings.Contains(got, "10 of 10 blocks sit on the claw with the lesion. Most blocks") {
		t.Errorf("after ten: %q", r.Notices)
	}
	r = h.take(src, "c.csv", blockRows(10, 5, "2026-03-31", "outer"))
	if len(r.Notices) > 0 {
		t.Errorf("told again: %q", r.Notices)
	}
	for _, e := range h.entries {
		if len(e.Notices) > 0 {
			t.Errorf("the log has what depends on what else was read: %q", e.Notices)
		}
	}

	other := source(t, "late", "larkfield", "blocks.yaml", []byte(blocksByRow))
	h.take(other, "same.csv", blockRows(0, 19, "2026-03-01", "inner"))
	r = h.take(other, "again.csv", append(blockRows(0, 19, "2026-03-01", "inner"), '\n'))
	if len(r.Notices) > 0 || r.Counts.Duplicate != 19 {
		t.Errorf("%v: what is known already counts: %q", r.Counts, r.Notices)
	}
	r = h.take(other, "more.csv", blockRows(19, 1, "2026-03-01", "inner"))
	if got := noticeOf(r, "records-late"); !strings.Contains(got, "20 of 20 records came more than 72 hours after what they say. Most records") || len(r.Notices) != 1 {
		t.Errorf("after twenty: %q", r.Notices)
	}
}

// Of a source whose rows name their farm it is told which farm's device it is.
func TestTake_TellsOfWhichFarmTheRowsAreSuspect(t *testing.T) {
	h := fresh(t)
	m := strings.NewReplacer("read: {format: csv}\n", "read: {format: csv}\nfarm: herd\n").Replace(blocksByRow)
	src := source(t, "blocks", "", "blocks.yaml", []byte(m))
	src.Farms = map[string]string{"alpha": "Europe/Berlin", "beta": "Europe/Berlin"}
	rows := func(farm string, first, n int, block string) string {
		_, lines, _ := strings.Cut(string(blockRows(first, n, "2026-03-31", block)), "\n")
		return farm + "," + strings.ReplaceAll(strings.TrimSuffix(lines, "\n"), "\n", "\n"+farm+",") + "\n"
	}
	const head = "herd,no,tag,day,clock,foot,claw,sev,block\n"
	r := h.take(src, "a.csv", []byte(head+rows("alpha", 0, 20, "outer")+rows("beta", 20, 30, "inner")))
	if got := noticeOf(r, "sides-swapped"); r.Counts.Accepted != 50 || !strings.Contains(got, "farm alpha: 20 of 20 blocks") {
		t.Errorf("%v: %q", r.Counts, r.Notices)
	}
	r = h.take(src, "b.csv", []byte(head+rows("alpha", 50, 5, "outer")+rows("beta", 55, 5, "inner")))
	if len(r.Notices) > 0 {
		t.Errorf("told again: %q", r.Notices)
	}
	r = h.take(src, "c.csv", []byte(head+rows("beta", 60, 60, "outer")))
	if got := noticeOf(r, "sides-swapped"); !strings.Contains(got, "farm beta: 60 of 95 blocks") {
		t.Errorf("of the other farm: %q", r.Notices)
	}
}

func TestTakeBatch_TellsThatTheMappingOfASourceIsSuspect(t *testing.T) {
	h := fresh(t)
	src := source(t, "blocks", "larkfield", "blocks.yaml", []byte(blocksByRow))
	s := &stream{map[uint64][]adapters.Verdict{}}
	var list []*adapters.Delivery
	for i := range 10 {
		list = append(list, s.message(uint64(i+1), string(blockRows(i, 1, "2026-03-31", "outer"))))
	}
	r, err := h.in.TakeBatch(t.Context(), src, list)
	if err != nil || r.Counts.Accepted != 10 || noticeOf(r, "sides-swapped") == "" {
		t.Errorf("%v, %v: %q", r.Counts, err, r.Notices)
	}
}
