package quarantine_test

import (
	"slices"
	"strings"
	"testing"

	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/quarantine"
	"dewclaw/events"
)

// The farm stands in a column of the rows, in a title above them, or around the
// elements of a document.
const (
	rowFarm = `
mapping: chute
direction: in
dates: YYYY-MM-DD
read: {format: csv}
farm: {from: herd, table: {lark: larkfield, stony: stony-run}}
record: {identifier: [herd-number]}
animal: {herd-number: tag}
occurred: {date: date}
row: {foot: foot}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
`
	titleFarm = `
mapping: chute
direction: in
dates: YYYY-MM-DD
read: {format: csv, titles: 1}
farm: {title: 1, table: {lark: larkfield, stony: stony-run}}
record: {identifier: [herd-number]}
animal: {herd-number: tag}
occurred: {date: date}
row: {foot: foot}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
`
	documentFarm = `
mapping: chute
direction: in
dates: YYYY-MM-DD
read: {format: json, each: "$.rows[*]"}
farm: {from: ^.herd, table: {lark: larkfield, stony: stony-run}}
record: {identifier: [herd-number]}
animal: {herd-number: $.tag}
occurred: {date: $.date}
row: {foot: $.foot}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
`
)

// both configures a source of two farms, as a revision of the mapping language reads.
func (b *barn) both(yaml string, language int) {
	b.t.Helper()
	src := b.source("chute", "", yaml)
	src.Farms = map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}
	src.Mapping = src.Mapping.Of(language)
}

// decisions returns the farms of all decisions, in the order of the log.
func (b *barn) decisions() (farms []string) {
	b.t.Helper()
	for _, ev := range b.newest(events.KindDecision) {
		farms = append(farms, ev.Farm)
	}
	return farms
}

// What a person settles of a row is of the farm of that row, also in logs whose
// held records do not say it: it is read again then. A row whose farm nobody can
// read is of none, unless the fix says it, or the mapping as it is now.
func TestQuarantine_ADecisionIsOfTheFarmOfTheRow(t *testing.T) {
	for _, language := range []int{1, mapping.Language} {
		b := newBarn(t)
		b.both(rowFarm, language)
		b.take("chute", "a.csv", "herd,tag,date,foot\nlark,1,2026-03-02,XX\nstony,2,2026-03-02,YY\nwho,3,2026-03-02,LH\nwho,4,2026-03-02,LH\nlarky,5,2026-03-02,LH\n")
		ids := map[string]string{}
		for item, err := range b.q.List(t.Context(), quarantine.Filter{}) {
			if err != nil {
				t.Fatal(err)
			}
			ids[item.Seen.Animal] = item.ID
			want := map[string]string{"1": "larkfield", "2": "stony-run"}[item.Seen.Animal]
			if language < 2 {
				want = ""
			}
			if maybe := item.Maybe; item.Farm != want || (want == "") != slices.Equal(maybe, []string{"larkfield", "stony-run"}) {
				t.Errorf("language %d: animal %s: farm %q, or one of %v", language, item.Seen.Animal, item.Farm, maybe)
			}
		}
		drop := func(animal string) {
			t.Helper()
			if err := b.q.Drop(t.Context(), ids[animal], "anna", "told by phone"); err != nil {
				t.Fatal(err)
			}
		}
		fix := func(animal string, set map[string]string) {
			t.Helper()
			if _, err := b.q.Fix(t.Context(), ids[animal], quarantine.Fix{Set: set, Who: "anna", Why: "a slip"}); err != nil {
				t.Fatal(err)
			}
			if _, err := b.q.Release(t.Context(), ids[animal], "anna", "a slip"); err != nil {
				t.Fatal(err)
			}
		}
		drop("1")
		fix("2", map[string]string{"foot": "LH"})
		fix("3", map[string]string{"herd": "stony"})
		drop("4")
		b.both(strings.Replace(rowFarm, "lark: larkfield", "lark: larkfield, larky: larkfield", 1), language)
		drop("5")
		want := []string{"larkfield", "stony-run", "stony-run", "stony-run", "stony-run", "", "larkfield"}
		if got := b.decisions(); !slices.Equal(got, want) {
			t.Errorf("language %d: decisions of farms %q, want %q", language, got, want)
		}
		b.balanced()
	}
}

