package intake

import (
	"context"
	"errors"
	"slices"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema/rules"
)

// A reading takes one original through the beats: map, known?, check, and hands
// what it collects to its pace, which appends it (or, when the books are
// verified, compares it). One goroutine uses it.
type reading struct {
	in      *Intake
	ix      *index.Index
	src     *Source
	inward  *mapping.Inward
	mapping string // hash of the mapping file
	archive string
	name    string
	message adapters.Delivery // of a message: Message, Stream and Sequence; else zero
	body    []byte            // of a message that is archived in a pack
	job     mapping.Job
	scope   string // that the member names as a whole
	asOf    string // complete source: as of when the original speaks
	asOfAt  time.Time
	again   bool

	pace  pace
	b     *builder
	stale []*builder // closed since records were looked up

	start     events.Position // first entry of the reading; 0 before it is appended
	begun     bool            // from is where the source stands; false: at the beginning
	from      events.Cursor
	n         int                                // records that went by, those of an earlier run included
	skip      int                                // records that an earlier run settled
	line      int                                // last line that went by
	done      int                                // records that are in closed entries or in the builder
	doneAt    int                                // last line of those
	pending   map[events.RecordID]events.Waiting // records an earlier run left waiting
	listsRead []index.ListRead                   // lists an earlier run told of

	membersRead int
	memberFrom  events.Position // first entry of the member; 0 before it is appended
	deriving    bool            // the books are verified: nothing is appended

	single    map[events.RecordID]struct{} // of a message: records it had so far
	order     []events.RecordID            // of a message: records that began to wait
	waiting   int                          // records that wait
	blocks    int
	changed   map[events.RecordID]int // records that said something new, and the block of that
	moved     bool                    // a decision came between: look-ups of the block do not hold
	nextFound int
	scratch   *index.Scratch
	days      map[listingKey]*listing
	vague     []listingKey                 // complete source: what held rows tell that name no farm or day
	released  map[events.RecordID]struct{} // records with a row that was held and is released: what came with it is there
	raw       *index.Raw
	rawKey    string
	settled   bool // the source has held records that were released or dropped
	rule      ruling
	found     []index.Record
	ids       []events.RecordID

	complete  []events.Complete
	notices   []string
	progress  func(records int) // may be nil
	account   *account          // what becomes of each record; nil if nobody asks
	watch     *rules.Watch      // of the source; nil if nothing new is read
	at        int               // place of the record that is being settled
	bodies    []events.Body     // of the original itself, for its last entry
	restating *restating        // what is read as new; nil of anything else
}

// zones are the zones of the farms of the source.
func (s *Source) zones() map[string]string {
	if s.Mapping.FarmByRow() {
		return s.Farms
	}
	return map[string]string{s.Farm: s.Zone}
}

// A pace decides when what was collected becomes an entry. A reading asks it
// between two units of work, which are never split.
type pace interface {
	// room is asked before a unit of the given size goes into an entry that is
	// not empty; true means that the entry was closed and a new one begun.
	room(ctx context.Context, size int) (bool, error)
	// after is told that a unit is done.
	after(ctx context.Context) error
	// flush closes the entry if there is anything in it, and settles.
	flush(ctx context.Context) error
	// settle returns when every closed entry is appended and indexed.
	settle(ctx context.Context) error
}

// errStopped ends a reading whose pace wants no more of it.
var errStopped = errors.New("reading stopped")

func (in *Intake) newReading(src *Source, archive, name string) *reading {
	r := &reading{
		in: in, ix: in.Index, src: src, inward: src.Mapping, mapping: src.Mapping.Digest(), archive: archive, name: name,
		scratch: in.Index.Scratch(index.DefaultBounds), days: map[listingKey]*listing{},
		changed: map[events.RecordID]int{},
	}
	r.job = mapping.Job{Source: src.ID, Farm: src.Farm, Zone: src.Zone, Farms: src.Farms, Rules: in.Rules}
	return r
}

func (r *reading) close() {
	if r.raw != nil {
		r.raw.Close()
	}
	_ = r.scratch.Close() // a file in the data folder that the next start removes
}

// begin prepares the reading for records; the builder it makes is empty.
func (r *reading) begin() error {
	var err error
	r.settled, err = r.ix.AnySettled(r.src.ID)
	r.b = r.newBuilder()
	return err
}

func (r *reading) newBuilder() *builder {
	b := newBuilder(r.raw != nil, r.in.Sizes.Records)
	b.x.RawKey = r.rawKey
	return b
}

