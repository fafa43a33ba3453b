package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

const (
	oracleConfig = `version: 1
farms: {hilltop: {name: Hilltop, zone: Europe/Berlin}}
sources:
  own: {farm: hilltop, folder: in/own, files: ["*.csv"], mapping: own.yaml, rest: 0s}
  rows: {farm: hilltop, folder: in/rows, files: ["*.csv"], mapping: rows.yaml, rest: 0s}
  lists: {farm: hilltop, folder: in/lists, files: ["*.csv"], mapping: lists.yaml, rest: 0s}
recipients: {vet: {name: The vet}}
feeds:
  ulcers: {recipient: vet, farms: [hilltop], kinds: [lesion], where: {lesion: {code: [SU]}}, to: {folder: out}, batch: {rows: 3}}
grants:
  - {farm: hilltop, recipient: vet, purpose: care, kinds: [lesion], fields: identities, from: 2025-01-01}
`
	oracleMapping = `mapping: t
direction: in
dates: YYYY-MM-DD
animal: {ear-tag: tag}
occurred: {date: day}
row: {foot: foot, claw: =outer}
events:
  - lesion: {code: {from: lesion, table: {SU: SU, WLF: WLF}}, severity: {from: sev, scale: grade-3}}
`
)

var oracleSources = map[string]string{
	"own":  "read: {format: csv}\nrecord: {key: no}\n",
	"rows": "read: {format: csv}\nrecord: {identifier: [ear-tag]}\n",
	"lists": "read: {format: csv, titles: 1}\nrecord: {key: no}\ncomplete:\n  by: day\n  scope: =barn\n" +
		"  as-of: {title: 1, layout: \"YYYY-MM-DD HH:mm\"}\n  brake: 3\n",
}

// TestOracle plays random files, re-exports, exports out of order, repeats,
// corrections, releases, kills and lost read models on the program, and holds it
// to the model after each: every revision of every fact with the line it came
// from, the books of each file, the held records, and what the recipient of a
// feed with a filter has.
//
//	go test ./daemon -run '^TestOracle$' -rapid.checks 500
func TestOracle(t *testing.T) {
	if testing.Short() {
		t.Skip("runs the program, one command at a time")
	}
	t.Parallel()
	checks := 1
	if *long {
		checks = 300
	}
	atMost(t, "rapid.checks", checks, 100)
	atMost(t, "rapid.steps", 20, 30)
	rapid.Check(t, play)
}

// atMost sets a flag of the generator for one test, unless it was set by hand.
func atMost(t *testing.T, name string, value, usual int) {
	t.Helper()
	f := flag.Lookup(name)
	if f.Value.String() != fmt.Sprint(usual) {
		return
	}
	if err := flag.Set(name, fmt.Sprint(value)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = flag.Set(name, fmt.Sprint(usual)) })
}

func play(t *rapid.T) {
	o := newOracle(t)
	defer os.RemoveAll(o.dir)
	t.Repeat(map[string]func(*rapid.T){
		"file":     o.file,
		"repeat":   o.repeat,
		"again":    o.again,
		"correct":  o.correct,
		"reassign": o.reassign,
		"withdraw": o.withdraw,
		"release":  o.release,
		"drop":     o.drop,
		"forget":   o.forget,
		"":         func(*rapid.T) {},
	})
	o.judge(t)
	o.dewclaw(t, "verify")
}

// An oracle is the program in a folder and the model beside it.
type oracle struct {
	dir    string
	model  map[string]*modelSource
	asOf   int
	files  []playedFile
	bySum  map[string]playedFile
	rotten int
}

type playedFile struct {
	source, name string
	file         modelFile
}

func newOracle(t *rapid.T) *oracle {
	base := "/dev/shm" // nothing in it has to survive the machine, and it is quick
	if info, err := os.Stat(base); err != nil || !info.IsDir() {
		base = ""
	}
	dir, err := os.MkdirTemp(base, "oracle")
	if err != nil {
		t.Fatal(err)
	}
	o := &oracle{dir: dir, bySum: map[string]playedFile{}, model: map[string]*modelSource{
		"own": newModelSource(true, false), "rows": newModelSource(false, false), "lists": newModelSource(true, true),
	}}
	o.write(t, "dewclaw.yaml", []byte(oracleConfig))
	o.write(t, "out/.keep", nil)
	for name, text := range oracleSources {
		o.write(t, name+".yaml", []byte(oracleMapping+text))
		o.write(t, "in/"+name+"/.keep", nil)
	}
	o.dewclaw(t, "once")
	return o
}

