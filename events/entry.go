package events

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
	"time"
)

// EntryVersion is the version of the entry format that is written. Every older
// version stays readable; a newer one is refused.
const EntryVersion = 1

// Bounds of one entry. Whichever is reached first closes it.
const (
	MaxEntryRecords = 512
	MaxEntryBytes   = 512 << 10 // of events and held records as JSON
	MaxHeldBytes    = 16 << 10  // a held original over this is a reference into the archive
)

// A Cause says why an entry was written.
type Cause string

// The causes of an entry.
const (
	CauseChunk    Cause = "chunk"    // a chunk of one source
	CauseDecision Cause = "decision" // a person settled something
	CauseRemap    Cause = "remap"    // records read again by a changed mapping
	CauseGrant    Cause = "grant"    // a grant was given or ended
	CauseImport   Cause = "import"   // events of another log were taken over
	CauseReturned Cause = "returned" // at a hub: a barn has back what the log had of it already
)

// An Entry is one commit to the log: what was read, what became of it and where
// its source then stood, together or not at all. It is one JSON object:
//
//	{"v":1,"log":…,"at":…,"prev":…,"time":…,"cause":"chunk","source":…,
//	 "mapping":…,"language":…,"archive":…,"name":…,"message":…,"received":…,"asOf":…,"from":{…},"to":{…},
//	 "counts":{…},"complete":{…},"waits":[…],"back":[…],"notices":[…],"import":{…},"barn":{…},"returned":{…},
//	 "defaults":{…},"zones":{…},"events":[…],"held":[…]}
//
// Members that are empty are left out. Events stand in the stored form of the
// package comment, and last but held, so that a reader can slice them without
// decoding: see [ParseEntry].
type Entry struct {
	V        int       `json:"v"`                  // version of this format
	Log      string    `json:"log"`                // id of the log the entry was written for
	At       Position  `json:"at"`                 // its position in that log
	Prev     string    `json:"prev"`               // SHA-256 of the entry before it in hex; 64 zeros for the first
	Time     string    `json:"time"`               // when it was made, RFC 3339 in UTC: the recordedtime of its events
	Cause    Cause     `json:"cause"`              //
	Source   string    `json:"source,omitempty"`   // source id
	Mapping  string    `json:"mapping,omitempty"`  // SHA-256 of the mapping file, kept in the archive
	Language int       `json:"language,omitempty"` // revision of the mapping language by which its rows were read
	Archive  string    `json:"archive,omitempty"`  // SHA-256 of the original, kept in the archive
	Name     string    `json:"name,omitempty"`     // file name or subject as the source told it
	Message  string    `json:"message,omitempty"`  // transport identity, if the original is one message
	Received string    `json:"received,omitempty"` // when the original was first received, RFC 3339 in UTC
	AsOf     string    `json:"asOf,omitempty"`     // complete source: as of when the original speaks, RFC 3339 in UTC
	From     *Cursor   `json:"from,omitempty"`     // where the source stood before
	To       *Cursor   `json:"to,omitempty"`       // where it stands after
	Counts   Counts    `json:"counts,omitzero"`    // outcomes of the records between From and To
	Complete *Complete `json:"complete,omitempty"` // at the end of an export of a complete source
	Waits    []Wait    `json:"waits,omitempty"`    // retractions that wait for a person
	Back     []Entity  `json:"back,omitempty"`     // retractions that no longer wait: the source has the fact again
	Notices  []string  `json:"notices,omitempty"`  // what a person should know of this read, in words
	Import   *Import   `json:"import,omitempty"`   // where its events come from, if not from an original
	Barn     *Barn     `json:"barn,omitempty"`     // at a hub: the entry of a barn that this one repeats
	Returned *Returned `json:"returned,omitempty"` // at a barn: the entry of a lost log that this one is
	Defaults Defaults  `json:"defaults,omitzero"`  // what events of this entry share

	// Zones are the IANA zones of the farms of the source, by farm id: what a
	// mapping that names no zone of its own reads local times in.
	Zones map[string]string `json:"zones,omitempty"`

	Events [][]byte `json:"-"` // stored form, one JSON object each
	Held   []Held   `json:"-"`
}

