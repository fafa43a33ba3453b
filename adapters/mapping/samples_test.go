package mapping

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	jsonrows "dewclaw/adapters/json"
	"dewclaw/events"
	"dewclaw/schema"
)

const samples = "../../testdata/samples"

// received is the time of first receipt that the samples are written for.
var received = time.Date(2026, 4, 1, 0, 0, 0, 0, time.UTC)

func job(source, farm string) Job {
	zones := map[string]string{"larkfield": "Europe/Berlin", "stony-run": "America/Chicago"}
	return Job{Source: source, Farm: farm, Zone: zones[farm], Farms: zones, Received: received}
}

func decoder(t testing.TB, l adapters.Layout, r io.Reader) adapters.Decoder {
	t.Helper()
	open := adapters.NewDecoder(csv.NewDecoder)
	if l.Format != "csv" {
		open = jsonrows.NewDecoder
	}
	d, err := open(r, l)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// readAll decodes an original whole.
func readAll(t testing.TB, in *Inward, b []byte) (adapters.Head, []adapters.Row) {
	t.Helper()
	d := decoder(t, in.Layout(), bytes.NewReader(b))
	head, err := d.Head()
	if err != nil {
		t.Fatal(err)
	}
	var rows []adapters.Row
	for err == nil {
		rows, err = d.Read(rows, 100)
	}
	if err != io.EOF {
		t.Fatal(err)
	}
	return head, rows
}

// mapAll maps an original whole, chunk rows at a time.
func mapAll(t testing.TB, in *Inward, j Job, b []byte, chunk int) ([]adapters.Record, Ending) {
	t.Helper()
	head, rows := readAll(t, in, b)
	run, err := in.Start(j, head)
	if err != nil {
		t.Fatal(err)
	}
	m := run.Mapper()
	var out []adapters.Record
	for c := range slices.Chunk(rows, chunk) {
		out = m.Map(c, out)
	}
	return m.Flush(out), run.End()
}

func parseFile(t testing.TB, name string) *Inward {
	t.Helper()
	src, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	in, err := ParseInward(filepath.Base(name), src)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

// A sample is one of the inputs with what their description says of each
// line: the outcome of mapping, and for held lines what the reasons must name.
// Whether a record is new is not decided here.
type sample struct {
	file, mapping, farm string
	counts              map[adapters.Outcome]int
	held                map[int][]string // line: a part of each reason, in order
	drafts              int
}

var inputs = []sample{
	{"01-semicolon.csv", "01-semicolon", "larkfield", map[adapters.Outcome]int{adapters.Mapped: 6, adapters.Ignored: 1}, nil, 23},
	{"02-inches.csv", "02-inches", "stony-run", map[adapters.Outcome]int{adapters.Mapped: 6, adapters.Held: 1}, map[int][]string{
		6: {`Time (occurred.time): wanted a time that exists in America/Chicago, got "3/8/2026 2:30 AM"`},
	}, 21},
	{"03-gait.ndjson", "03-gait", "larkfield", map[adapters.Outcome]int{adapters.Mapped: 7, adapters.Held: 5}, map[int][]string{
		5:  {"$.score (score): wanted one of 0, 1, 2, 3 (scale mob4-uk), got 4"},
		6:  {"$.score (score): wanted one of 0, 1, 2, 3 (scale mob4-uk), got 2.5"},
		7:  {"conformation"},
		10: {`$.at (occurred.date): wanted a time that exists in Europe/Berlin, got "2026-03-29T02:30:00"`},
		11: {`row: wanted "," or "}", got the end of the text, as if it were cut off, at line 11, byte 80`},
	}, 7},
	{"04-visit.json", "04-visit", "stony-run", map[adapters.Outcome]int{adapters.Mapped: 3, adapters.Held: 1}, map[int][]string{
		15: {`wanted 15 digits, got 14 ("84000314159276")`},
	}, 8},
	{"05-roster.tsv", "05-roster", "larkfield", map[adapters.Outcome]int{adapters.Mapped: 8}, nil, 8},
	{"06-reexport.csv", "01-semicolon", "larkfield", map[adapters.Outcome]int{adapters.Mapped: 7, adapters.Ignored: 1}, nil, 25},
	{"07-rotten.csv", "07-rotten", "larkfield", map[adapters.Outcome]int{adapters.Mapped: 2, adapters.Held: 18}, map[int][]string{
		3: {"wanted 15 digits, got 14"}, 4: {"wanted 15 digits, got 16"}, 5: {"date (occurred.date): wanted a day that exists"},
		6: {"time (occurred.time): wanted a time of day that exists"}, 7: {`foot: wanted one of LF, RF, LH, RH, got "RX"`},
		8: {"zone (zones.numbers): wanted a zone from 0 to 12"}, 9: {"lesion (code): wanted a code of lesions (nearest: "},
		10: {"sev (severity.value): wanted one of 1, 2, 3"}, 11: {"toe_mm (value): wanted 35 to 180 mm"},
		12: {`got "3,250", which may be 3.25 or 3250`}, 13: {"in the future"}, 14: {"which is a test code"}, 15: {"274877906943"},
		16: {"tag (animal): wanted an identifier, got nothing"}, 17: {"row: wanted 9 cells as in the header, got 6"},
		18: {"row: wanted 9 cells as in the header, got 10"},
		19: {"foot: wanted", "lesion (code): wanted", "zone (zones.numbers): wanted", "sev (severity.value): wanted", "toe_mm (value): wanted"},
		20: {"a quote at byte 1 that is never closed"},
	}, 6},
	{"08-barn-diary.csv", "08-barn-diary", "larkfield", map[adapters.Outcome]int{adapters.Mapped: 11, adapters.Held: 5, adapters.Ignored: 1}, map[int][]string{
		14: {`Zustand (state): wanted one of on, loose, worn, gone for a wrap, got "rocking" ("wackelt")`},
		15: {`Zustand (state): wanted one of sitzt, locker, wackelt, abgelaufen, weg, heilt, heilt nicht, zu, got "schief"`},
		16: {`Tag (occurred.date): wanted a day that exists, as D.M.YY, got "31.2.26"`},
		17: {"Ohrmarke, Nr (animal): wanted an identifier, got nothing"},
		18: {`Tiere (passed): wanted a number`},
	}, 13},
}

func (s *sample) load(t testing.TB) (*Inward, []byte) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(samples, s.file))
	if err != nil {
		t.Fatal(err)
	}
	return parseFile(t, filepath.Join(samples, s.mapping+".yaml")), b
}

