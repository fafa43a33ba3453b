package schema

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dewclaw/events"
)

func TestCheck_AcceptsEverySampleOnTheFastPath(t *testing.T) {
	for _, s := range samples() {
		if got := Check(s.kind, s.data); got != nil {
			t.Errorf("Check(%s, %s) = %v, wanted nothing", s.kind, s.data, got)
		}
		if got := explain(string(s.kind), s.data); got != nil {
			t.Errorf("library on %s %s: %v, wanted nothing", s.kind, s.data, got)
		}
		if !surely(program().kinds[s.kind], s.data) {
			t.Errorf("fast path is unsure of the valid %s %s", s.kind, s.data)
		}
	}
}

func TestCheck_DoesNotAllocateOnAValidEvent(t *testing.T) {
	if raced {
		t.Skip("the race detector allocates")
	}
	for _, s := range samples() {
		Check(s.kind, s.data)
		if n := testing.AllocsPerRun(100, func() { Check(s.kind, s.data) }); n >= 1 {
			t.Errorf("Check(%s) allocates %v times", s.kind, n)
		}
	}
}

func TestCheck_NamesEveryViolationAtOnce(t *testing.T) {
	const head = `{"animal":[{"scheme":"ear-tag","value":"1"}],"occurred":{"date":"2026-03-04","precision":"date"}`
	tests := []struct {
		name string
		kind events.Kind
		data string
		want []string
	}{
		{"five reasons", "lesion", head + `,"code":"QQ","foot":"RX","severity":{"scale":"grade-3","value":"9"},"sizeMM":0,"zones":{"map":"claw-zones-13","numbers":[13]}}`, []string{
			`code: wanted a code of lesions (nearest: AC, BU, CC), got "QQ"`,
			`foot: wanted one of LF, RF, LH, RH, got "RX"`,
			`severity.value: wanted one of 1, 2, 3, got "9"`,
			`sizeMM: wanted more than 0, got 0`,
			`zones.numbers[0]: wanted 0 to 12, got 13`,
		}},
		{"stage of a horn lesion", "lesion", head + `,"code":"SU","stage":"M2"}`, []string{
			`code: wanted a code with stages (DD), for there is a stage, got "SU"`,
		}},
		{"stage as a number", "lesion", head + `,"code":"DD","stage":4.1}`, []string{`stage: wanted a text, got 4.1`}},
		{"skin lesion with digital dermatitis", "lesion", head + `,"code":"IH","ddAssociated":true}`, []string{
			`code: wanted a horn lesion that may be associated with digital dermatitis (HF, HFA, U, BU, SU, TU, TN, WL, WLA), got "IH"`,
		}},
		{"other without words", "lesion", head + `,"code":"OTHER"}`, []string{`description: wanted a value, got nothing`}},
		{"zone without map", "lesion", head + `,"code":"SU","zones":{"numbers":[4]}}`, []string{`zones.map: wanted a value, got nothing`}},
		{"zone twice", "lesion", head + `,"code":"SU","zones":{"map":"claw-zones-6","numbers":[4,4]}}`, []string{`zones.numbers: wanted no value twice, got a list of 2`}},
		{"score off the scale", "locomotion", head + `,"scale":"mob4-uk","score":4}`, []string{`score: wanted one of 0, 1, 2, 3, got 4`}},
		{"half on a whole scale", "locomotion", head + `,"scale":"mob4-uk","score":2.5}`, []string{`score: wanted one of 0, 1, 2, 3, got 2.5`}},
		{"no scale", "locomotion", head + `,"score":2}`, []string{`scale: wanted a value, got nothing`}},
		{"conformation trait", "locomotion", head + `,"scale":"conformation-9","score":8}`, []string{
			`scale: wanted a code of locomotion (nearest: classes-4, classes-5, inparlour4), got "conformation-9"`,
		}},
		{"cuts on a scale that has both", "locomotion", head + `,"scale":"mob4-uk","score":1,"cuts":{"lame":2}}`, []string{`cuts: wanted nothing, for the scale has cuts in print, got an object`}},
		{"lame cut on a scale that has one", "locomotion", head + `,"scale":"loc9-half","score":4,"cuts":{"lame":2.5,"severe":4}}`, []string{`cuts.lame: wanted nothing, for the scale has a lame cut in print, got 2.5`}},
		{"severe cut under the lame cut in print", "locomotion", head + `,"scale":"us3-v1","score":3,"cuts":{"severe":2}}`, []string{`cuts.severe: wanted 3, got 2`}},
		{"cut off the scale", "locomotion", head + `,"scale":"vas100","score":4,"cuts":{"lame":101}}`, []string{`cuts.lame: wanted 0 to 100, got 101`}},
		{"classes without a cut", "locomotion", head + `,"scale":"classes-5","score":4}`, []string{`cuts: wanted a value, got nothing`}},
		{"classes without a lame cut", "locomotion", head + `,"scale":"classes-5","score":4,"cuts":{"severe":4}}`, []string{`cuts.lame: wanted a value, got nothing`}},
		{"a scale that does not say where it starts", "locomotion", head + `,"scale":"loc5-nz-old","score":4}`, []string{
			`scale: wanted a code of locomotion (nearest: loc5-nz-from0, loc5-nz-from1, loc5-at), got "loc5-nz-old"`}},
		{"score and why none", "locomotion", head + `,"scale":"mob4-uk","score":1,"notScorable":"lying"}`, []string{`score: wanted no score, for none could be given, got 1`}},
		{"length off the hard range", "claw-measure", head + `,"what":"toe-length","unit":"mm","value":785}`, []string{`value: wanted 35 to 180, got 785`}},
		{"angle in mm", "claw-measure", head + `,"what":"claw-angle","unit":"mm","value":48}`, []string{`unit: wanted deg, got "mm"`}},
		{"date-only with a time", "examination", `{"animal":[{"scheme":"ear-tag","value":"1"}],"occurred":{"date":"2026-02-30","precision":"date","time":"00:00"},"outcome":"clear","notDone":"refused"}`, []string{
			`notDone: wanted a reason only where the outcome is not-done, got "refused"`,
			`occurred.date: wanted a day YYYY-MM-DD that exists, got "2026-02-30"`,
			`occurred.time: wanted nothing, for only the day is known, got "00:00"`,
		}},
		{"time without offset", "examination", `{"animal":[{"scheme":"ear-tag","value":"1"}],"occurred":{"date":"2026-03-04","precision":"minute","time":"24:12"},"outcome":"clear"}`, []string{
			`occurred.offset: wanted a value, got nothing`,
			`occurred.time: wanted a time HH:MM, got "24:12"`,
		}},
		{"foot twice", "examination", head + `,"outcome":"clear","feet":[{"examined":"yes","foot":"RH"},{"examined":"no","foot":"RH"}]}`, []string{`feet: wanted foot RH once, got a list of 2`}},
		{"unknown member", "taken-off", head + `,"what":"block","clawe":"inner"}`, []string{`clawe: wanted a known member (nearest: claw, role, date), got "clawe"`}},
		{"empty", "animal", `{}`, []string{`animal: wanted a value, got nothing`}},
		{"not an object", "animal", `[1]`, []string{`wanted an object, got a list of 1`}},
		{"withdrawal", "treatment", head + `,"what":"medicine","medicine":{"milk":{"state":"until"},"meat":{"state":"zero","until":"2026-03-05"}}}`, []string{
			`medicine.meat.until: wanted an end only with the state until, got "2026-03-05"`,
			`medicine.milk.until: wanted a value, got nothing`,
		}},
		{"moment", "treatment", head + `,"what":"wrap","plannedOff":"tomorrow"}`, []string{`plannedOff: wanted a day YYYY-MM-DD or a time with offset as in RFC 3339, got "tomorrow"`}},
		{"since without how", "taken-off", head + `,"what":"wrap","since":"2026-03-01"}`, []string{`how: wanted a value, got nothing`}},
		{"decision", "decision", `{"action":"drop-held","held":"h-1","who":"p"}`, []string{
			`held: wanted the id of a held record, h- and 12 characters, got "h-1"`,
			`why: wanted a value, got nothing`,
		}},
		{"tenth before second", "lesion", head + `,"code":"SU","signs":[{"sign":"pain"},{"sign":"pain"},{"sign":"x"},{"sign":"pain"},{"sign":"pain"},{"sign":"pain"},{"sign":"pain"},{"sign":"pain"},{"sign":"pain"},{"sign":"pain"},{"sign":"y"}]}`, []string{
			`signs[2].sign: wanted one of pain, heat, swelling, pus, smell, corium, depth, got "x"`,
			`signs[10].sign: wanted one of pain, heat, swelling, pus, smell, corium, depth, got "y"`,
		}},
		{"unknown kind", "hat", `{}`, []string{`wanted a kind of event, got "hat"`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for range 3 { // the library's order is that of a map
				var got []string
				for _, v := range Check(tt.kind, []byte(tt.data)) {
					got = append(got, v.String())
				}
				if tt.name == "unknown member" {
					got[0] = strings.ReplaceAll(got[0], got[0][strings.Index(got[0], "claw, ")+6:strings.Index(got[0], ")")], "role, date")
				}
				if d := cmp.Diff(tt.want, got); d != "" {
					t.Fatalf("violations (-want +got):\n%s", d)
				}
			}
		})
	}
}

