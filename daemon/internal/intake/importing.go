package intake

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema"
)

// ImportDeps are what [Import] works with: a log, an index and an archive that
// are empty.
type ImportDeps struct {
	Log      Log
	Index    *index.Index
	Archive  *archive.Archive
	Name     string               // of the file, for the log and for messages
	Progress func(done int)       // events; may be nil
	Beat     func(name string)    // told before each append; may be nil
	Farm     func(id string) bool // whether the config has the farm
}

// An Imported says what was taken over.
type Imported struct {
	Events  int
	Entries int
	Archive string // SHA-256 of the file
}

// Import takes over what another log exported: CloudEvents, one a line, each
// entity with all its revisions in their order. Entities, revisions, times and
// contents stay what they were, so that what a source tells again is known, and
// an export of this log is byte for byte the same.
//
// The file is kept in the archive first; entries name it, and [Verify] holds
// them to it. What stood in one entry before stands in one again, as far as the
// lines tell. Held records, originals and that they were read, where complete
// sources stand and retractions that wait for a person are not in an export: an
// older file that is read again is compared with the newest revisions, as bytes
// that were never seen. For all of that there is the backup.
//
// The first line that cannot be taken ends it with an error of kind invalid. What
// was appended by then stays: import into a folder that gets its name at the end.
func Import(ctx context.Context, d ImportDeps, r io.Reader) (*Imported, error) {
	if at, _ := d.Log.Last(); at != 0 {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: "import", What: "log", Wanted: "an empty one", Got: fmt.Sprintf("%d entries", at)}
	}
	hash, _, err := d.Archive.Put(ctx, r)
	if err != nil {
		return nil, err
	}
	blob, err := d.Archive.Open(hash)
	if err != nil {
		return nil, err
	}
	defer blob.Close()
	im := &importing{d: d, done: Imported{Archive: hash}}
	lines := importLines(blob)
	for n := 1; lines.Scan(); n++ {
		if err := im.line(ctx, n, lines.Bytes()); err != nil {
			return nil, err
		}
	}
	if err := lines.Err(); err != nil {
		return nil, im.bad(im.last+1, "line", fmt.Sprintf("at most %d bytes, and an end", maxImportLine), err.Error())
	}
	return &im.done, im.flush(ctx)
}

// maxImportLine bounds one CloudEvent: no entry is larger than a message.
const maxImportLine = 8 << 20

func importLines(r io.Reader) *bufio.Scanner {
	s := bufio.NewScanner(r)
	s.Buffer(make([]byte, 64<<10), maxImportLine)
	return s
}

// An importing collects the lines of one entry.
type importing struct {
	d    ImportDeps
	done Imported
	last int // line
	e    *events.Entry
	size int
	key  string // what lines of one entry share
	here map[events.Entity]revised
}

// A revised is the newest revision of an entity and where it stands.
type revised struct {
	number int
	place  events.Place
}

func (im *importing) bad(line int, what, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "import", Where: fmt.Sprintf("%s line %d", im.d.Name, line), What: what, Wanted: wanted, Got: got,
		Hints: []string{"nothing was imported; export the file again with dewclaw export --out FILE"},
	}
}

// An importLine is a CloudEvent as an export writes it.
type importLine struct {
	SpecVersion  string          `json:"specversion"`
	ID           string          `json:"id"`
	Source       string          `json:"source"`
	Type         string          `json:"type"`
	Subject      string          `json:"subject"`
	Farm         string          `json:"farm"`
	Entity       events.Entity   `json:"entity"`
	Revision     int             `json:"revision"`
	Change       events.Change   `json:"change"`
	Visit        string          `json:"visit"`
	RecordedTime string          `json:"recordedtime"`
	Cause        events.Cause    `json:"cause"`
	Data         json.RawMessage `json:"data"`
}

