package intake

import (
	"cmp"
	"context"
	"io"
	"iter"
	"log/slog"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema/rules"
)

// A Log is the part of the log the way in needs.
type Log interface {
	index.Log
	// Append stores an entry and fills in its place; it returns after the fsync.
	Append(ctx context.Context, e *events.Entry) (events.Position, error)
	Get(ctx context.Context, p events.Position) (*events.Entry, error)
}

// Deps are what an [Intake] works with.
type Deps struct {
	Log      Log
	Index    *index.Index
	Archive  *archive.Archive
	Decoders map[string]adapters.NewDecoder // by the format of a layout
	Unpack   Unpack                         // nil: originals are plain bytes
	Rules    *rules.Settings                // nil: the defaults
	Now      func() time.Time
	Logger   *slog.Logger
	Workers  int // goroutines that map; 0 means one for each processor

	// Committed is told of every entry after it was appended and indexed, those
	// of one source in the order of the log; may be nil. It must be quick.
	Committed func(*events.Entry)

	// Sizes are for tests: the events do not depend on them. Zero is right.
	Sizes Sizes

	// Beat is told the name of each beat when it begins, by several goroutines
	// at once; may be nil. Crash tests stop the program there.
	Beat func(name string)
}

// Sizes say how much goes together; what is zero has its default.
type Sizes struct {
	Rows    int // rows that go through the pipe together
	Records int // records in an entry
	Read    int // records that go by before the cursor moves
}

func (s Sizes) orDefault() Sizes {
	return Sizes{cmp.Or(s.Rows, blockRows), cmp.Or(s.Records, events.MaxEntryRecords), cmp.Or(s.Read, maxEntryRead)}
}

// Unpack yields the members of an original: see [dewclaw/adapters/packed]. An
// error with a name spoils that member, one without spoils the original and is
// the last.
type Unpack func(r io.ReaderAt, size int64, name string) iter.Seq2[Member, error]

// A Member is one stream of bytes of an original.
type Member struct {
	Name    string // inside a zip; "" otherwise
	Reader  io.Reader
	Ignored string // why it is not data; then Reader is nil
}

// An Intake is the one way in. Safe for use by several goroutines at once; calls
// for one source wait for one another.
type Intake struct {
	Deps
	mu      sync.Mutex
	sources map[string]*turn
	commits sync.Mutex                 // append and index belong together
	strange map[string]events.Position // newest entry of a source that came from the log and not from here; with commits
	kins    map[string]*kin            // at a hub, by barn; with mu
	givings map[string]*giving         // at a hub, by barn; with mu
	past    *history
	common  common
	mapped  sync.Map // hash of a mapping → true: it is in the archive
}

// New returns an Intake. Every field of d but Unpack, Rules, Workers, Committed
// and Beat must be set.
func New(d Deps) *Intake {
	if d.Beat == nil {
		d.Beat = func(string) {}
	}
	if d.Rules == nil {
		d.Rules = rules.Defaults()
	}
	d.Sizes = d.Sizes.orDefault()
	if d.Workers <= 0 {
		d.Workers = runtime.GOMAXPROCS(0)
	}
	return &Intake{Deps: d, sources: map[string]*turn{}, strange: map[string]events.Position{}, past: newHistory(d.Log)}
}

// A Source is a configured source with its mapping.
type Source struct {
	ID           string
	Farm         string            // "" if rows name it
	Zone         string            // IANA zone of the farm
	Farms        map[string]string // farm id → zone, if rows name the farm
	Mapping      *mapping.Inward
	MappingBytes []byte // the file Mapping was made of
}

// A Receipt is what became of an original, or of a batch of messages.
type Receipt struct {
	Source   string
	Name     string
	Archive  string
	Known    bool // its bytes were read before: nothing changes, and Counts say what they hold
	Counts   events.Counts
	First    events.Position // entries it made; 0 if none
	Last     events.Position
	Entries  int
	Notices  []string          // what a person should know, in words
	Complete []events.Complete // complete source: for each scope it lists

	refused bool // its key came with other bytes before
}

func (r *Receipt) verdict() adapters.Verdict {
	if r.refused {
		return adapters.NotTaken
	}
	return adapters.Taken
}

// A turn is whose turn it is at one source: one reading or one decision at a
// time. A reading gives way between two entries when a decision wants its turn;
// whoever waits longest is next.
type turn struct {
	token  chan struct{} // who took it out has the turn
	wanted atomic.Int32  // decisions that wait

	// Of whoever has the turn.
	next  events.Position // the first entry that may be in the log unknown to it
	watch rules.Watch
	told  map[string]bool // advisories of the source, by code and farm
}

func (in *Intake) turn(source string) *turn {
	in.mu.Lock()
	defer in.mu.Unlock()
	t := in.sources[source]
	if t == nil {
		t = &turn{token: make(chan struct{}, 1)}
		t.token <- struct{}{}
		in.sources[source] = t
	}
	return t
}

func (t *turn) take()    { <-t.token }
func (t *turn) release() { t.token <- struct{}{} }

// urgent takes the turn before a reading that is under way goes on.
func (t *turn) urgent() (release func()) {
	t.wanted.Add(1)
	t.take()
	t.wanted.Add(-1)
	return t.release
}