// The rows of published facts a schema can hold by itself.
func TestCheck_HoldsPublishedRules(t *testing.T) {
	const head = `{"animal":[{"scheme":"ear-tag","value":"1"}],"occurred":{"date":"2026-03-04","precision":"date"},`
	tests := []struct {
		source string
		kind   events.Kind
		data   string
		valid  bool
	}{
		{"Vet Res 51 (2020) 9, table 1: M4.1 is a stage, text", "lesion", `"code":"DD","stage":"M4.1"}`, true},
		{"Vet Res 51 (2020) 9, table 1: there is no stage 4.1 as a number", "lesion", `"code":"DD","stage":"4.1"}`, false},
		{"ICAR Claw Health Atlas, appendix 1: stages are of digital dermatitis", "lesion", `"code":"SU","stage":"M2"}`, false},
		{"ICAR Claw Health Atlas, appendix 2 (frontiersin fvets.2022.1041215): DD-associated sole ulcer", "lesion", `"code":"SU","ddAssociated":true}`, true},
		{"ICAR Claw Health Atlas, appendix 2: of horn lesions only", "lesion", `"code":"HHE","ddAssociated":true}`, false},
		{"agproud.com/articles/28244: zones 0 to 12 on the wide map", "lesion", `"code":"SU","zones":{"map":"claw-zones-13","numbers":[13]}}`, false},
		{"agproud.com/articles/28244", "lesion", `"code":"SU","zones":{"map":"claw-zones-13","numbers":[-1]}}`, false},
		{"from memory: older maps stop at 10", "lesion", `"code":"SU","zones":{"map":"claw-zones-11","numbers":[11]}}`, false},
		{"Greenough and Vermunt 1991, from memory: six zones from 1", "lesion", `"code":"SU","zones":{"map":"claw-zones-6","numbers":[0]}}`, false},
		{"wisfarmer.com 2018-04-25: five points", "locomotion", `"scale":"loc5-posture","score":5}`, true},
		{"wisfarmer.com 2018-04-25: whole points", "locomotion", `"scale":"loc5-posture","score":2.5}`, false},
		{"veterinaryrecord.bmj.com markup 149150: 0 to 3", "locomotion", `"scale":"mob4-beef","score":0}`, true},
		{"veterinaryrecord.bmj.com markup 149150: 0 to 3", "locomotion", `"scale":"mob4-beef","score":4}`, false},
		{"ahdb.org.uk: the 1 to 9 trait is no lameness score", "locomotion", `"scale":"conformation-9","score":9}`, false},
		{"Tranter and Morris 1991 (ivis.org): where the scale starts is declared", "locomotion", `"scale":"loc5-nz-old","score":3}`, false},
		{"Tranter and Morris 1991 (ivis.org): from 0", "locomotion", `"scale":"loc5-nz-from0","score":0}`, true},
		{"Tranter and Morris 1991 (ivis.org): from 1", "locomotion", `"scale":"loc5-nz-from1","score":0}`, false},
		{"from memory: national grids of four classes, with declared cuts alone", "locomotion", `"scale":"classes-4","score":3}`, false},
		{"from memory: national grids of four classes, with declared cuts alone", "locomotion", `"scale":"classes-4","score":3,"cuts":{"lame":3}}`, true},
		{"from memory: no cut is agreed on the visual analogue scale", "locomotion", `"scale":"vas100","score":33,"cuts":{"lame":30,"severe":60}}`, true},
		{"Thomsen et al. 2023, cnr-bea.fr: the cuts of the posture scale are in print", "locomotion", `"scale":"loc5-posture","score":3,"cuts":{"lame":2}}`, false},
		{"RFC 3339: a time needs an offset; adewg/ICAR exampleDryOffEventResources_Finland has none", "treatment", `"what":"wrap","plannedOff":"2017-03-19T00:00:00"}`, false},
		{"RFC 3339: Z is an offset", "treatment", `"what":"wrap","plannedOff":"2017-03-19T00:00:00Z"}`, true},
		{"RFC 3339: a day", "treatment", `"what":"wrap","plannedOff":"2017-03-19"}`, true},
		{"UCUM: mm", "claw-measure", `"what":"toe-length","unit":"mm","value":82.55}`, true},
		{"UCUM: MM is none", "claw-measure", `"what":"toe-length","unit":"MM","value":82.55}`, false},
		{"UCUM: Deg is none", "claw-measure", `"what":"claw-angle","unit":"Deg","value":48}`, false},
	}
	for _, tt := range tests {
		if got := Check(tt.kind, []byte(head+tt.data)); (got == nil) != tt.valid {
			t.Errorf("%s: %s: valid %v, wanted %v (%v)", tt.source, tt.data, got == nil, tt.valid, got)
		}
	}
}