// line takes one CloudEvent in.
func (im *importing) line(ctx context.Context, n int, b []byte) error {
	im.last = n
	var l importLine
	if err := json.Unmarshal(b, &l); err != nil {
		return im.bad(n, "CloudEvent", "one JSON object a line", err.Error())
	}
	kind := events.Kind(strings.TrimSuffix(strings.TrimPrefix(l.Type, "dewclaw."), ".v1"))
	if err := im.check(n, &l, kind); err != nil {
		return err
	}
	_, source, _ := strings.Cut(l.Source, "/sources/")
	key := strings.Join([]string{source, l.RecordedTime, string(l.Cause)}, "\x00")
	other := im.e != nil && l.Farm == "" && im.e.Defaults.Farm != "" // no event can say that it has none
	if im.e != nil && (key != im.key || other || len(im.e.Events) >= events.MaxEntryRecords || im.size+len(b) > events.MaxEntryBytes) {
		if err := im.flush(ctx); err != nil {
			return err
		}
	}
	if im.e == nil {
		im.begin(n, source, &l)
		im.key = key
	}
	before, err := im.before(source, l.Entity)
	if err != nil {
		return err
	}
	if l.Revision != before.number+1 {
		return im.bad(n, "revision of "+string(l.Entity), fmt.Sprint(before.number+1), fmt.Sprint(l.Revision))
	}
	im.add(&l, kind, before, bytes.Clone(l.Data))
	return nil
}

// check holds a line to what an export writes.
func (im *importing) check(n int, l *importLine, kind events.Kind) error {
	switch {
	case l.SpecVersion != "1.0":
		return im.bad(n, "specversion", "1.0", fmt.Sprintf("%q", l.SpecVersion))
	case kind.New() == nil || l.Type != kind.Type():
		return im.bad(n, "type", "dewclaw.<kind>.v1", fmt.Sprintf("%q", l.Type))
	case l.ID != events.EventID(l.Entity, l.Revision) || l.Revision < 1:
		return im.bad(n, "id", "entity, a point and revision", fmt.Sprintf("%q", l.ID))
	case l.Farm == "" && AboutHeld(kind, l.Data): // as logs have of records whose farm cannot be read
	case l.Farm == "" || !im.d.Farm(l.Farm):
		return im.bad(n, "farm", "one of the config: name it there first", fmt.Sprintf("%q", l.Farm))
	case l.Change != events.Recorded && l.Change != events.Amended && l.Change != events.Retracted:
		return im.bad(n, "change", "recorded, amended or retracted", fmt.Sprintf("%q", l.Change))
	case l.Cause != "" && l.Cause != events.CauseDecision:
		return im.bad(n, "cause", "decision or none", fmt.Sprintf("%q", l.Cause))
	}
	if _, _, err := l.Entity.Split(); err != nil {
		return im.bad(n, "entity", "29 characters", fmt.Sprintf("%q", l.Entity))
	}
	if t, err := time.Parse(time.RFC3339, l.RecordedTime); err != nil || events.FormatTime(t) != l.RecordedTime {
		return im.bad(n, "recordedtime", "RFC 3339 in UTC", fmt.Sprintf("%q", l.RecordedTime))
	}
	probe := events.Event{Source: strings.TrimPrefix(l.Source, "/farms/"+l.Farm+"/sources/"), Farm: l.Farm}
	if strings.HasSuffix(l.Source, "/decisions") {
		probe.Source = ""
	}
	if probe.SourceURI() != l.Source || strings.ContainsAny(probe.Source, "/\x00") {
		return im.bad(n, "source", "/farms/"+l.Farm+"/sources/<source>", fmt.Sprintf("%q", l.Source))
	}
	if vs := schema.Check(kind, l.Data); len(vs) > 0 {
		return im.bad(n, vs[0].Path, vs[0].Wanted, vs[0].Got)
	}
	// The bytes must be those of the encoder: digests are of them.
	p, err := events.DecodePayload(kind, l.Data)
	if err == nil {
		var x events.Encoder
		if again, _ := x.Append(nil, p); !bytes.Equal(again, l.Data) {
			err = errors.New("other spaces, order of members, numbers or texts")
		}
	}
	if err != nil {
		return im.bad(n, "data", "the payload byte for byte as it was exported", err.Error())
	}
	return nil
}