// Equal rows below the titles of two farms, or in documents of two, are two held
// records: what becomes of one says nothing of the other.
func TestQuarantine_EqualRowsOfTwoFarmsAreTwo(t *testing.T) {
	csv := func(farm string) string { return farm + "\ntag,date,foot\n17,2026-03-02,Vorne\n" }
	json := func(farm string) string {
		return `{"herd":"` + farm + `","rows":[{"tag":"17","date":"2026-03-02","foot":"Vorne"}]}`
	}
	for _, tt := range []struct {
		name, yaml string
		body       func(farm string) string
	}{{"title", titleFarm, csv}, {"document", documentFarm, json}} {
		t.Run(tt.name, func(t *testing.T) {
			mended := strings.Replace(tt.yaml, "from: ^.herd, table: {", "from: ^.herd, table: {new: stony-run, ", 1)
			mended = strings.Replace(mended, "title: 1, table: {", "title: 1, table: {new: stony-run, ", 1)
			mended = strings.Replace(mended, "{foot: foot}", "{foot: {from: foot, table: {Vorne: LF}}}", 1)
			mended = strings.Replace(mended, "{foot: $.foot}", "{foot: {from: $.foot, table: {Vorne: LF}}}", 1)
			one := events.Counts{Read: 1, Held: 1}

			// As it is now.
			b := newBarn(t)
			b.both(tt.yaml, mapping.Language)
			b.counts("chute", "lark", tt.body("lark"), one)
			lark := b.held()
			if lark.Farm != "larkfield" {
				t.Errorf("got farm %q", lark.Farm)
			}
			if err := b.q.Drop(t.Context(), lark.ID, "anna", "never was"); err != nil {
				t.Fatal(err)
			}
			b.counts("chute", "lark again", tt.body("lark")+"\n", events.Counts{Read: 1, Duplicate: 1})
			b.counts("chute", "stony", tt.body("stony"), one)
			stony := b.held()
			b.counts("chute", "new", tt.body("new"), one) // which nobody knows yet
			b.both(mended, mapping.Language)
			if _, err := b.q.Release(t.Context(), stony.ID, "anna", "the mapping knows it now"); err != nil {
				t.Fatal(err)
			}
			b.counts("chute", "lark once more", tt.body("lark")+" ", events.Counts{Read: 1, Duplicate: 1})
			b.counts("chute", "stony once more", tt.body("stony")+" ", events.Counts{Read: 1, Duplicate: 1})
			if ev, _ := only[*events.Examination](b, events.KindExamination); ev.Farm != "stony-run" {
				t.Errorf("got an examination of %q", ev.Farm)
			}
			b.balanced()

			// In a log of before, alpha's row and its decision are known, and only they.
			b = newBarn(t)
			b.both(tt.yaml, 1)
			b.counts("chute", "lark", tt.body("lark"), one)
			was := b.held()
			b.both(tt.yaml, mapping.Language)
			b.counts("chute", "lark again", tt.body("lark")+"\n", one)
			if got := b.held(); got.ID != was.ID {
				t.Errorf("held again as %s, was %s", got.ID, was.ID)
			}
			if err := b.q.Drop(t.Context(), was.ID, "anna", "never was"); err != nil {
				t.Fatal(err)
			}
			b.both(mended, mapping.Language)
			b.counts("chute", "lark", tt.body("lark")+" ", events.Counts{Read: 1, Duplicate: 1})
			b.counts("chute", "stony", tt.body("stony"), events.Counts{Read: 1, Accepted: 1})
			if got := b.decisions(); !slices.Equal(got, []string{"larkfield"}) {
				t.Errorf("decisions of farms %q", got)
			}
			b.balanced()
		})
	}
}