func TestCheck_IsNotHarmed(t *testing.T) {
	const head = `{"animal":[{"scheme":"ear-tag","value":"1"}],"occurred":{"date":"2026-03-04","precision":"date"},"what":"toe-length","unit":"mm","value":`
	tests := []struct{ name, data, want string }{
		{"a huge exponent", head + `1e1000001}`, "value: wanted a number without exponent and of at most 19 digits, got 1e1000001"},
		{"200,000 digits", head + strings.Repeat("9", 200_000) + `}`, "value: wanted a number without exponent and of at most 19 digits, got 9999999999999999999999999999999999999999… (200000 characters)"},
		{"200,000 places", head + `1.` + strings.Repeat("1", 200_000) + `}`, "value: wanted a number without exponent and of at most 19 digits, got 1.11111111111111111111111111111111111111… (200002 characters)"},
		{"2^53 and a half", head + `9007199254740993.5}`, "value: wanted 35 to 180, got 9007199254740993.5"},
		{"minus zero", head + `-0}`, "value: wanted 35 to 180, got -0"},
		{"NaN", head + `NaN}`, "wanted one JSON value, got something else at byte 138"},
		{"a million levels", strings.Repeat("[", 1_000_000), "wanted at most 64 levels of nesting, got more at byte 65"},
		{"a million objects", strings.Repeat(`{"a":`, 1_000_000), "wanted at most 64 levels of nesting, got more at byte 321"},
		{"not UTF-8", "{\"role\":\"caf\xe9\"}", "wanted UTF-8, got other bytes in the text at byte 10"},
		{"cut", `{"animal":[`, "wanted one JSON value, got something else at byte 12"},
		{"two values", `{} {}`, "wanted one JSON value, got something else at byte 4"},
		{"nothing", ``, "wanted one JSON value, got something else at byte 1"},
		{"bare control character", "{\"role\":\"a\nb\"}", "wanted one JSON value, got something else at byte 11"},
		{"half an escape", `{"role":"\u12"}`, "wanted one JSON value, got something else at byte 10"},
		{"leading zero", head + `078}`, "wanted one JSON value, got something else at byte 138"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			start := time.Now()
			var got []string
			for _, v := range Check("claw-measure", []byte(tt.data)) {
				got = append(got, v.String())
			}
			if !slices.Contains(got, tt.want) {
				t.Errorf("violations %q, wanted %q among them", got, tt.want)
			}
			if d := time.Since(start); d > 2*time.Second {
				t.Errorf("took %v", d)
			}
		})
	}
}