// begin opens an entry.
func (im *importing) begin(n int, source string, l *importLine) {
	cause := events.CauseImport
	if l.Cause == events.CauseDecision {
		cause = events.CauseDecision
	}
	im.e = &events.Entry{
		Cause: cause, Source: source, Name: im.d.Name, Time: l.RecordedTime,
		Import: &events.Import{Archive: im.done.Archive, Line: n}, Defaults: events.Defaults{Farm: l.Farm},
	}
	im.size, im.here = 0, map[events.Entity]revised{}
}

// before returns the newest revision of an entity so far; number 0 for none.
func (im *importing) before(source string, e events.Entity) (revised, error) {
	if r, ok := im.here[e]; ok {
		return r, nil
	}
	id, slot, err := e.Split()
	if err != nil {
		return revised{}, err
	}
	found, err := im.d.Index.Lookup(source, []events.RecordID{id}, nil)
	if err != nil {
		return revised{}, err
	}
	if s := found[0].Slot(slot); s != nil {
		return revised{s.Revision, s.Place}, nil
	}
	return revised{}, nil
}

func (im *importing) add(l *importLine, kind events.Kind, before revised, data []byte) {
	env := events.Envelope{Kind: kind, Entity: l.Entity, Subject: l.Subject, Visit: l.Visit}
	if l.Farm != im.e.Defaults.Farm {
		env.Farm = l.Farm
	}
	rev := events.Revision{Number: l.Revision, Change: l.Change}
	if before.number > 0 {
		rev.Before = &before.place
	}
	b := events.AppendRevision(nil, events.AppendOpen(nil, env, data), rev)
	im.here[l.Entity] = revised{l.Revision, events.Place{Index: len(im.e.Events)}} // position 0: this entry
	im.e.Events = append(im.e.Events, b)
	im.size += len(b)
}

// flush appends the entry.
func (im *importing) flush(ctx context.Context) error {
	if im.e == nil {
		return nil
	}
	if im.d.Beat != nil {
		im.d.Beat(BeatAppend)
	}
	if _, err := im.d.Log.Append(ctx, im.e); err != nil {
		return fmt.Errorf("append to the log: %w", err)
	}
	if err := im.d.Index.Apply(ctx, im.e, nil); err != nil {
		return err
	}
	im.done.Events += len(im.e.Events)
	im.done.Entries++
	im.e = nil
	if im.d.Progress != nil {
		im.d.Progress(im.done.Events)
	}
	return nil
}

// An importCheck holds the entries of an import to the file they came from.
type importCheck struct {
	blob  *archive.Blob
	lines *bufio.Scanner
	at    int // lines read
}

// imported compares an entry with the lines it was made of.
func (v *verifier) imported(e *events.Entry) error {
	c := v.imports[e.Import.Archive]
	if c == nil {
		blob, err := v.d.Archive.Open(e.Import.Archive)
		if err != nil {
			return err
		}
		c = &importCheck{blob: blob, lines: importLines(blob)}
		v.imports[e.Import.Archive] = c
	}
	if c.at != e.Import.Line-1 {
		v.differ(e, e.Import.Line, "line of the import", fmt.Sprint(c.at+1), fmt.Sprint(e.Import.Line))
		return nil
	}
	for i := range e.Events {
		ev, err := e.Event(i)
		if err != nil {
			return err
		}
		c.at++
		if !c.lines.Scan() {
			v.differ(e, c.at, "line of the import", "an event", "the end of the file")
			return nil
		}
		if got := ExportLine(e, &ev); !bytes.Equal(got, c.lines.Bytes()) {
			v.differ(e, c.at, "event "+ev.ID(), clipped(c.lines.Bytes()), clipped(got))
		}
	}
	return nil
}

func clipped(b []byte) string { return fmt.Sprintf("%.120q", b) }

// ExportLine returns an event as an export writes it: a CloudEvent in JSON
// format, with the extension attribute cause if it stands behind a decision.
func ExportLine(e *events.Entry, ev *events.Event) []byte {
	b := ev.AppendCloudEvent(nil)
	if e.Cause != events.CauseDecision {
		return b
	}
	const before = `,"data":`
	i := bytes.Index(b, []byte(before)) // in a text each quote has a backslash before it
	return append(append(append(make([]byte, 0, len(b)+24), b[:i]...), `,"cause":"decision"`...), b[i:]...)
}
