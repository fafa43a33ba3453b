package mapping

import (
	"bytes"
	gocmp "cmp"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	"dewclaw/events"
	"dewclaw/schema/rules"
)

func parseOut(t testing.TB, src string) *Outward {
	t.Helper()
	o, err := ParseOutward("out.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func lesionContext() RowContext {
	common := events.Common{
		Animal:   []events.Identifier{{Scheme: "ear-tag", Value: "DE 09 412 00731"}, {Scheme: "herd-number", Value: "31"}},
		Occurred: events.Occurred{Date: "2026-03-04", Time: "08:12", Offset: "+01:00", Zone: "Europe/Berlin", Precision: "minute"},
	}
	size, _ := events.ParseDecimal("82.55")
	l := &events.Lesion{
		Common: common, Foot: "RH", Claw: "outer", Code: "SU", SizeMM: size, Severity: events.Severity{Scale: "grade-3", Value: "2"},
		Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4, 5}},
	}
	l.Words = events.Words{{Field: "code", Text: "SG"}}
	x := &events.Examination{
		Common: common, Reasons: []string{"lame", "recheck"},
		Feet: []events.FootExam{{Foot: "LH", Examined: "yes", Result: "clear", Trimmed: "preventive"}, {Foot: "RH", Examined: "yes", Result: "findings"}},
	}
	rules.Apply([]events.Payload{x, l}, rules.Defaults())
	return RowContext{
		Event: &events.Event{
			Kind: events.KindLesion, Entity: "00228poehhfo7s1mgjv5uvn1a72k0", Revision: 2, Change: events.Amended, Farm: "larkfield", Source: "chute",
			Subject: "ear-tag:DE0941200731", Recorded: time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC),
		},
		Payload: l, Examination: x, Visit: &events.Visit{Purpose: "whole-herd"},
	}
}

func TestOutward_FillsEveryPlace(t *testing.T) {
	const head = "mapping: m\ndirection: out\nwrite: {format: csv, delimiter: \";\", decimal: \",\"}\ndates: DD.MM.YYYY\ntimes: h:mm A\nidentifier: {first: [transponder, ear-tag]}\n"
	tests := []struct{ column, want string }{
		{"identifier", "DE0941200731"}, {"animal.ear-tag", "DE0941200731"}, {"given.ear-tag", "DE 09 412 00731"}, {"animal.transponder", ""},
		{"id", "00228poehhfo7s1mgjv5uvn1a72k0.2"}, {"revision", "2"}, {"change", "amended"}, {"kind", "lesion"}, {"farm", "larkfield"}, {"subject", "ear-tag:DE0941200731"},
		{"occurred.date", "04.03.2026"}, {"occurred.time", "8:12 AM"}, {"{from: occurred.time, layout: HH:mm:ss}", "08:12:00"}, {"time", "2026-03-04T08:12:00+01:00"},
		{"{from: time, layout: YYYYMMDDHHmm}", "202603040812"}, {"recorded", "2026-04-01T00:00:00Z"},
		{"code", "SU"}, {"{from: code, table: {SU: 23}, else: \"99\"}", "23"}, {"{from: code, table: {SH: 23}, else: \"99\"}", "99"}, {"{from: code, table: {SU: \"-\"}}", ""},
		{"words.code", "SG"}, {"sizeMM", "82,55"}, {"{from: sizeMM, unit: \"[in_i]\"}", "3,25"}, {"{from: sizeMM, unit: cm, places: 1, decimal: \".\"}", "8.3"},
		{"severity.value", "2"}, {"zones.numbers", "[4 5]"}, {"{from: zones.numbers, table: {4: sole, 5: toe}}", "[sole toe]"},
		{"examination.reasons", "[lame recheck]"}, {"feet", "[LH RH]"}, {"feet.RH", "findings"}, {"trimmed.LH", "preventive"}, {"feet.LF", ""},
		{"visit.purpose", "whole-herd"}, {"notes", "[ulcer-without-block]"}, {"derived.lame", ""}, {"=fixed", "fixed"}, {"{from: stage, empty: none}", "none"}, {"course", ""},
	}
	for _, tt := range tests {
		t.Run(tt.column, func(t *testing.T) {
			o := parseOut(t, head+"columns:\n  X: "+tt.column+"\n")
			cells, err := o.Row(lesionContext())
			if err != nil {
				t.Fatal(err)
			}
			got := cells[0].Text
			if got == "" && tt.want != "" {
				got = fmt.Sprint(cells[0].List)
			}
			if got != tt.want {
				t.Errorf("got %q, want %q", got, tt.want)
			}
		})
	}
}