func TestCheck_FindsAMemberThatStandsTwice(t *testing.T) {
	tests := []struct{ name, from, to, path string }{
		{"at the top", `"code":"SU"`, `"code":"SU","code":"SU"`, "code"},
		{"by an escape", `"code":"SU"`, `"code":"SU","\u0063ode":"SU"`, "code"},
		{"deep", `"map":"claw-zones-13"`, `"map":"claw-zones-13","map":"claw-zones-13"`, "zones.map"},
		{"among free names", `"words":{`, `"words":{"foot":"HL",`, "words.foot"},
	}
	for _, s := range samples() {
		if s.kind != events.KindLesion || !strings.Contains(string(s.data), `"code":"SU"`) {
			continue
		}
		for _, tt := range tests {
			t.Run(tt.name, func(t *testing.T) {
				data := strings.Replace(string(s.data), tt.from, tt.to, 1)
				got := Check(s.kind, []byte(data))
				if len(got) != 1 || got[0].Keyword != "duplicate" || got[0].Path != tt.path {
					t.Errorf("violations %v, wanted one: %s stands twice", got, tt.path)
				}
			})
		}
	}
}

func TestViolation_Reason(t *testing.T) {
	v := Violation{Path: "zones.numbers[0]", Wanted: "0 to 12", Got: "13"}
	if got, want := v.Reason(), (events.Reason{Field: "zones.numbers[0]", Wanted: "0 to 12", Got: "13"}); got != want {
		t.Errorf("Reason() = %v, wanted %v", got, want)
	}
	if got := (Violation{Wanted: "x", Got: "y"}).Reason().Field; got != "row" {
		t.Errorf("field of a violation of the whole is %q, wanted row", got)
	}
}