func (o *oracle) write(t *rapid.T, name string, b []byte) {
	path := filepath.Join(o.dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

// row draws a row: few keys and values, so that they meet again. A number stands
// for one day, since a fact of a complete list that moves to another day is gone
// from the first.
func (o *oracle) row(t *rapid.T) modelRow {
	no := rapid.IntRange(1, 8).Draw(t, "no")
	r := modelRow{
		no: no, tag: fmt.Sprintf("DE094120073%d", rapid.IntRange(1, 3).Draw(t, "tag")),
		day: fmt.Sprintf("2026-03-0%d", 1+no%2), foot: rapid.SampledFrom([]string{"LH", "RH"}).Draw(t, "foot"),
		lesion: rapid.SampledFrom([]string{"SU", "SU", "WLF"}).Draw(t, "lesion"), sev: rapid.IntRange(1, 2).Draw(t, "sev"),
	}
	if rapid.IntRange(0, 9).Draw(t, "rotten") == 0 {
		o.rotten++
		r.no, r.tag, r.lesion = 100+2*o.rotten+no%2, fmt.Sprintf("DE09412009%02d", o.rotten), rottenLesion
	}
	return r
}

// file gives a source a new file and lets the program read it, sometimes with a
// kill on the way.
func (o *oracle) file(t *rapid.T) {
	source := rapid.SampledFrom([]string{"own", "rows", "lists"}).Draw(t, "source")
	f := modelFile{}
	if last := o.last(source); last != nil && rapid.Bool().Draw(t, "re-export") {
		for _, r := range last.rows {
			switch rapid.IntRange(0, 5).Draw(t, "row") {
			case 0:
			case 1:
				if !r.rotten() {
					r.sev = 3 - r.sev
				}
				f.rows = append(f.rows, r)
			default:
				f.rows = append(f.rows, r)
			}
		}
	}
	for range rapid.IntRange(0, 4).Draw(t, "new rows") {
		f.rows = append(f.rows, o.row(t))
	}
	if source == "lists" {
		f.rows = oneRowAKey(f.rows)
		o.asOf++
		f.asOf = 2 * o.asOf
		if o.asOf > 2 && rapid.IntRange(0, 3).Draw(t, "older") == 0 {
			f.asOf -= 3 // between two that were read
		}
	}
	o.give(t, source, fmt.Sprintf("%03d.csv", len(o.files)), f)
}

// oneRowAKey leaves the last row of each number: a list has each record once.
func oneRowAKey(rows []modelRow) (out []modelRow) {
	for i, r := range rows {
		if !slices.ContainsFunc(rows[i+1:], func(o modelRow) bool { return o.no == r.no }) {
			out = append(out, r)
		}
	}
	return out
}

func (o *oracle) last(source string) *modelFile {
	for _, p := range slices.Backward(o.files) {
		if p.source == source {
			return &p.file
		}
	}
	return nil
}

func (o *oracle) give(t *rapid.T, source, name string, f modelFile) {
	p := playedFile{source, name, f}
	o.files = append(o.files, p)
	path := "in/" + source + "/" + name
	o.write(t, path, f.bytes(source == "lists"))
	if ms := rapid.IntRange(-300, 200).Draw(t, "kill after ms"); ms >= 0 {
		o.kill(t, time.Duration(ms)*time.Millisecond)
		o.dewclaw(t, "once")
		o.model[source].take(f, false)
	} else {
		o.books(t, p, false, "once", "--json")
	}
	o.judge(t)
}

// repeat gives a source bytes it has read, under another name.
func (o *oracle) repeat(t *rapid.T) {
	if len(o.files) == 0 {
		t.Skip("no file yet")
	}
	p := rapid.SampledFrom(o.files).Draw(t, "file")
	o.give(t, p.source, fmt.Sprintf("%03d.csv", len(o.files)), p.file)
}

// again has a file read as new.
func (o *oracle) again(t *rapid.T) {
	if len(o.files) == 0 {
		t.Skip("no file yet")
	}
	p := rapid.SampledFrom(o.files).Draw(t, "file")
	if p.source == "lists" {
		t.Skip("is as of now")
	}
	o.books(t, p, true, "once", "--json", "--again", filepath.Join(o.dir, "in", p.source, p.name))
	o.judge(t)
}

// books has one file read and compares what became of its records.
func (o *oracle) books(t *rapid.T, p playedFile, again bool, args ...string) {
	want, known := o.model[p.source].take(p.file, again)
	var got modelCounts
	seen, gotKnown := false, false
	for _, line := range bytes.Split(o.dewclaw(t, args...), []byte("\n")) {
		var told struct {
			Name   string
			Known  bool
			Counts struct{ Read, Accepted, Duplicate, Amended, Held, Retracted int }
		}
		if json.Unmarshal(line, &told) != nil || filepath.Base(told.Name) != p.name {
			continue
		}
		seen, gotKnown = true, told.Known
		c := told.Counts
		got = modelCounts{c.Read, c.Accepted, c.Duplicate, c.Amended, c.Held, c.Retracted}
	}
	if !seen || gotKnown != known || !known && got != want {
		t.Fatalf("%s/%s: got %v (known %v, told %v)\nwant %v (known %v)\n%s%s", p.source, p.name, got, gotKnown, seen, want, known,
			p.file.bytes(p.source == "lists"), o.telling())
	}
}

// kill starts the program and kills it a moment later.
func (o *oracle) kill(t *rapid.T, after time.Duration) {
	cmd := exec.Command("dewclaw", "--config", filepath.Join(o.dir, "dewclaw.yaml"), "once")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after) // a random moment, not a wait for a state
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
}

// forget throws the read models away.
func (o *oracle) forget(t *rapid.T) {
	for _, name := range []string{"index", "herd"} {
		if err := os.RemoveAll(filepath.Join(o.dir, "data", name)); err != nil {
			t.Fatal(err)
		}
	}
	o.judge(t)
}

// fact draws a live fact of a source that a person may put right.
func (o *oracle) fact(t *rapid.T) *modelFact {
	var live []*modelFact
	for _, source := range []string{"own", "rows"} {
		facts := o.model[source].facts
		for _, k := range slices.Sorted(maps.Keys(facts)) {
			if facts[k].live() {
				live = append(live, facts[k])
			}
		}
	}
	if len(live) == 0 {
		t.Skip("no fact yet")
	}
	return rapid.SampledFrom(live).Draw(t, "fact")
}

// correct has a person change a grade to one that no source ever writes.
func (o *oracle) correct(t *rapid.T) {
	f := o.fact(t)
	content := f.now()[:len(f.now())-1] + "3"
	if f.now() == content {
		t.Skip("corrected")
	}
	o.dewclaw(t, "correct", o.entity(t, f), "--set", "severity.value=3", "--who", "anna", "--why", "looked again")
	f.revise(content)
	o.dewclaw(t, "once")
	o.judge(t)
}

// reassign has a person give a fact to a cow that no source ever names.
func (o *oracle) reassign(t *rapid.T) {
	f := o.fact(t)
	was, rest, _ := strings.Cut(f.now(), " ")
	tag := "DE0941200735"
	if was == tag {
		tag = "DE0941200736"
	}
	o.dewclaw(t, "correct", o.entity(t, f), "--animal", "ear-tag:"+tag, "--who", "anna", "--why", "tag misread")
	f.revise(tag + " " + rest)
	o.dewclaw(t, "once")
	o.judge(t)
}

func (o *oracle) withdraw(t *rapid.T) {
	f := o.fact(t)
	o.dewclaw(t, "correct", o.entity(t, f), "--withdraw", "--who", "anna", "--why", "not this cow")
	f.retract()
	o.dewclaw(t, "once")
	o.judge(t)
}

// record draws a held row of a source that is not complete.
func (o *oracle) record(t *rapid.T) (*modelSource, modelRow) {
	for _, p := range o.files {
		m := o.model[p.source]
		for _, r := range p.file.rows {
			if m.held[r.String()] == "held" && !m.complete {
				return m, r
			}
		}
	}
	t.Skip("nothing held")
	return nil, modelRow{}
}

func (o *oracle) release(t *rapid.T) {
	m, r := o.record(t)
	id := o.heldID(t, r)
	o.dewclaw(t, "held", "fix", id, "--set", "lesion=SU", "--who", "anna", "--why", "asked the trimmer")
	o.dewclaw(t, "held", "release", id, "--who", "anna", "--why", "asked the trimmer")
	m.release(r, "SU")
	o.dewclaw(t, "once")
	o.judge(t)
}

func (o *oracle) drop(t *rapid.T) {
	m, r := o.record(t)
	o.dewclaw(t, "held", "drop", o.heldID(t, r), "--who", "anna", "--why", "a test of the device")
	m.held[r.String()] = "dropped"
	o.judge(t)
}

// told is one revision as the log has it.
type told struct {
	ID, Entity, Source, Type, Change string
	Revision                         int
	Data                             struct {
		Animal   []struct{ Value string }
		Occurred struct{ Date string }
		Foot     string
		Code     string
		Severity struct{ Value json.Number }
		Origin   struct {
			Archive string
			Line    int
		}
	}
}

func (e *told) content() string {
	return strings.Join([]string{e.Data.Animal[0].Value, e.Data.Occurred.Date, e.Data.Foot, e.Data.Code, e.Data.Severity.Value.String()}, " ")
}

func tolds(t *rapid.T, ndjson []byte) (out []told) {
	for _, line := range bytes.Split(bytes.TrimSpace(ndjson), []byte("\n")) {
		if len(line) == 0 {
			continue
		}
		var e told
		if err := json.Unmarshal(line, &e); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		if e.Type == "dewclaw.lesion.v1" {
			out = append(out, e)
		}
	}
	return out
}

// log reads the revisions of each fact, by source and by the key of the row that
// its first revision came from.
func (o *oracle) log(t *rapid.T) map[string][]told {
	rows := o.rowsByLine()
	keys := map[string]string{}
	out := map[string][]told{}
	for _, e := range tolds(t, o.dewclaw(t, "export")) {
		_, source, _ := strings.Cut(e.Source, "/sources/")
		if keys[e.Entity] == "" {
			r, ok := rows[fmt.Sprintf("%s %s %d", source, e.Data.Origin.Archive, e.Data.Origin.Line)]
			if !ok {
				t.Fatalf("%s: no row is at %s line %d%s", e.ID, e.Data.Origin.Archive, e.Data.Origin.Line, o.telling())
			}
			if r.rotten() {
				r.lesion = "SU" // as released
			}
			keys[e.Entity] = source + " " + o.model[source].key(r)
		}
		out[keys[e.Entity]] = append(out[keys[e.Entity]], e)
	}
	return out
}

// rowsByLine finds a row by source, archive and line.
func (o *oracle) rowsByLine() map[string]modelRow {
	m := map[string]modelRow{}
	for _, p := range o.files {
		complete := p.source == "lists"
		first := 2
		if complete {
			first = 3
		}
		for i, r := range p.file.rows {
			m[fmt.Sprintf("%s %x %d", p.source, sha256.Sum256(p.file.bytes(complete)), first+i)] = r
		}
	}
	return m
}

func (o *oracle) entity(t *rapid.T, f *modelFact) string {
	for key, list := range o.log(t) {
		source, k, _ := strings.Cut(key, " ")
		if o.model[source].facts[k] == f {
			return list[0].Entity
		}
	}
	t.Fatalf("the log lacks %s%s", f.key, o.telling())
	return ""
}

func (o *oracle) heldID(t *rapid.T, r modelRow) string {
	for _, line := range bytes.Split(o.dewclaw(t, "held", "list", "--json"), []byte("\n")) {
		var h struct{ ID, Raw string }
		if json.Unmarshal(line, &h) == nil && h.Raw == r.String() {
			return h.ID
		}
	}
	t.Fatalf("not held: %v%s", r, o.telling())
	return ""
}

// judge holds the log, the quarantine and the recipient to the model.
func (o *oracle) judge(t *rapid.T) {
	got := o.log(t)
	n := 0
	for source, m := range o.model {
		for k, f := range m.facts {
			n++
			var said []string
			for i, e := range got[source+" "+k] {
				if e.Revision != i+1 {
					t.Fatalf("%s %s: revision %d is told as the %dth%s", source, k, e.Revision, i+1, o.telling())
				}
				said = append(said, e.Change+" "+e.content())
			}
			if !slices.Equal(said, f.revisions) {
				t.Fatalf("%s %s:\ngot  %q\nwant %q%s", source, k, said, f.revisions, o.telling())
			}
		}
	}
	if len(got) != n {
		t.Fatalf("%d facts in the log, want %d%s", len(got), n, o.telling())
	}
	o.judgeHeld(t)
	o.judgeFeed(t)
}

func (o *oracle) judgeHeld(t *rapid.T) {
	want := 0
	for _, m := range o.model {
		for _, state := range m.held {
			if state == "held" {
				want++
			}
		}
	}
	if got := bytes.Count(o.dewclaw(t, "held", "list", "--json"), []byte(`"state":"held"`)); got != want {
		t.Fatalf("%d records held, want %d%s", got, want, o.telling())
	}
}

// judgeFeed plays two recipients: one keeps what it was sent last of each entity,
// one of each entity and animal, as a system does in which a finding stands with
// its cow. Both must end with the same.
func (o *oracle) judgeFeed(t *rapid.T) {
	names, err := fs.Glob(os.DirFS(filepath.Join(o.dir, "out")), "*.ndjson")
	if err != nil {
		t.Fatal(err)
	}
	slices.Sort(names)
	has, rows, ids := map[string]told{}, map[string]told{}, map[string]bool{}
	for _, name := range names {
		b, err := os.ReadFile(filepath.Join(o.dir, "out", name))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range tolds(t, b) {
			if ids[e.ID] {
				t.Fatalf("%s: %s was sent twice%s", name, e.ID, o.telling())
			}
			ids[e.ID] = true
			row := e.Entity + " " + e.Data.Animal[0].Value
			if e.Change != "retracted" {
				has[e.Entity], rows[row] = e, e
				continue
			}
			if _, ok := rows[row]; !ok || has[e.Entity].ID == "" {
				t.Fatalf("%s: deletes %s, which the recipient never had%s", name, e.ID, o.telling())
			}
			delete(has, e.Entity)
			delete(rows, row)
		}
	}
	var got, byAnimal, want []string
	for _, e := range has {
		got = append(got, e.content())
	}
	for _, e := range rows {
		byAnimal = append(byAnimal, e.content())
	}
	for _, m := range o.model {
		for _, f := range m.facts {
			if f.live() && strings.Contains(f.now(), " SU ") {
				want = append(want, f.now())
			}
		}
	}
	slices.Sort(got)
	slices.Sort(byAnimal)
	slices.Sort(want)
	if !slices.Equal(got, want) || !slices.Equal(byAnimal, want) {
		t.Fatalf("the recipient has\n%q\none that goes by the animal has\n%q\nwant\n%q%s", got, byAnimal, want, o.telling())
	}
}

// telling is every file so far, for whoever reads a failure.
func (o *oracle) telling() string {
	var b strings.Builder
	for _, p := range o.files {
		fmt.Fprintf(&b, "\n-- %s/%s\n%s", p.source, p.name, p.file.bytes(p.source == "lists"))
	}
	return b.String()
}

func (o *oracle) dewclaw(t *rapid.T, args ...string) []byte {
	cmd := exec.Command("dewclaw", append([]string{"--config", filepath.Join(o.dir, "dewclaw.yaml")}, args...)...)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("dewclaw %v: %v\n%s%s%s", args, err, out, stderr.String(), o.telling())
	}
	return out
}