// An Import says that the events of an entry were exported from another log.
// Time is then when they were written to that one, and the cause is decision if
// they stood behind one there.
type Import struct {
	Archive string `json:"archive"` // SHA-256 of the exported file, kept in the archive
	Line    int    `json:"line"`    // line of the first event; the others follow it
}

// A Barn says that an entry of a hub repeats one of a barn's log: everything but
// V, Log, At, Prev, Barn and the positions of before is what the barn wrote, so
// that its bytes can be made again and held to Hash.
type Barn struct {
	ID   string   `json:"id"`             // of the barn at the hub
	Log  string   `json:"log"`            // id of its log
	At   Position `json:"at"`             // position there
	Hash string   `json:"hash"`           // SHA-256 of the entry there, in hex
	Same Position `json:"same,omitempty"` // entry of the hub that has all of this already, if the barn got it back from there
}

// A Returned says, in the log of a barn whose data folder was lost, that the hub gave
// the entry back: all of it but V, Log, At, Prev and Returned is what the barn had
// written to a log before, at the same position. Hash is that of the entry there.
type Returned struct {
	Log  string   `json:"log"`  // id of the log before
	At   Position `json:"at"`   // position there, and here
	Prev string   `json:"prev"` // as it stood there
	Hash string   `json:"hash"` // SHA-256 of the entry there, in hex
	Of   Position `json:"of"`   // how many entries the hub gives back in all
}

// There returns the entry as it stood in the log before.
func (r *Returned) There(e *Entry) *Entry {
	was := *e
	was.Returned, was.Log, was.At, was.Prev = nil, r.Log, r.At, r.Prev
	return &was
}

// BarnKey returns what the sources of a barn have before their ids at a hub: the
// barn's id and a slash, which stands in no id.
func BarnKey(barn string) string { return barn + "/" }

// SourceKey returns the id of the source as it stands beside those of other
// barns: at a hub with the id of its barn before it, "north/chute".
func (e *Entry) SourceKey() string { return e.key(e.Source) }

// HeldKey returns the id of a held record of the entry, or of one that a decision
// of it is about, in the same way: two barns may hold the same row.
func (e *Entry) HeldKey(id string) string { return e.key(id) }

func (e *Entry) key(id string) string {
	if e.Barn == nil || id == "" {
		return id
	}
	return BarnKey(e.Barn.ID) + id
}

// OfBarn returns the barn in a source or held record of a hub, "" for one of its own.
func OfBarn(key string) string {
	barn, _, of := strings.Cut(key, "/")
	if !of {
		return ""
	}
	return barn
}

// Originals returns the hashes of what an archive must have so that the entry can be
// worked out again: its mapping, its original, the file of an import. Each is 64
// hexadecimal digits; what is none is left out. At a hub they are those of the
// barn, which may have stayed there.
func (e *Entry) Originals() []string {
	var out []string
	names := []string{e.Mapping, e.Archive}
	if e.Import != nil {
		names = append(names, e.Import.Archive)
	}
	for _, h := range names {
		if len(h) == 2*sha256.Size && strings.Trim(h, "0123456789abcdef") == "" {
			out = append(out, h)
		}
	}
	return out
}

// Elsewhere reports whether the originals of the entry may lie in another archive
// than that of its log: at a barn, or in a data folder of a barn that was lost.
func (e *Entry) Elsewhere() bool { return e.Barn != nil || e.Returned != nil }

// Defaults are envelope attributes that every event of an entry has unless it
// says otherwise.
type Defaults struct {
	Farm  string `json:"farm,omitempty"`
	Scope string `json:"scope,omitempty"`
}