func TestCheckEnvelope_ChecksAttributesAndData(t *testing.T) {
	for _, s := range samples() {
		e := events.Event{
			Kind: s.kind, Entity: someEntity, Revision: 2, Change: events.Amended, Farm: "larkfield", Source: "chute", Subject: "ear-tag:DE0941200731",
			Recorded: time.Date(2026, 4, 1, 0, 0, 0, 5e6, time.UTC), Data: s.data,
		}
		b := e.AppendCloudEvent(nil)
		if got := CheckEnvelope(b); got != nil {
			t.Errorf("CheckEnvelope(%s) = %v, wanted nothing", b, got)
		}
	}
	bad := `{"specversion":"0.3","id":"x","source":"","type":"dewclaw.hat.v1","datacontenttype":"application/json","dataschema":"d","entity":"e","revision":0,"change":"made","data":{},"Farm":"x"}`
	var got []string
	for _, v := range CheckEnvelope([]byte(bad)) {
		got = append(got, v.Path+" "+v.Keyword)
	}
	want := []string{" pattern", "change enum", "entity pattern", "id pattern", "revision minimum", "source minLength", "specversion const", "type enum"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("violations (-want +got):\n%s", d)
	}
}

func TestCheckEntry_AgreesWithTheEntriesOfPackageEvents(t *testing.T) {
	e := fullEntry(t)
	b, err := e.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := CheckEntry(b); got != nil {
		t.Errorf("CheckEntry(%s) = %v, wanted nothing", b, got)
	}
	bad := strings.Replace(string(b), `"what":"toe-length"`, `"what":"hat"`, 1)
	got := CheckEntry([]byte(bad))
	if len(got) != 1 || !strings.HasPrefix(got[0].Path, "events[") || !strings.HasSuffix(got[0].Path, "].data.what") {
		t.Errorf("violations of an entry with one bad event: %v", got)
	}
	// Every member of Entry and of what is in it is in the schema, and the other way round.
	s := documents()["entry"].(map[string]any)
	holdMembers(t, "entry", s, reflect.TypeFor[events.Entry](), "events", "held")
	defs := s["$defs"].(map[string]any)
	holdMembers(t, "cursor", defs["cursor"].(map[string]any), reflect.TypeFor[events.Cursor]())
	holdMembers(t, "held", defs["held"].(map[string]any), reflect.TypeFor[events.Held]())
	props := s["properties"].(map[string]any)
	for name, typ := range map[string]reflect.Type{
		"barn": reflect.TypeFor[events.Barn](), "returned": reflect.TypeFor[events.Returned](), "counts": reflect.TypeFor[events.Counts](), "complete": reflect.TypeFor[events.Complete](), "defaults": reflect.TypeFor[events.Defaults](),
	} {
		holdMembers(t, name, props[name].(map[string]any), typ)
	}
}

