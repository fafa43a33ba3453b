package mapping

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"reflect"
	"slices"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/schema/rules"
)

// Examples is what the examples beside a mapping came to: see "Examples beside a
// mapping" in the package comment.
type Examples struct {
	Results []Result // one a case, in the order of the file; nil if there are no examples
	Unused  []string // columns of the examples that the mapping never uses
	Unmet   []string // codes of tables that no example shows: "Befund: SB"
}

// A Result is what one case came to.
type Result struct {
	Case   string // "" for the only one
	Diff   string // lines that differ, "-" wanted and "+" got; "" if it is right
	Events int
	Held   int

	Wrote map[string]string // the files of the case as they came out, by name
}

// Passed reports whether every case is right.
func (e Examples) Passed() bool {
	return !slices.ContainsFunc(e.Results, func(r Result) bool { return r.Diff != "" })
}

// String tells the examples in a few lines.
func (e Examples) String() string {
	var b strings.Builder
	passed := 0
	for _, r := range e.Results {
		if r.Diff == "" {
			passed++
			continue
		}
		fmt.Fprintf(&b, "example %q differs:\n%s", r.Case, r.Diff)
	}
	fmt.Fprintf(&b, "%d of %d examples right", passed, len(e.Results))
	if len(e.Unused) > 0 {
		fmt.Fprintf(&b, "; columns never used: %s", strings.Join(e.Unused, ", "))
	}
	if len(e.Unmet) > 0 {
		fmt.Fprintf(&b, "; codes no example shows: %s", strings.Join(e.Unmet, ", "))
	}
	return b.String()
}

// A caseFile is one case of a file of examples.
type caseFile struct {
	name, in, ext, events, held string
}

// RunExamples runs the examples beside the mapping name.yaml of fsys: the cases
// of name.txtar. decoders are those of the formats, by name. Without such a file
// there is nothing to run, and that is no error. Errors are of kind invalid: the
// mapping or the file of examples is wrong.
func RunExamples(fsys fs.FS, name string, decoders map[string]adapters.NewDecoder) (Examples, error) {
	var out Examples
	src, err := fs.ReadFile(fsys, name+".yaml")
	if err != nil {
		return out, fmt.Errorf("read mapping: %w", err)
	}
	in, err := ParseInward(name+".yaml", src)
	if err != nil {
		return out, err
	}
	text, err := fs.ReadFile(fsys, name+".txtar")
	if errors.Is(err, fs.ErrNotExist) {
		return out, nil
	}
	if err != nil {
		return out, fmt.Errorf("read examples: %w", err)
	}
	job, cases, err := parseExamples(name, text)
	if err != nil {
		return out, err
	}
	cover := &coverage{met: map[metWord]bool{}}
	var heads []adapters.Head
	for _, c := range cases {
		r, head, err := in.runCase(job, c, decoders, cover)
		if err != nil {
			return out, fmt.Errorf("%s.txtar: case %q: %w", name, c.name, err)
		}
		out.Results = append(out.Results, r)
		heads = append(heads, head)
	}
	for _, h := range heads {
		for _, c := range in.Unused(h) {
			if !slices.Contains(out.Unused, c) {
				out.Unused = append(out.Unused, c)
			}
		}
	}
	out.Unmet = in.unmet(cover)
	return out, nil
}

// parseExamples reads the cases and, from the lines above them, the job they
// are read with.
func parseExamples(name string, text []byte) (Job, []caseFile, error) {
	a := txtar.Parse(text)
	job := Job{Source: name, Farm: "example", Zone: "UTC", Farms: map[string]string{}}
	for line := range strings.Lines(string(a.Comment)) {
		key, value, ok := strings.Cut(strings.TrimSpace(line), ": ")
		if !ok {
			continue
		}
		switch key {
		case "farm":
			job.Farm = value
		case "zone":
			job.Zone = value
		case "farms":
			for f := range strings.FieldsSeq(value) {
				farm, zone, _ := strings.Cut(f, "=")
				job.Farms[farm] = zone
			}
		case "received":
			t, err := time.Parse(time.RFC3339, value)
			if err != nil {
				return job, nil, &events.Fault{Kind: events.ErrInvalid, Where: name + ".txtar", What: "received", Wanted: "a time as 2026-04-01T00:00:00Z", Got: quote(value)}
			}
			job.Received = t
		}
	}
	var cases []caseFile
	for _, f := range a.Files {
		dir, base := path.Split(f.Name)
		dir = strings.TrimSuffix(dir, "/")
		i := slices.IndexFunc(cases, func(c caseFile) bool { return c.name == dir })
		if i < 0 {
			i = len(cases)
			cases = append(cases, caseFile{name: dir})
		}
		c := &cases[i]
		switch {
		case base == "events.ndjson":
			c.events = string(f.Data)
		case base == "held.txt":
			c.held = string(f.Data)
		case strings.HasPrefix(base, "in."):
			c.in, c.ext = string(f.Data), base
		default:
			return job, nil, &events.Fault{
				Kind: events.ErrInvalid, Where: name + ".txtar", What: f.Name, Wanted: "files in.<ext>, events.ndjson and held.txt, in a folder for each case", Got: quote(base),
			}
		}
	}
	for _, c := range cases {
		if c.ext == "" {
			return job, nil, &events.Fault{Kind: events.ErrInvalid, Where: name + ".txtar", What: "case " + quote(c.name), Wanted: "a file in.<ext>", Got: "none"}
		}
	}
	return job, cases, nil
}