func TestOutward_ADayNeverBecomesMidnight(t *testing.T) {
	x := lesionContext()
	x.Payload.Base().Occurred = events.Occurred{Date: "2026-03-04", Precision: "date"}
	x.Payload.Base().Derived.DueOff = "2026-03-05"
	o := parseOut(t, "mapping: m\ndirection: out\nwrite: {format: csv}\ndates: DD.MM.YYYY\ncolumns:\n  T: {from: time, layout: DD.MM.YYYY HH:mm}\n  C: {from: occurred.time, layout: HH:mm}\n  D: {from: derived.dueOff, layout: DD.MM.YYYY HH:mm}\n")
	cells, err := o.Row(x)
	if err != nil {
		t.Fatal(err)
	}
	if cells[0].Text != "" || cells[1].Text != "" || cells[2].Text != "05.03.2026" {
		t.Errorf("got %q", cells)
	}
}

func TestOutward_JoinsAnExamination(t *testing.T) {
	x := lesionContext()
	other := *x.Payload.(*events.Lesion)
	other.Foot, other.Code, other.Claw = "LH", "DD", "none"
	x.Joined = []events.Payload{x.Payload, &other, &events.Treatment{Foot: "RH", Claw: "inner", What: "block"}}
	x.Payload = x.Examination
	x.Event.Kind = events.KindExamination
	o := parseOut(t, `
mapping: m
direction: out
write: {format: csv}
rows: examination
columns:
  Findings: lesion.code
  LH: {from: lesion.code, where: {foot: LH}, table: {DD: D, SU: S}}
  Zones: lesion.zones.numbers
  Block: {from: treatment.what, where: {foot: RH, what: [block, block-thin-sole]}}
  Reasons: reasons
`)
	cells, err := o.Row(x)
	if err != nil {
		t.Fatal(err)
	}
	want := [][]string{{"SU", "DD"}, {"D"}, {"4+5", "4+5"}, {"block"}, {"lame", "recheck"}}
	for i, c := range cells {
		if diff := cmp.Diff(want[i], c.List); diff != "" {
			t.Errorf("column %d (-want +got):\n%s", i, diff)
		}
	}
}

func TestOutward_ParksWhatItCannotSay(t *testing.T) {
	tests := []struct{ name, src, want string }{
		{"code", "columns: {X: {from: code, table: {SH: 1, DD: 2}}}", `event 00228poehhfo7s1mgjv5uvn1a72k0.2: code (column "X"): wanted one of SH, DD, got "SU"`},
		{"identifier", "identifier: {first: [transponder]}\ncolumns: {X: identifier}", `event 00228poehhfo7s1mgjv5uvn1a72k0.2: identifier: wanted an identifier of transponder, got only ear-tag "DE 09 412 00731"`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			o := parseOut(t, "mapping: m\ndirection: out\nwrite: {format: csv}\n"+tt.src+"\n")
			_, err := o.Row(lesionContext())
			if err == nil || err.Error() != tt.want || !errors.Is(err, events.ErrInvalid) {
				t.Errorf("got %v, want %s", err, tt.want)
			}
		})
	}
	o := parseOut(t, "mapping: m\ndirection: out\nwrite: {format: csv}\nidentifier: {first: [transponder], missing: skip}\ncolumns: {X: identifier}\n")
	if _, err := o.Row(lesionContext()); !errors.Is(err, ErrSkip) {
		t.Errorf("skip: got %v", err)
	}
	o = parseOut(t, "mapping: m\ndirection: out\nwrite: {format: csv}\nidentifier: {first: [transponder], missing: empty}\ncolumns: {X: identifier}\n")
	if cells, err := o.Row(lesionContext()); err != nil || cells[0].Text != "" {
		t.Errorf("empty: got %v, %v", cells, err)
	}
}

