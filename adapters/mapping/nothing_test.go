package mapping

import (
	"strings"
	"testing"
)

const cows = `
mapping: cows
direction: in
dates: YYYY-MM-DD
read: {format: json, each: "$.groups[*].cows[*]"}
record: {identifier: [ear-tag]}
animal: {ear-tag: $.tag}
occurred: {date: ^.day}
events:
  - each: $.scores[*]
    locomotion: {score: .value, scale: =mob4-uk}
`

func TestRun_TellsOfPathsThatLeadNowhere(t *testing.T) {
	const row = `{"tag":"US1","scores":[{"value":2}]}`
	for _, tt := range []struct{ name, mapping, in, told, blank, absent string }{
		{"as it should be", cows, `{"day":"2026-03-04","groups":[{"cows":[` + row + `]}]}`, "", "", ""},
		{"another document", cows, `{"a":1}`, `there is no $.groups, beside it is "a"`, "", ""},
		{"a renamed array", cows, `{"day":"2026-03-04","groups":[{"animals":[` + row + `]}]}`, `there is no $.groups[*].cows, beside it is "animals"`, "", ""},
		{"no cows today", cows, `{"day":"2026-03-04","groups":[{"cows":[]}]}`, "", "", ""},
		{"no groups today", cows, `{"day":"2026-03-04","groups":[]}`, "", "", ""},
		{
			"a misspelled path", strings.Replace(cows, ".value", ".valeu", 1), `{"day":"2026-03-04","groups":[{"cows":[` + row + `,` + row + `]}]}`,
			"", "none of the 2 rows gave an event; in no row was .valeu", ".valeu",
		},
		{
			"misspelled items", strings.Replace(cows, "$.scores", "$.score", 1), `{"day":"2026-03-04","groups":[{"cows":[` + row + `]}]}`,
			"", "its only row gave no event; in no row was $.score[*]", "$.score[*]",
		},
	} {
		t.Run(tt.name, func(t *testing.T) {
			in, err := ParseInward("cows.yaml", []byte(tt.mapping))
			if err != nil {
				t.Fatal(err)
			}
			_, end := mapAll(t, in, job("cows", "larkfield"), []byte(tt.in), 10)
			told := strings.Join(end.Notices, "; ")
			if !strings.Contains(told, tt.told) || (told == "") != (tt.told == "") {
				t.Errorf("told %q, want %q", told, tt.told)
			}
			if end.Blank != tt.blank {
				t.Errorf("of rows without events told %q, want %q", end.Blank, tt.blank)
			}
			if got := strings.Join(end.Absent, ", "); got != tt.absent {
				t.Errorf("absent %q, want %q", got, tt.absent)
			}
		})
	}
}

// A last line without its end is not taken where a total line must follow: what
// is missing of it cannot be seen.
func TestMap_HoldsALineThatMayBeCutOff(t *testing.T) {
	const text = `
mapping: cut
direction: in
dates: YYYY-MM-DD
read: {format: csv, total: {if: {tag: Total}}}
record: {identifier: [ear-tag]}
animal: {ear-tag: tag}
occurred: {date: day}
events:
  - locomotion: {score: score, scale: =mob4-uk, remarks: note}
`
	in, err := ParseInward("cut.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	const rows = "tag,day,score,note\nUS1,2026-03-04,1,\n"
	for _, tt := range []struct {
		name, in string
		held     int
		told     string
	}{
		{"whole", rows + "Total,,,\n", 0, ""},
		{"whole, without the last line end", rows + "Total,,,", 0, ""},
		{"cut at a line end", rows, 0, "the total line is missing: it may be cut off"},
		{"cut in a line", rows + "US2,2026-03-04,1,sli", 1, "the total line is missing: it may be cut off"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			records, end := mapAll(t, in, job("cut", "larkfield"), []byte(tt.in), 10)
			held := 0
			for i := range records {
				if h := records[i].Held; h != nil {
					held++
					if h.Seen.Animal != "US2" || h.Raw != "US2,2026-03-04,1,sli" {
						t.Errorf("held of %q: %q", h.Seen.Animal, h.Raw)
					}
				}
			}
			if held != tt.held {
				t.Errorf("held %d, want %d", held, tt.held)
			}
			if got := strings.Join(end.Notices, "; "); got != tt.told {
				t.Errorf("told %q, want %q", got, tt.told)
			}
		})
	}
}