// runCase reads one case the way an original is read.
func (in *Inward) runCase(job Job, c caseFile, decoders map[string]adapters.NewDecoder, cover *coverage) (Result, adapters.Head, error) {
	r := Result{Case: c.name, Wrote: map[string]string{}}
	l := in.layout
	l.Encoding = "utf-8" // the text of an example, whatever the device writes
	open := decoders[l.Format]
	if open == nil {
		return r, adapters.Head{}, fmt.Errorf("format %q has no decoder: %w", l.Format, events.ErrInvalid)
	}
	d, err := open(strings.NewReader(c.in), l)
	if err != nil {
		return r, adapters.Head{}, err
	}
	records, head, err := in.readCase(d, job, cover)
	var f *events.Fault
	var h *HeaderError
	gotEvents, gotHeld := "", ""
	switch {
	case errors.As(err, &h):
		gotHeld = "the whole file: " + h.Error() + "\n"
		r.Held = 1
	case errors.As(err, &f):
		gotHeld = "the whole file: " + f.Error() + "\n"
		r.Held = 1
	case err != nil:
		return r, head, err
	}
	for i := range records {
		rec := &records[i]
		if gotEvents, err = appendEvents(gotEvents, rec); err != nil {
			return r, head, err
		}
		gotHeld += heldLines(rec)
		r.Events += len(rec.Drafts)
		if rec.Held != nil {
			r.Held++
		}
	}
	r.Diff = diff("events.ndjson", c.events, gotEvents, sameJSON) + diff("held.txt", c.held, gotHeld, func(a, b string) bool { return a == b })
	r.Wrote[c.ext], r.Wrote["events.ndjson"], r.Wrote["held.txt"] = c.in, gotEvents, gotHeld
	return r, head, nil
}

func (in *Inward) readCase(d adapters.Decoder, job Job, cover *coverage) ([]adapters.Record, adapters.Head, error) {
	head, err := d.Head()
	if err != nil {
		return nil, head, err
	}
	if job.Rules == nil {
		job.Rules = rules.Defaults()
	}
	run, err := in.Start(job, head)
	if err != nil {
		return nil, head, err
	}
	m := run.Mapper()
	m.seen = cover
	var rows []adapters.Row
	for err == nil {
		rows, err = d.Read(rows, 100)
	}
	if err != io.EOF {
		return nil, head, err
	}
	return m.Flush(m.Map(rows, nil)), head, nil
}

// appendEvents writes the events of a record, one a line: the examination an
// event belongs to is told by the line of its record.
func appendEvents(s string, rec *adapters.Record) (string, error) {
	b := bytes.NewBufferString(s)
	for i := range rec.Drafts {
		d := &rec.Drafts[i]
		var data map[string]any
		dec := json.NewDecoder(bytes.NewReader(d.Data))
		dec.UseNumber()
		if err := dec.Decode(&data); err != nil {
			return s, fmt.Errorf("read draft: %w", err)
		}
		if data["examination"] != nil {
			data["examination"] = fmt.Sprintf("line %d", rec.Line)
		}
		if derived, ok := data["derived"].(map[string]any); ok {
			if delete(derived, "rules"); len(derived) == 0 {
				delete(data, "derived")
			}
		}
		e := json.NewEncoder(b)
		e.SetEscapeHTML(false)
		line := struct {
			Kind events.Kind    `json:"kind"`
			Data map[string]any `json:"data"`
		}{d.Kind, data}
		if err := e.Encode(line); err != nil {
			return s, fmt.Errorf("write event: %w", err)
		}
	}
	return b.String(), nil
}

// heldLines tells why the rows of a record give no events.
func heldLines(rec *adapters.Record) string {
	where := fmt.Sprintf("line %d", rec.Line)
	if rec.LastLine > 0 {
		where += fmt.Sprintf("-%d", rec.LastLine)
	}
	switch {
	case rec.Held != nil:
		s := ""
		for _, r := range rec.Held.Reasons {
			s += where + ": " + r.String() + "\n"
		}
		return s
	case rec.Outcome == adapters.Ignored:
		return where + ": ignored: " + rec.Why + "\n"
	}
	return ""
}

// diff returns the lines that are wanted and not got, and the other way round.
func diff(file, want, got string, same func(a, b string) bool) string {
	w, g := lines(want), lines(got)
	s := ""
	for _, x := range w {
		k := slices.IndexFunc(g, func(y string) bool { return same(x, y) })
		if k < 0 {
			s += "- " + file + ": " + x + "\n"
			continue
		}
		g = slices.Delete(g, k, k+1)
	}
	for _, y := range g {
		s += "+ " + file + ": " + y + "\n"
	}
	return s
}

func lines(s string) []string {
	var out []string
	for l := range strings.Lines(s) {
		if l = strings.TrimSpace(l); l != "" {
			out = append(out, l)
		}
	}
	return out
}

// sameJSON compares two lines of JSON by value; the order of members is free.
func sameJSON(a, b string) bool {
	var x, y any
	if json.Unmarshal([]byte(a), &x) != nil || json.Unmarshal([]byte(b), &y) != nil {
		return a == b
	}
	return reflect.DeepEqual(x, y)
}
