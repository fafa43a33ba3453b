package intake_test

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/archive"
	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

const firstLanguage = `
mapping: chute
direction: in
dates: YYYY-MM-DD
times: HH:mm
read: {format: csv}
record: {identifier: [ear-tag]}
animal: {ear-tag: tag}
occurred: {date: date, time: time}
row: {foot: foot, claw: claw}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
  - lesion: {code: finding, zones: {from: zone, map: claw-zones-13}, severity: {from: grade, scale: grade-3}}
`

// The rows of an original, of which every second one has a zone and a grade and no
// finding: the first revision of the language takes it for a clear foot.
func zoneWithoutFinding(rows int) []byte {
	var b strings.Builder
	b.WriteString("tag,date,time,foot,claw,finding,zone,grade\n")
	for i := range rows {
		fmt.Fprintf(&b, "DE09%08d,2026-03-04,08:15,LH,outer,%s,4,2\n", i, []string{"SU", ""}[i%2])
	}
	return []byte(b.String())
}

// What rows meant when they were read they mean for ever: books of entries that an
// older revision of the mapping language made balance by that one, a half-read
// original goes on by it, and what is read as new is read by the newest.
func TestVerify_RowsMeanWhatTheyMeantWhenTheyWereRead(t *testing.T) {
	const rows = 12
	body := zoneWithoutFinding(rows)
	now := source(t, "chute", "larkfield", "chute.yaml", []byte(firstLanguage))
	old := *now
	old.Mapping = now.Mapping.Of(0)
	dir := t.TempDir()
	h := newSizedHouse(t, dir, &memoryLog{id: "log"}, intake.Sizes{Records: 3})
	if r := h.take(&old, "a.csv", body); r.Counts != (events.Counts{Read: rows, Accepted: rows}) {
		t.Errorf("by the first revision: %v", r.Counts)
	}
	h.balanced()
	whole := story(t, h.log)
	crashed := h.log.cut(2)
	h.close()

	again := newSizedHouse(t, dir, crashed, intake.Sizes{Records: 3})
	defer again.close()
	if _, err := again.in.Finish(t.Context(), now); err != nil {
		t.Fatal(err)
	}
	if got := story(t, crashed); got != whole {
		t.Errorf("what a crash left half read went on as\n%s\nwant\n%s", got, whole)
	}
	again.balanced()
	r := again.takeWith(now, "a.csv", body, intake.Options{Again: true})
	if r.Counts != (events.Counts{Read: rows, Duplicate: rows / 2, Held: rows / 2}) {
		t.Errorf("by the newest revision: %v", r.Counts)
	}
	again.balanced()

	newer := crashed.rewrite(t, 1, func(e *events.Entry) { e.Language = mapping.Language + 1 })
	a, err := archive.OpenReadOnly(filepath.Join(dir, "archive"))
	if err != nil {
		t.Fatal(err)
	}
	_, err = intake.Verify(context.Background(), intake.VerifyDeps{
		Log: newer, Archive: a, Decoders: decoders, Unpack: unpack, Dir: filepath.Join(dir, "tmp"),
	})
	if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "revision of the mapping language") {
		t.Errorf("a newer revision: %v", err)
	}
}