func TestSamples_EveryLineHasItsOutcomeAndReasons(t *testing.T) {
	for _, s := range inputs {
		t.Run(s.file, func(t *testing.T) {
			in, b := s.load(t)
			records, _ := mapAll(t, in, job(in.Name(), s.farm), b, 100)
			counts, drafts := map[adapters.Outcome]int{}, 0
			for _, r := range records {
				counts[r.Outcome]++
				drafts += len(r.Drafts)
				want, ok := s.held[r.Line]
				if ok != (r.Held != nil) {
					t.Errorf("line %d: held %v, want %v", r.Line, r.Held, want)
					continue
				}
				if r.Held == nil {
					continue
				}
				if len(want) != len(r.Held.Reasons) {
					t.Errorf("line %d: reasons %v, want %v", r.Line, r.Held.Reasons, want)
					continue
				}
				for i, x := range r.Held.Reasons {
					if !strings.Contains(x.String(), want[i]) {
						t.Errorf("line %d: reason %q does not say %q", r.Line, x, want[i])
					}
				}
			}
			if diff := cmp.Diff(s.counts, counts); diff != "" {
				t.Errorf("outcomes (-want +got):\n%s", diff)
			}
			if drafts != s.drafts {
				t.Errorf("got %d events, want %d", drafts, s.drafts)
			}
		})
	}
}