// A Cursor is where a source stands: in a file, how many records are read; in a
// stream, the messages that were taken. An entry whose From has End set tells
// that bytes which were read before came again: it has counts and no events.
type Cursor struct {
	Records  int       `json:"records,omitempty"`  // records of the original read so far, of every outcome
	Line     int       `json:"line,omitempty"`     // last line read, for people
	End      bool      `json:"end,omitempty"`      // the original was read to its end
	Stream   string    `json:"stream,omitempty"`   // identity of the stream a sequence counts in
	Sequence uint64    `json:"sequence,omitempty"` // last message of a stream
	Ranges   []Range   `json:"ranges,omitempty"`   // messages of this entry, ascending
	Bodies   []Body    `json:"bodies,omitempty"`   // request bodies that were read to their ends in this entry
	Waiting  []Waiting `json:"waiting,omitempty"`  // records that began in this entry to wait for the end of the original
	Settled  []string  `json:"settled,omitempty"`  // records whose wait ended in this entry; they are in its counts
}

// A Body is a request body that was read. Small ones share an entry and a pack,
// so the entry says by which bytes and under which key each is known again.
type Body struct {
	SHA256 string `json:"sha256"`
	Key    string `json:"key,omitempty"`   // idempotency key it came with, behind the name of the token and a tab (older entries: the key alone)
	Counts Counts `json:"counts,omitzero"` // outcomes of its records, if it shares the entry
}

// A Range is a run of messages of a stream, both ends included.
type Range struct {
	First uint64 `json:"first"`
	Last  uint64 `json:"last"`
}

// A Waiting record has an event that equals an older revision, or lacks one it
// had: only the end of its original tells whether a later row settles that. What
// else is new of it is in the log already; it is counted when it is settled.
type Waiting struct {
	Record  string `json:"record"`
	Line    int    `json:"line"`              // its last line so far, for people
	At      int    `json:"at"`                // its place among the records of the original, from 1
	Earlier []int  `json:"earlier,omitempty"` // places of rows of it that had waited and are part of it now
	After   bool   `json:"after,omitempty"`   // it goes on from rows that were settled by themselves
	Outcome string `json:"outcome,omitempty"` // accepted or amended, if something of it is new already
}

// Counts are the outcomes of records. A record counts once; Read is the sum of
// the five behind it. Retracted counts events and stands beside them.
type Counts struct {
	Read      int `json:"read"`
	Accepted  int `json:"accepted"`
	Duplicate int `json:"duplicate"`
	Amended   int `json:"amended"`
	Held      int `json:"held"`
	Ignored   int `json:"ignored"`
	Retracted int `json:"retracted,omitempty"`
}

// Balanced reports whether the books balance.
func (c Counts) Balanced() bool {
	return c.Read == c.Accepted+c.Duplicate+c.Amended+c.Held+c.Ignored
}

// Add returns the sum of c and d.
func (c Counts) Add(d Counts) Counts {
	return Counts{
		c.Read + d.Read, c.Accepted + d.Accepted, c.Duplicate + d.Duplicate, c.Amended + d.Amended,
		c.Held + d.Held, c.Ignored + d.Ignored, c.Retracted + d.Retracted,
	}
}

// String returns the counts as people read them.
func (c Counts) String() string {
	s := fmt.Sprintf("read %d = accepted %d + duplicate %d + amended %d + held %d + ignored %d",
		c.Read, c.Accepted, c.Duplicate, c.Amended, c.Held, c.Ignored)
	if c.Retracted > 0 {
		s += fmt.Sprintf("; %d events retracted", c.Retracted)
	}
	return s
}

// Complete says that an export of a complete source was read to its end.
type Complete struct {
	AsOf  string   `json:"asOf"`            // as of when the export speaks, RFC 3339 in UTC
	Farm  string   `json:"farm,omitempty"`  // whose days these are; "" if it is the entry's farm
	Scope string   `json:"scope,omitempty"` // list, barn or operator the file names
	Days  []string `json:"days,omitempty"`  // days for which what is missing counts as vanished, ascending
	Other []string `json:"other,omitempty"` // the other days it lists, ascending
	Why   string   `json:"why,omitempty"`   // why not for these, in words; "" if there are none
}