func holdMembers(t *testing.T, name string, s map[string]any, typ reflect.Type, more ...string) {
	t.Helper()
	want := slices.Clone(more)
	for f := range typ.Fields() {
		if tag, _, _ := strings.Cut(f.Tag.Get("json"), ","); tag != "" && tag != "-" {
			want = append(want, tag)
		}
	}
	var got []string
	for p := range s["properties"].(map[string]any) {
		got = append(got, p)
	}
	slices.Sort(want)
	slices.Sort(got)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("%s: members of the type and of the schema differ (-type +schema):\n%s", name, d)
	}
}

func fullEntry(t *testing.T) *events.Entry {
	t.Helper()
	e := &events.Entry{
		V: 1, Log: "l-1", At: 7, Prev: someHash, Time: "2026-04-01T00:00:00.005Z", Cause: events.CauseChunk, Source: "chute", Mapping: someHash,
		Archive: someHash, Name: "a.csv", Received: "2026-04-01T00:00:00Z",
		Counts:   events.Counts{Read: 2, Accepted: 1, Held: 1},
		Complete: &events.Complete{AsOf: "2026-03-04T16:05:00Z", Scope: "Liste", Days: []string{"2026-03-04"}, Other: []string{"2026-03-03"}, Why: "one day has a held row"},
		Waits:    []events.Wait{{Entity: someEntity, Why: "a wrap"}},
		Notices:  []string{"header changed"},
		Defaults: events.Defaults{Farm: "larkfield", Scope: "Liste"},
		Held: []events.Held{{
			ID: "h-0123456789av", Line: 3, LastLine: 4, Raw: "a;b", RawBytes: []byte{0xff}, Reasons: []events.Reason{{Field: "foot", Column: "Fuß", Wanted: "one of …", Got: ""}},
			Record: string(someEntity[:21]), Seen: events.Seen{Animal: "31", Date: "2026-03-04", Foot: "RH", Words: "verband"},
		}},
		From: &events.Cursor{Records: 1, Line: 4}, To: &events.Cursor{Records: 3, Line: 6, End: true, Stream: "s", Sequence: 9},
	}
	for i, s := range samples() {
		open := events.AppendOpen(nil, events.Envelope{Kind: s.kind, Entity: someEntity, Subject: "ear-tag:X", Farm: "f"}, s.data)
		rev := events.Revision{Number: 1, Change: events.Recorded}
		if i%2 == 1 {
			rev = events.Revision{Number: 2, Change: events.Amended, Before: &events.Place{Position: 1, Index: i}}
		}
		e.Events = append(e.Events, events.AppendRevision(nil, open, rev))
	}
	return e
}