func TestSamples_EndTellsWhetherTheExportMayRetract(t *testing.T) {
	in := parseFile(t, filepath.Join(samples, "01-semicolon.yaml"))
	whole, err := os.ReadFile(filepath.Join(samples, "01-semicolon.csv"))
	if err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(whole, []byte("\n"))
	without := func(n int, total string) []byte {
		kept := slices.Concat(lines[:n-1], lines[n:])
		return bytes.Replace(bytes.Join(kept, nil), []byte("6 Tiere"), []byte(total), 1)
	}
	tests := []struct {
		name string
		in   []byte
		want Ending
	}{
		{"whole", whole, Ending{TotalSeen: true, TotalRight: true, Total: 6, Counted: 6, May: true}},
		{"cut after line 7", bytes.Join(lines[:7], nil), Ending{Counted: 2, Why: "the total line is missing"}},
		{"a line lost", without(10, "6 Tiere"), Ending{TotalSeen: true, Total: 6, Counted: 5, Why: "the total line says 6 animals, 5 were counted"}},
		{"a line left out", without(10, "5 Tiere"), Ending{TotalSeen: true, TotalRight: true, Total: 5, Counted: 5, May: true}},
		{"no number", without(10, "alle"), Ending{TotalSeen: true, Total: -1, Counted: 5, Why: "the total line 11 has no number that can be read"}},
		{"rows behind", slices.Concat(whole, lines[5]), Ending{Total: 6, Counted: 6, Why: "rows stand behind the total line 12"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.want.AsOf, tt.want.Scope = "2026-03-04T16:05:00Z", "Liste Stall 2"
			_, got := mapAll(t, in, job("larkfield-chute", "larkfield"), tt.in, 3)
			if told := strings.Join(got.Notices, ""); !strings.HasPrefix(told, tt.want.Why) || (told == "") != (tt.want.Why == "") {
				t.Errorf("told %q, want %q", told, tt.want.Why)
			}
			got.Notices, got.Rows = nil, 0
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("ending (-want +got):\n%s", diff)
			}
		})
	}
}

// goldenEvent is one line of a golden file, its data in canonical form.
type goldenEvent struct {
	Type, Subject, Time, Entity, Change string
	Data                                string
	notes                               []string // codes of its advisories
}

// readGolden reads the expected events of a sample, which were written by hand
// from the description of the samples. Labels stand for entities.
func readGolden(t *testing.T, file string) []goldenEvent {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(samples, strings.TrimSuffix(file, filepath.Ext(file))+".golden.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	var out []goldenEvent
	for line := range bytes.Lines(b) {
		var e struct {
			Type, Subject, Time, Entity, Change string
			Data                                map[string]any
		}
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatal(err)
		}
		out = append(out, goldenEvent{e.Type, e.Subject, e.Time, e.Entity, e.Change, canonical(t, e.Data, nil), noteCodes(e.Data)})
	}
	return out
}

func noteCodes(data map[string]any) (out []string) {
	notes, _ := data["notes"].([]any)
	for _, n := range notes {
		code, _ := n.(map[string]any)["code"].(string)
		out = append(out, code)
	}
	return out
}

// named leaves the advisories that are named: the golden files allow others.
func named(data map[string]any, codes []string) map[string]any {
	notes, _ := data["notes"].([]any)
	notes = slices.DeleteFunc(notes, func(n any) bool { return !slices.Contains(codes, fmt.Sprint(n.(map[string]any)["code"])) })
	if data["notes"] = notes; len(notes) == 0 {
		delete(data, "notes")
	}
	return data
}