// A Wait is a retraction that waits for a person: the source no longer has the
// fact, but it is a wrap, a block or a medicine, or too many vanished at once.
type Wait struct {
	Entity Entity `json:"entity"`
	Why    string `json:"why"` // in words
}

// A Reason is one rule a held record breaks.
type Reason struct {
	Field  string `json:"field"`            // neutral field, or "row", "header", "file"
	Column string `json:"column,omitempty"` // column or path it was read from
	Wanted string `json:"wanted"`
	Got    string `json:"got"`
}

// String returns the reason as one line: field: wanted, got.
func (r Reason) String() string {
	s := r.Field
	if r.Column != "" && r.Column != r.Field {
		s = r.Column + " (" + r.Field + ")"
	}
	return s + ": wanted " + r.Wanted + ", got " + r.Got
}

// Held is a record that was refused: kept whole, with every reason. Its id is
// made from its source and content, so that the same record read again is the
// same held record: see [HeldID] and [HeldIDBeside]. Whose it is [Entry.FarmOf]
// tells.
type Held struct {
	ID       string   `json:"id"`
	Line     int      `json:"line,omitempty"`
	LastLine int      `json:"lastLine,omitempty"`
	Member   string   `json:"member,omitempty"`
	Message  string   `json:"message,omitempty"`
	Path     string   `json:"path,omitempty"`
	Raw      string   `json:"raw,omitempty"`      // the original as text
	RawBytes []byte   `json:"rawBytes,omitempty"` // the original, if it is not text in the declared encoding
	Large    int      `json:"large,omitempty"`    // size of an original left in the archive, in bytes
	Reasons  []Reason `json:"reasons"`            // at least one, sorted as the mapping has the fields
	Record   string   `json:"record,omitempty"`   // record it belongs to, if its key could be read
	Seen     Seen     `json:"seen,omitzero"`      // what could be read of it, for people
	Scope    string   `json:"scope,omitempty"`
	Farm     string   `json:"farm,omitempty"` // farm it names, if the source tells of several and it could be read
}

// Seen is what could be read of a held record: unchecked, for people only.
type Seen struct {
	Animal string `json:"animal,omitempty"`
	Date   string `json:"date,omitempty"` // YYYY-MM-DD, if readable
	Foot   string `json:"foot,omitempty"`
	Words  string `json:"words,omitempty"` // the words of the record that are not codes or numbers
}

// HeldID returns the id of a held record of a source: "h-" and 12 characters.
func HeldID(source string, raw []byte) string {
	h := sha256.New()
	h.Write(appendPart(nil, source))
	h.Write(raw)
	return "h-" + codec.EncodeToString(h.Sum(nil))[:12]
}

// HeldIDBeside returns the id of a held record whose farm stands around it: equal
// rows below the titles of two farms are two. beside is what stands there, as read;
// "" is none. A source id has no slash, so that none of these is a [HeldID].
func HeldIDBeside(source, beside string, raw []byte) string {
	if beside == "" {
		return HeldID(source, raw)
	}
	return HeldID(source+"/"+beside, raw)
}

// FarmOf returns the farm of a held record of the entry, or "" and, sorted, the
// farms it may be of: those of its source. Both are empty for a record whose entry
// names none.
func (e *Entry) FarmOf(h *Held) (farm string, maybe []string) {
	switch {
	case e.Defaults.Farm != "":
		return e.Defaults.Farm, nil
	case h.Farm != "":
		return h.Farm, nil
	}
	return "", slices.Sorted(maps.Keys(e.Zones))
}

// Append appends the entry as JSON to b.
func (e *Entry) Append(b []byte) ([]byte, error) {
	head, err := json.Marshal(e)
	if err != nil {
		return b, fmt.Errorf("write entry: %w", err)
	}
	b = append(b, head[:len(head)-1]...)
	if len(e.Events) > 0 {
		b = append(b, `,"events":[`...)
		for i, ev := range e.Events {
			if i > 0 {
				b = append(b, ',')
			}
			b = append(b, ev...)
		}
		b = append(b, ']')
	}
	if len(e.Held) > 0 {
		held, err := json.Marshal(e.Held)
		if err != nil {
			return b, fmt.Errorf("write entry: %w", err)
		}
		b = append(b, `,"held":`...)
		b = append(b, held...)
	}
	return append(b, '}'), nil
}