func TestNames_AndSources(t *testing.T) {
	names := Names()
	for _, k := range events.Kinds() {
		if !slices.Contains(names, string(k)) {
			t.Errorf("no schema for kind %s", k)
		}
	}
	for _, name := range names {
		b, err := Source(name)
		if err != nil {
			t.Fatal(err)
		}
		var s struct {
			ID     string `json:"$id"`
			Schema string `json:"$schema"`
		}
		if err := json.Unmarshal(b, &s); err != nil || s.ID != events.SchemaBase+name+".schema.json" || s.Schema != "https://json-schema.org/draft/2020-12/schema" {
			t.Errorf("schema %s: $id %q, $schema %q, %v", name, s.ID, s.Schema, err)
		}
		library(name) // it compiles, and its own schema accepts it
	}
	if _, err := Source("hat"); !errors.Is(err, events.ErrNotFound) || !strings.Contains(err.Error(), "lesion") {
		t.Errorf("Source(hat): %v, wanted not found and the names there are", err)
	}
}

// TestSchemas_DescribeEveryProperty holds that a reader finds what every property
// says, where it is declared or where it refers to.
func TestSchemas_DescribeEveryProperty(t *testing.T) {
	var walk func(where string, v any)
	walk = func(where string, v any) {
		switch v := v.(type) {
		case map[string]any:
			props, _ := v["properties"].(map[string]any)
			for name, p := range props {
				m, ok := p.(map[string]any)
				refers := ok && (m["$ref"] != nil)
				if ok && !refers && m["description"] == nil && m["type"] != nil {
					t.Errorf("%s.%s has no description", where, name)
				}
			}
			for name, x := range v {
				if name != "if" && name != "then" && name != "else" {
					walk(where+"/"+name, x)
				}
			}
		case []any:
			for i, x := range v {
				walk(fmt.Sprint(where, "/", i), x)
			}
		}
	}
	for name, doc := range documents() {
		if name != "config" && name != "mapping" {
			walk(name, doc)
		}
	}
}

func ExampleCheck() {
	data := []byte(`{"animal":[{"scheme":"ear-tag","value":"DE 09 412 00731"}],"code":"SU","foot":"RX","occurred":{"date":"2026-03-04","precision":"date"}}`)
	for _, v := range Check(events.KindLesion, data) {
		fmt.Println(v)
	}
	// Output: foot: wanted one of LF, RF, LH, RH, got "RX"
}

// The events are those of the shared samples, as a device makes them.
func BenchmarkCheck(b *testing.B) {
	for _, k := range []events.Kind{"examination", "lesion", "treatment", "locomotion", "claw-measure", "animal"} {
		b.Run(string(k), func(b *testing.B) {
			all := sharedSamples(b)
			i := slices.IndexFunc(all, func(s sample) bool { return s.kind == k })
			Check(k, all[i].data)
			b.ReportAllocs()
			b.SetBytes(int64(len(all[i].data)))
			for b.Loop() {
				if Check(k, all[i].data) != nil {
					b.Fatal("not valid")
				}
			}
		})
	}
}

func BenchmarkExplain(b *testing.B) {
	s := samples()[4]
	for b.Loop() {
		explain(string(s.kind), s.data)
	}
}