// known returns what is known of a record now. found is what the look-up of its
// block said. touched tells that this original said something new of it before.
func (r *reading) known(ctx context.Context, found *index.Record) (k *index.Record, touched bool, err error) {
	if own, ok := r.b.states[found.ID]; ok {
		return own, r.single == nil || r.isSingle(found.ID), nil
	}
	if r.moved || r.inStale(found.ID) {
		if err := r.pace.settle(ctx); err != nil {
			return nil, false, err
		}
		one, err := r.ix.Lookup(r.src.ID, []events.RecordID{found.ID}, nil)
		if err != nil {
			return nil, false, err
		}
		found = &one[0]
	}
	if r.single != nil {
		return found, r.isSingle(found.ID), nil
	}
	return found, r.touched(found), nil
}

// touched reports whether this member of the original said something new of a
// record that is in the index.
func (r *reading) touched(k *index.Record) bool {
	if !k.Known || r.memberFrom == 0 || k.Reading != r.start {
		return false
	}
	for i := range k.Slots {
		if k.Slots[i].Place.Position >= r.memberFrom {
			return true
		}
	}
	return false
}

// inStale reports whether an entry that was closed since the look-up says
// something of a record.
func (r *reading) inStale(id events.RecordID) bool {
	for _, b := range r.stale {
		if _, ok := b.states[id]; ok {
			return true
		}
	}
	return false
}

// isSingle reports whether the message had the record before.
func (r *reading) isSingle(id events.RecordID) bool {
	_, ok := r.single[id]
	return ok
}

// closed tells the reading that its pace closed the builder and began another.
func (r *reading) closed() {
	r.stale = append(r.stale, r.b)
	r.b = r.newBuilder()
}

// forgetStale is for the moment before records are looked up: of what is closed,
// only the newest may not be in the index yet.
func (r *reading) forgetStale() {
	if n := len(r.stale); n > 1 {
		r.stale = slices.Delete(r.stale, 0, n-1)
	}
}

// entry closes the builder into an entry that ends where the reading stands.
func (r *reading) entry(end bool) *events.Entry {
	to := &events.Cursor{Records: r.done, Line: r.doneAt, End: end}
	if m := &r.message; m.Stream != "" {
		to.Stream, to.Sequence = m.Stream, m.Sequence
		if end { // before that it is not in the log whole
			to.Ranges = []events.Range{{First: m.Sequence, Last: m.Sequence}}
		}
	}
	var from *events.Cursor
	if r.begun {
		f := r.from
		from = &f
	}
	if end {
		to.Bodies = r.bodies
	}
	e := r.b.close(from, to)
	r.head(e)
	r.begun = true
	r.from = events.Cursor{Records: to.Records, Line: to.Line}
	return e
}

// head fills in what every entry of the reading says.
func (r *reading) head(e *events.Entry) {
	e.Cause, e.Source, e.Mapping, e.Archive, e.Name = events.CauseChunk, r.src.ID, r.mapping, r.archive, r.name
	e.Language, e.Message = r.inward.Language(), r.message.Message
	e.Received, e.AsOf = events.FormatTime(r.job.Received), r.asOf
	e.Defaults, e.Zones = r.defaults(), r.src.zones()
}

// defaults are the attributes its drafts leave to the entry.
func (r *reading) defaults() events.Defaults {
	d := events.Defaults{Farm: r.src.Farm, Scope: r.scope}
	if r.inward.FarmByRow() {
		d.Farm = ""
	}
	return d
}

// A listingKey is a day in a list that an export of a complete source has.
type listingKey struct {
	list index.List
	day  string
}

// mayBe reports whether what a held row tells of its list and day may be k: what
// could not be read of it may be anything.
func (v listingKey) mayBe(k listingKey) bool {
	return (v.list.Farm == "" || v.list.Farm == k.list.Farm) && (v.list.Scope == "" || v.list.Scope == k.list.Scope) &&
		(v.day == "" || v.day == k.day)
}

// A listing is what is known of one day of such an export.
type listing struct {
	older     bool // a newer export was read for the day
	overruled bool // and one of those counted what it did not have as vanished
	held      bool // a row of the day is held
}

// listing returns the listing of a day and list, which it begins if it is new.
func (r *reading) listing(list index.List, day string) (*listing, error) {
	k := listingKey{list, day}
	if l, ok := r.days[k]; ok {
		return l, nil
	}
	x, err := r.ix.Export(r.src.ID, list, day)
	if err != nil {
		return nil, err
	}
	l := &listing{older: x.Newest.After(r.asOfAt), overruled: x.Whole.After(r.asOfAt)}
	r.days[k] = l
	return l, nil
}

// isComplete reports whether the source is complete for the days it lists.
func (r *reading) isComplete() bool { return r.inward.Complete() != nil }