// ParseEntry reads an entry. Events are slices of b, which must not be changed
// afterwards. Errors are of kind [ErrCorrupt], or [ErrInvalid] for an entry of a
// newer version.
func ParseEntry(b []byte) (*Entry, error) {
	e := new(Entry)
	end := len(b)
	var events, held []byte
	err := members(b, func(name string, value []byte, start int) error {
		switch name {
		case "events":
			events, end = value, min(end, start)
		case "held":
			held, end = value, min(end, start)
		}
		return nil
	})
	if err == nil {
		head := b
		if end < len(b) {
			head = append(append(make([]byte, 0, end+1), b[:end]...), '}')
		}
		err = json.Unmarshal(head, e)
	}
	if err == nil && events != nil {
		e.Events, err = elements(events)
	}
	if err == nil && held != nil {
		err = json.Unmarshal(held, &e.Held)
	}
	if err != nil {
		return nil, fmt.Errorf("read entry: %w: %w", err, ErrCorrupt)
	}
	if e.V > EntryVersion {
		return nil, &Fault{
			Kind: ErrInvalid, Where: fmt.Sprintf("log position %d", e.At), What: "entry version",
			Wanted: fmt.Sprintf("at most %d", EntryVersion), Got: fmt.Sprint(e.V),
			Hints: []string{"this log was written by a newer dewclaw; use that version"},
		}
	}
	return e, nil
}