// What a CSV feed exports and a mapping of direction in reads again has the same
// content: the digests are equal.
func TestOutward_ReadsBackToEqualDigests(t *testing.T) {
	out := parseOut(t, `
mapping: out
direction: out
write: {format: csv, delimiter: ";", decimal: ",", encoding: utf-8-bom, guard: true}
dates: DD.MM.YYYY
identifier: {first: [ear-tag]}
columns:
  Tag: given.ear-tag
  Day: occurred.date
  Time: {from: occurred.time, layout: HH.mm}
  Foot: {from: foot, table: {LF: 1, RF: 2, LH: 3, RH: 4}}
  Claw: claw
  Code: code
  Zones: zones.numbers
  Grade: severity.value
  Size: {from: sizeMM, unit: cm, places: 4}
  Words: description
  Did: what
`)
	in, err := ParseInward("in.yaml", []byte(`
mapping: in
direction: in
read: {format: csv, delimiter: ";", guard: true}
dates: DD.MM.YYYY
decimal: ","
record: {identifier: [ear-tag]}
animal: {ear-tag: Tag}
occurred: {date: Day, time: {from: Time, layout: HH.mm}}
row: {foot: {from: Foot, table: {1: LF, 2: RF, 3: LH, 4: RH}}, claw: Claw}
events:
  - lesion:
      code: Code
      zones: {from: Zones, split: "|", map: claw-zones-13}
      severity: {from: Grade, scale: grade-3}
      size: {from: Size, unit: cm}
      description: Words
  - treatment: {what: Did}
`))
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		common := events.Common{
			Animal:   []events.Identifier{{Scheme: "ear-tag", Value: rapid.StringMatching(`DE [0-9]{10}`).Draw(t, "tag")}},
			Occurred: events.Occurred{Date: "2026-03-04", Precision: "date"},
		}
		if rapid.Bool().Draw(t, "clock") {
			common.Occurred = events.Occurred{Date: "2026-03-04", Time: fmt.Sprintf("%02d:12", rapid.IntRange(0, 23).Draw(t, "hour")), Offset: "+01:00", Zone: "Europe/Berlin", Precision: "minute"}
		}
		foot := rapid.SampledFrom([]string{"LF", "RF", "LH", "RH"}).Draw(t, "foot")
		claw := rapid.SampledFrom([]string{"inner", "outer", "none", "unknown"}).Draw(t, "claw")
		var p events.Payload = &events.Treatment{Common: common, Foot: foot, Claw: claw, What: rapid.SampledFrom([]string{"block", "wrap", "topical"}).Draw(t, "what")}
		if rapid.Bool().Draw(t, "lesion") {
			l := &events.Lesion{Common: common, Foot: foot, Claw: claw, Code: rapid.SampledFrom([]string{"SU", "DD", "OTHER"}).Draw(t, "code")}
			l.Description = strings.TrimSpace(rapid.StringOfN(rapid.RuneFrom([]rune(" ab;\"'=-+@ä\n")), 0, 8, -1).Draw(t, "words"))
			if rapid.Bool().Draw(t, "zoned") {
				l.Zones = events.Zones{Map: "claw-zones-13", Numbers: rapid.SliceOfN(rapid.IntRange(0, 12), 1, 3).Draw(t, "zones")}
			}
			if rapid.Bool().Draw(t, "graded") {
				l.Severity = events.Severity{Scale: "grade-3", Value: rapid.SampledFrom([]string{"1", "2", "3"}).Draw(t, "grade")}
			}
			if rapid.Bool().Draw(t, "sized") {
				l.SizeMM = events.DecimalOf(int64(rapid.IntRange(1, 99999).Draw(t, "size")), rapid.IntRange(0, 3).Draw(t, "places"))
			}
			p = l
		}
		cells, err := out.Row(RowContext{Event: &events.Event{Kind: p.Kind(), Entity: "00228poehhfo7s1mgjv5uvn1a72k0", Revision: 1}, Payload: p})
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		enc, err := csv.NewEncoder(&b, out.Style())
		if err == nil {
			err = enc.Write(&adapters.Table{Columns: out.Columns(), Rows: [][]adapters.Cell{cells}})
		}
		if err != nil {
			t.Fatal(err)
		}
		d, err := csv.NewDecoder(&b, in.Layout())
		if err != nil {
			t.Fatal(err)
		}
		head, err := d.Head()
		if err != nil {
			t.Fatal(err)
		}
		run, err := in.Start(job("back", "larkfield"), head)
		if err != nil {
			t.Fatal(err)
		}
		rows, _ := d.Read(nil, 10)
		records := run.Mapper().Map(rows, nil)
		if len(records) != 1 || len(records[0].Drafts) != 1 {
			t.Fatalf("read back as %+v", records)
		}
		var e events.Encoder
		if want := e.Digest(p); records[0].Drafts[0].Digest != want {
			t.Fatalf("digest differs: %s", records[0].Drafts[0].Data)
		}
	})
}

