package mapping

import (
	"io"
	"strings"
	"testing"

	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	"dewclaw/events"
)

// A held row says of which farm it is if that can be read for sure: of a row that
// is not whole only where the farm stands around it. By the first revisions of the
// language it says nothing, and its id is of the row alone.
func TestMapper_AHeldRowIsOfItsFarm(t *testing.T) {
	const rest = `
mapping: chute
direction: in
dates: YYYY-MM-DD
record: {identifier: [herd-number]}
animal: {herd-number: tag}
occurred: {date: date}
row: {foot: foot}
events:
  - examination: {reasons: =not-stated, restraint: =not-stated, trimmed: =unknown}
`
	const column = "read: {format: csv}\nfarm: {from: herd, table: {one: larkfield, two: stony-run}}" + rest
	const title = "read: {format: csv, titles: 1}\nfarm: {title: 1, pattern: \"^herd (.*)$\", table: {one: larkfield, two: stony-run}}" + rest
	const expression = "read: {format: csv, titles: 1}\nfarm: {cel: \"titles[0] == 'herd two' ? 'two' : ''\", table: {one: larkfield, two: stony-run}}" + rest
	for _, tt := range []struct {
		name, mapping, in string
		farm, beside      string
		raw               string
	}{
		{"column", column, "herd,tag,date,foot\ntwo,1,2026-03-02,XX\n", "stony-run", "", "two,1,2026-03-02,XX"},
		{"column with another word", column, "herd,tag,date,foot\nthree,1,2026-03-02,XX\n", "", "", "three,1,2026-03-02,XX"},
		{"column of a row that is not whole", column, "herd,tag,date,foot\ntwo,1,2026-03-02\n", "", "", "two,1,2026-03-02"},
		{"title", title, "herd two\ntag,date,foot\n1,2026-03-02,XX\n", "stony-run", "two", "1,2026-03-02,XX"},
		{"title with another word", title, "herd three\ntag,date,foot\n1,2026-03-02,XX\n", "", "three", "1,2026-03-02,XX"},
		{"title above a row that is not whole", title, "herd two\ntag,date,foot\n1,2026-03-02\n", "stony-run", "two", "1,2026-03-02"},
		{"expression", expression, "herd two\ntag,date,foot\n1,2026-03-02,XX\n", "stony-run", "two", "1,2026-03-02,XX"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			in, err := ParseInward("chute.yaml", []byte(tt.mapping))
			if err != nil {
				t.Fatal(err)
			}
			for language := range Language + 1 {
				in := in.Of(language)
				rec := mapOne(t, in, tt.in)
				farm, beside := tt.farm, tt.beside
				if language < 2 {
					farm, beside = "", ""
				}
				if rec.Outcome != adapters.Held || rec.Held.Raw != tt.raw || rec.Held.Farm != farm {
					t.Errorf("language %d: got %+v, want farm %q", language, rec.Held, farm)
				}
				if want := events.HeldIDBeside("chute", beside, []byte(tt.raw)); rec.Held.ID != want {
					t.Errorf("language %d: got id %s, want %s", language, rec.Held.ID, want)
				}
			}
		})
	}
	if events.HeldIDBeside("chute", "", []byte("x")) != events.HeldID("chute", []byte("x")) || events.HeldIDBeside("chute", "two", []byte("x")) == events.HeldID("chute", []byte("x")) {
		t.Error("ids of rows with nothing beside them must be what they were, and others must not be")
	}
}

// mapOne maps the only row of an original.
func mapOne(t *testing.T, in *Inward, original string) adapters.Record {
	t.Helper()
	dec, err := csv.NewDecoder(strings.NewReader(original), in.Layout())
	if err != nil {
		t.Fatal(err)
	}
	head, err := dec.Head()
	if err != nil {
		t.Fatal(err)
	}
	run, err := in.Start(Job{Source: "chute", Farms: map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}}, head)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := dec.Read(nil, 10)
	if err != nil && err != io.EOF || len(rows) != 1 {
		t.Fatal(len(rows), err)
	}
	m := run.Mapper()
	out := m.Flush(m.Map(rows, nil))
	if len(out) != 1 {
		t.Fatalf("%d records", len(out))
	}
	return out[0]
}