// EntryHash returns the SHA-256 of the bytes of an entry in hex: what the next
// entry names as Prev.
func EntryHash(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

// NoEntry is the Prev of the first entry of a log.
const NoEntry = "0000000000000000000000000000000000000000000000000000000000000000"

// Event returns event i of the entry in its whole envelope. The data is a copy
// only where the archive had to be put in. Errors are of kind [ErrCorrupt].
func (e *Entry) Event(i int) (Event, error) {
	ev := Event{
		Revision: 1, Change: Recorded, Source: e.Source, Farm: e.Defaults.Farm, Scope: e.Defaults.Scope,
		Place: Place{e.At, i},
	}
	if e.Barn != nil {
		ev.Barn = e.Barn.ID
	}
	err := members(e.Events[i], func(name string, value []byte, _ int) error {
		switch name {
		case "kind":
			return textInto(value, (*string)(&ev.Kind))
		case "entity":
			return textInto(value, (*string)(&ev.Entity))
		case "subject":
			return textInto(value, &ev.Subject)
		case "farm":
			return textInto(value, &ev.Farm)
		case "visit":
			return textInto(value, &ev.Visit)
		case "scope":
			return textInto(value, &ev.Scope)
		case "change":
			return textInto(value, (*string)(&ev.Change))
		case "revision":
			return json.Unmarshal(value, &ev.Revision)
		case "before":
			if err := json.Unmarshal(value, &ev.Before); err != nil || ev.Before == nil {
				return err
			}
			if ev.Before.Position == 0 {
				ev.Before.Position = e.At
			}
		case "data":
			ev.Data = withArchive(value, e.Archive)
		}
		return nil
	})
	if err == nil {
		ev.Recorded, err = time.Parse(time.RFC3339, e.Time)
	}
	if err != nil {
		return Event{}, fmt.Errorf("event %d of log position %d: %w: %w", i, e.At, err, ErrCorrupt)
	}
	return ev, nil
}

// MoveBefore returns the stored form of event i with another position in its
// before, or as it is if that stands in the entry itself or is not there. The
// error is of kind [ErrCorrupt], or that of move.
func (e *Entry) MoveBefore(i int, move func(ev *Event) (Position, error)) ([]byte, error) {
	b := e.Events[i]
	at := bytes.LastIndex(b, beforeMember) // what revisions add stands last: see AppendRevision
	if at < 0 {
		return b, nil
	}
	ev, err := e.Event(i)
	if err != nil || ev.Before == nil {
		return b, err
	}
	tail := appendBefore(nil, *ev.Before)
	if !bytes.Equal(b[at:], tail) {
		return nil, fmt.Errorf("event %d of log position %d: place of the revision before: %w", i, e.At, ErrCorrupt)
	}
	p, err := move(&ev)
	if err != nil {
		return nil, err
	}
	return appendBefore(bytes.Clone(b[:at]), Place{p, ev.Before.Index}), nil
}

var beforeMember = []byte(`,"before":{"position":`)

// appendBefore appends the end of a stored event whose revision before stands in
// another entry.
func appendBefore(b []byte, p Place) []byte {
	b = append(b, beforeMember...)
	b = appendInt(b, int(p.Position))
	b = append(b, `,"index":`...)
	b = appendInt(b, p.Index)
	return append(b, "}}"...)
}

// All returns the events of the entry in their order. It ends at the first
// event that cannot be read, with its error.
func (e *Entry) All() iter.Seq2[Event, error] {
	return func(yield func(Event, error) bool) {
		for i := range e.Events {
			ev, err := e.Event(i)
			if !yield(ev, err) || err != nil {
				return
			}
		}
	}
}

// Revision is what the log adds to an event when it is stored.
type Revision struct {
	Number int    // from 1
	Change Change //
	Before *Place // nil for a first revision; its position is 0 if it stands in the same entry
}

// AppendRevision appends the stored form of an event to b: open is the form
// without its closing brace, as a mapping makes it ({"kind":…,"data":{…}).
func AppendRevision(b, open []byte, r Revision) []byte {
	b = append(b, open...)
	if r.Number > 1 {
		b = append(b, `,"revision":`...)
		b = appendInt(b, r.Number)
	}
	if r.Change != Recorded {
		b = append(b, `,"change":"`...)
		b = append(b, r.Change...)
		b = append(b, '"')
	}
	if r.Before != nil {
		b = append(b, `,"before":{`...)
		if r.Before.Position != 0 {
			b = append(b, `"position":`...)
			b = appendInt(b, int(r.Before.Position))
			b = append(b, ',')
		}
		b = append(b, `"index":`...)
		b = appendInt(b, r.Before.Index)
		b = append(b, '}')
	}
	return append(b, '}')
}

// An Envelope is what a mapping knows of an event beside its data.
type Envelope struct {
	Kind    Kind
	Entity  Entity
	Subject string
	Farm    string // "" if it is the entry's
	Visit   string
	Scope   string // "" if it is the entry's
}

// AppendOpen appends the stored form of an event without its closing brace.
func AppendOpen(b []byte, env Envelope, data []byte) []byte {
	b = append(b, `{"kind":"`...)
	b = append(b, env.Kind...)
	b = append(b, `","entity":"`...)
	b = append(b, env.Entity...)
	b = append(b, '"')
	b = appendAttribute(b, "subject", env.Subject)
	b = appendAttribute(b, "farm", env.Farm)
	b = appendAttribute(b, "visit", env.Visit)
	b = appendAttribute(b, "scope", env.Scope)
	b = append(b, `,"data":`...)
	return append(b, data...)
}

var originMember = []byte(`,"origin":{`)

// withArchive puts the archive into the origin of data. The search cannot hit
// inside a text: there every quote has a backslash before it.
func withArchive(data []byte, archive string) []byte {
	if archive == "" {
		return data
	}
	i := bytes.Index(data, originMember)
	if i < 0 || bytes.HasPrefix(data[i+len(originMember):], []byte(`"archive"`)) {
		return data
	}
	i += len(originMember)
	b := make([]byte, 0, len(data)+len(archive)+13)
	b = append(b, data[:i]...)
	b = append(b, `"archive":"`...)
	b = append(b, archive...)
	b = append(b, '"')
	if data[i] != '}' {
		b = append(b, ',')
	}
	return append(b, data[i:]...)
}