// canonical writes data without what the golden files leave open: the archive,
// the version of the rules, the details of advisories; entities by label.
func canonical(t *testing.T, data map[string]any, labels map[string]string) string {
	t.Helper()
	if o, ok := data["origin"].(map[string]any); ok {
		delete(o, "archive")
	}
	if d, ok := data["derived"].(map[string]any); ok {
		delete(d, "rules")
		if len(d) == 0 {
			delete(data, "derived")
		}
	}
	if notes, ok := data["notes"].([]any); ok {
		for _, n := range notes {
			delete(n.(map[string]any), "detail")
		}
	}
	if x, ok := data["examination"].(string); ok && labels != nil {
		data["examination"] = labels[x]
	}
	b, err := json.Marshal(data)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestSamples_GiveTheGoldenEvents(t *testing.T) {
	for _, s := range inputs {
		t.Run(s.file, func(t *testing.T) {
			in, b := s.load(t)
			records, _ := mapAll(t, in, job(in.Name(), s.farm), b, 100)
			golden := readGolden(t, s.file)
			got := drafted(t, records)
			// An examination is known by itself, the rest also by the label of
			// its examination: so examinations first.
			labels := map[string]string{}
			for _, kind := range []string{"dewclaw.examination.v1", ""} {
				for i := range golden {
					g := &golden[i]
					if (g.Type == "dewclaw.examination.v1") != (kind != "") || g.Change == string(events.Retracted) {
						continue
					}
					k := slices.IndexFunc(got, func(d draftEvent) bool {
						return d.typ == g.Type && d.subject == g.Subject && d.time == g.Time && canonical(t, named(d.decode(t), g.notes), labels) == g.Data &&
							(labels[d.entity] == "" || labels[d.entity] == g.Entity)
					})
					if k < 0 {
						if s.file == "06-reexport.csv" && g.Change == string(events.Amended) {
							g.Data = strings.Replace(g.Data, `"examination":"@731-exam"`, `"examination":""`, 1)
							k = slices.IndexFunc(got, func(d draftEvent) bool { return canonical(t, named(d.decode(t), g.notes), labels) == g.Data })
						}
						if k < 0 {
							t.Errorf("missing: %s %s\n%s", g.Entity, g.Type, g.Data)
							continue
						}
					}
					labels[got[k].entity] = g.Entity
					got = slices.Delete(got, k, k+1)
				}
			}
			// What is left was said before: a duplicate of 03, the old events of 06.
			left := map[string]int{"03-gait.ndjson": 1, "06-reexport.csv": 19}[s.file]
			if len(got) != left {
				for _, d := range got {
					t.Logf("left: %s %s", d.typ, d.data)
				}
				t.Errorf("%d events are not in the golden file, want %d", len(got), left)
			}
		})
	}
}

type draftEvent struct {
	typ, subject, time, entity string
	data                       []byte
}

func (d *draftEvent) decode(t *testing.T) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(d.data, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

// drafted turns drafts into events the way the log does, and checks each
// against its published schema.
func drafted(t *testing.T, records []adapters.Record) []draftEvent {
	t.Helper()
	var out []draftEvent
	for _, r := range records {
		for i := range r.Drafts {
			d := &r.Drafts[i]
			if v := schema.Check(d.Kind, d.Data); len(v) > 0 {
				t.Errorf("line %d: %s: %v", r.Line, d.Kind, v)
			}
			e := events.Entry{Time: "2026-04-01T00:00:00Z", Events: [][]byte{events.AppendRevision(nil, d.Open, events.Revision{Number: 1, Change: events.Recorded})}}
			ev, err := e.Event(0)
			if err != nil {
				t.Fatal(err)
			}
			p, err := ev.Payload()
			if err != nil {
				t.Fatal(err)
			}
			var enc events.Encoder
			if enc.Digest(p) != d.Digest {
				t.Errorf("line %d: digest of the draft is not that of its data", r.Line)
			}
			if ev.Entity != d.Entity || ev.Kind != d.Kind || !bytes.Equal(ev.Data, d.Data) {
				t.Errorf("line %d: draft and stored form differ", r.Line)
			}
			out = append(out, draftEvent{ev.Kind.Type(), ev.Subject, ev.Time(), string(d.Entity), d.Data})
		}
	}
	return out
}

// A re-export names the same entities, and what did not change has the same
// digest.
func TestSamples_AReexportKnowsItsEntities(t *testing.T) {
	digests := func(file string) map[events.Entity]events.Digest {
		s := sample{file: file, mapping: "01-semicolon"}
		in, b := s.load(t)
		records, _ := mapAll(t, in, job("larkfield-chute", "larkfield"), b, 100)
		out := map[events.Entity]events.Digest{}
		for _, r := range records {
			for _, d := range r.Drafts {
				out[d.Entity] = d.Digest
			}
		}
		return out
	}
	first, again := digests("01-semicolon.csv"), digests("06-reexport.csv")
	var same, changed, gone int
	for e, d := range first {
		switch other, ok := again[e]; {
		case !ok:
			gone++
		case other == d:
			same++
		default:
			changed++
		}
	}
	// 00731: the severity of one lesion; 00785: examination, lesion, measure.
	if same != 19 || changed != 1 || gone != 3 || len(again)-same-changed != 5 {
		t.Errorf("got %d same, %d changed, %d gone, %d new", same, changed, gone, len(again)-same-changed)
	}
}

func TestSamples_AnyChunkingGivesTheSameRecords(t *testing.T) {
	for _, s := range inputs {
		in, b := s.load(t)
		want, end := mapAll(t, in, job(in.Name(), s.farm), b, 1000)
		for chunk := 1; chunk <= 7; chunk++ {
			got, e := mapAll(t, in, job(in.Name(), s.farm), b, chunk)
			if !reflect.DeepEqual(want, got) {
				t.Errorf("%s in chunks of %d:\n%s", s.file, chunk, cmp.Diff(want, got))
			}
			if !reflect.DeepEqual(e, end) {
				t.Errorf("%s in chunks of %d: ending %+v, want %+v", s.file, chunk, e, end)
			}
		}
	}
}

// A held record is seen by who, when, where and in words, but without codes.
func TestSamples_HeldRecordsShowWhatCanBeSeen(t *testing.T) {
	want := map[string]map[int]events.Seen{
		"02-inches.csv": {6: {Animal: "840003141592737", Date: "2026-03-08", Foot: "RH", Words: "Outside, SOLE ULCER, clock says 2:30"}},
		"04-visit.json": {15: {Animal: "84000314159276", Date: "2026-03-10", Words: "lateral, sole, bruise, ain"}},
		"07-rotten.csv": {
			3: {Animal: "27600094120073", Date: "2026-03-04", Foot: "RH"}, 7: {Animal: "276000941200731", Date: "2026-03-04", Foot: "RX"},
			13: {Animal: "276000941200731", Date: "2031-03-04", Foot: "RH"}, 18: {Animal: "276000941200731", Date: "2026-03-04", Words: "extra"},
		},
	}
	for _, s := range inputs {
		in, b := s.load(t)
		records, _ := mapAll(t, in, job(in.Name(), s.farm), b, 100)
		for _, r := range records {
			seen, ok := want[s.file][r.Line]
			if !ok {
				continue
			}
			if r.Held == nil {
				t.Errorf("%s line %d is not held", s.file, r.Line)
				continue
			}
			if diff := cmp.Diff(seen, r.Held.Seen); diff != "" {
				t.Errorf("%s line %d (-want +got):\n%s", s.file, r.Line, diff)
			}
			if r.Held.ID != events.HeldID(in.Name(), []byte(r.Held.Raw)) {
				t.Errorf("%s line %d: id is not that of its text", s.file, r.Line)
			}
		}
	}
}

func ExampleInward() {
	in, err := ParseInward("scores.yaml", []byte(`
mapping: scores
direction: in
dates: DD.MM.YYYY
read: {format: csv, delimiter: ";"}
record: {identifier: [transponder]}
animal: {transponder: tag}
occurred: {date: day}
events:
  - locomotion: {scale: =loc5-posture, score: score}
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	d, _ := csv.NewDecoder(strings.NewReader("tag;day;score\n276000941200731;04.03.2026;3\n276000941200731;04.03.2026;6\n"), in.Layout())
	head, _ := d.Head()
	run, err := in.Start(Job{Source: "gate", Farm: "larkfield", Zone: "Europe/Berlin", Received: received}, head)
	if err != nil {
		fmt.Println(err)
		return
	}
	rows, _ := d.Read(nil, 10)
	m := run.Mapper()
	for _, r := range m.Flush(m.Map(rows, nil)) {
		for _, draft := range r.Drafts {
			fmt.Println(r.Line, draft.Kind)
		}
		if r.Held != nil {
			fmt.Println(r.Line, r.Held.Reasons[0])
		}
	}
	// Output:
	// 2 locomotion
	// 3 score: wanted one of 1, 2, 3, 4, 5 (scale loc5-posture), got 6
}