func TestMergeExamination_JoinsWhatContinues(t *testing.T) {
	in, err := ParseInward("m.yaml", []byte(`
mapping: m
direction: in
dates: YYYY-MM-DD
read: {format: csv}
record: {identifier: [ear-tag], group: [tag]}
animal: {ear-tag: tag}
occurred: {date: day}
row: {foot: foot}
events:
  - examination: {restraint: how, reasons: why, remarks: note, trimmed: cut}
  - lesion: {code: code}
`))
	if err != nil {
		t.Fatal(err)
	}
	exam := func(rows string) adapters.Draft {
		records, _ := mapAll(t, in, job("m", "larkfield"), []byte("tag,day,foot,how,why,note,cut,code\n"+rows), 10)
		if len(records) == 0 || len(records[0].Drafts) == 0 {
			t.Fatalf("%q gives %+v", rows, records)
		}
		return records[0].Drafts[0]
	}
	const a1, a2, a3 = "D1,2026-03-04,RH,tilt,lame,hot,preventive,\n", "D1,2026-03-04,LF,tilt,,,none,SU\n", "D1,2026-03-04,RH,,recheck,hot,corrective,DD\n"
	merged, err := MergeExamination(exam(a1).Data, exam(strings.Repeat("\n", 1)+a2+a3))
	if err != nil {
		t.Fatal(err)
	}
	whole := exam(a1 + a2 + a3)
	if merged.Digest != whole.Digest {
		t.Errorf("merged:\n%s\nwhole:\n%s", merged.Data, whole.Data)
	}
	if !bytes.HasSuffix(merged.Open, merged.Data) || merged.Entity != whole.Entity || !bytes.Contains(merged.Open, []byte(`"kind":"examination"`)) {
		t.Errorf("draft: %s", merged.Open)
	}
	if !bytes.Contains(merged.Data, []byte(`"origin":{"lastLine":4,"line":2}`)) {
		t.Errorf("origin: %s", merged.Data)
	}
	_, err = MergeExamination(exam(a1).Data, exam("D1,2026-03-04,RH,standing,,,,\n"))
	if err == nil || err.Error() != `restraint: wanted "tilt" as in the rows before of the same examination, got "standing"` || !errors.Is(err, events.ErrInvalid) {
		t.Errorf("got %v", err)
	}
	if _, err := MergeExamination([]byte("{"), exam(a1)); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("broken data: got %v", err)
	}
}

// A column named alike in several kinds takes the codes of each of them.
func TestOutward_WritesChecksOrdersClawsAndGroups(t *testing.T) {
	o := parseOut(t, `
mapping: m
direction: out
write: {format: csv}
dates: DD.MM.YYYY
kinds: [check, claw, order, group]
identifier: {first: [ear-tag], missing: park}
columns:
  Animal: identifier
  Kind: kind
  What: {from: what, table: {block: Klotz, leave-wrap: Verband lassen, footbath: Bad}}
  State: {from: state, table: {rocking: wackelt, absent: ab}}
  Since: since
  Until: {from: until, layout: DD.MM.YYYY}
  Due: due
  Cancels: cancels
  By: orderedBy
  Pens: pens
  Product: product
  Passed: passed
`)
	n := 118
	cow := events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: "DE0941200731"}}, Occurred: events.Occurred{Date: "2026-03-08", Precision: "date"}}
	tests := []struct {
		p    events.Payload
		want string
	}{
		{&events.Check{Common: cow, What: "block", State: "rocking"}, "DE0941200731|check|Klotz|wackelt||||||||"},
		{&events.Claw{Common: cow, State: "absent", Since: "2026-03-01"}, "DE0941200731|claw||ab|01.03.2026|||||||"},
		{&events.Order{Common: cow, What: "leave-wrap", Until: "2026-03-10", Due: "2026-03-09T08:00:00+01:00", Cancels: []string{"wrap-time", "orders"}, OrderedBy: "vet"},
			"DE0941200731|order|Verband lassen|||10.03.2026|2026-03-09T08:00:00+01:00|wrap-time+orders|vet|||"},
		{&events.Group{Common: events.Common{Occurred: cow.Occurred}, What: "footbath", Pens: []string{"2", "3"}, Product: "copper sulphate", Passed: &n}, "|group|Bad|||||||2+3|copper sulphate|118"},
	}
	for _, tt := range tests {
		t.Run(string(tt.p.Kind()), func(t *testing.T) {
			cells, err := o.Row(RowContext{Event: &events.Event{Kind: tt.p.Kind()}, Payload: tt.p})
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, c := range cells {
				got = append(got, gocmp.Or(c.Text, strings.Join(c.List, "+")))
			}
			if s := strings.Join(got, "|"); s != tt.want {
				t.Errorf("got  %q\nwant %q", s, tt.want)
			}
		})
	}
	_, err := ParseOutward("out.yaml", []byte("mapping: m\ndirection: out\nwrite: {format: csv}\nkinds: [check, order]\ncolumns:\n  What: {from: what, table: {footbath: Bad}}\n"))
	if err == nil || !strings.Contains(err.Error(), "codes of checked, orders") {
		t.Errorf("got %v, want it said that no list has the code", err)
	}
}
