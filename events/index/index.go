package index

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"dewclaw/events"
)

// A Log is what an index is derived from.
type Log interface {
	ID() string
	// Last returns the newest position and the hash of its entry.
	Last() (events.Position, string)
	Read(ctx context.Context, from events.Position) iter.Seq2[*events.Entry, error]
}

// Options say where an index lies and what it is derived from.
type Options struct {
	Path     string // its file; -wal and -shm stand beside it
	Log      Log
	Progress func(done, last events.Position) // called now and then while entries are applied at the start; may be nil
	Beat     func(name string)                // told when a beat begins; may be nil
	Now      func() time.Time                 // for how long a transaction is left open; nil means [time.Now]
	Passing  bool                             // the file will not be opened again: nothing is synced
}

// The beats of an index that reads the log, as [Options.Beat] names them. A crash
// in either leaves what was committed, and the rest is read again.
const (
	BeatRead   = "index-read"   // an entry is read and applied
	BeatCommit = "index-commit" // what was applied is committed
)

// Beats returns both.
func Beats() []string { return []string{BeatRead, BeatCommit} }

// An Index is an open index. Safe for use by several goroutines at once; its
// calls wait for one another and for the disk.
type Index struct {
	mu      sync.Mutex
	o       Options
	d       *db
	applied events.Position
	prev    string // Prev of the entry applied last
	pending int    // entries applied and not committed
	since   time.Time
	sources map[string]uint32
	names   []string // by number; [0] is not used
	segment int64    // highest segment given out
	windows map[*Raw]struct{}
	scratch []byte
	key     []byte
	temps   int // scratches made
}

// How long a transaction may be left open.
const (
	maxPending = 16
	maxOpen    = 200 * time.Millisecond
)

// checkBelow is the size up to which a file is checked whole when it is opened
// (measured: 0.2 s for 50 MB). Values carry checksums of their own.
const checkBelow = 256 << 20

// Open brings the index at o.Path up to the end of the log: what it has not
// applied is read from there, and an index that cannot be trusted is removed and
// built anew. It blocks for as long as that takes (about 150,000 events a
// second) or ctx lasts; what was applied by then is kept. Errors of the log keep
// their kind, those of the disk are of kind unavailable.
func Open(ctx context.Context, o Options) (*Index, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Beat == nil {
		o.Beat = func(string) {}
	}
	if left, err := filepath.Glob(o.Path + scratchSuffix + "*"); err == nil {
		for _, name := range left {
			_ = os.Remove(name)
		}
	}
	ix, err := load(o)
	if err == nil {
		err = ix.matches(ctx)
	}
	if errors.Is(err, errForeign) || err != nil && ix != nil && ix.d != nil && ix.d.bad {
		if ix != nil {
			_ = ix.d.close()
		}
		if err = remove(o.Path); err == nil {
			ix, err = load(o)
		}
	}
	if err == nil {
		err = ix.follow(ctx, events.Position(^uint64(0)>>1))
	}
	if err != nil {
		if ix != nil && ix.d != nil {
			_ = ix.d.close()
		}
		return nil, err
	}
	return ix, nil
}

// errForeign means that the file is not an index of this log and layout.
var errForeign = errors.New("index: made for something else")

func remove(path string) error {
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("index: remove the old file: %w: %w", err, events.ErrUnavailable)
		}
	}
	return nil
}

// load opens the file, makes its tables if it is new, and reads meta. It returns
// the index along with an error if there is something to close.
func load(o Options) (*Index, error) {
	if err := os.MkdirAll(filepath.Dir(o.Path), 0o750); err != nil {
		return nil, fmt.Errorf("index: make its folder: %w: %w", err, events.ErrUnavailable)
	}
	info, err := os.Stat(o.Path)
	fresh := err != nil || info.Size() == 0
	ix := &Index{o: o, sources: map[string]uint32{}, names: []string{""}, windows: map[*Raw]struct{}{}}
	sync := "synchronous=NORMAL"
	if o.Passing {
		sync = "synchronous=OFF"
	}
	ix.d, err = openDB(o.Path, "journal_mode=WAL", sync, "cache_size=-12000",
		"wal_autocheckpoint=8000", "temp_store=MEMORY")
	if err != nil {
		if !fresh {
			return nil, errForeign // not SQLite's, or damaged at its head
		}
		return nil, err
	}
	if fresh {
		return ix, ix.create()
	}
	if info.Size() < checkBelow {
		if err := ix.check(); err != nil {
			return ix, err
		}
	}
	return ix, ix.readMeta()
}

func (ix *Index) create() error {
	if err := ix.d.script(tables); err != nil {
		return err
	}
	for k, v := range map[string]string{"layout": layout, "log": ix.o.Log.ID(), "applied": "0", "prev": "", "hash": "", "segment": "0"} {
		if err := ix.setMeta(k, v); err != nil {
			return err
		}
	}
	return nil
}

func (ix *Index) check() error {
	row, err := ix.d.prepared("PRAGMA quick_check(1)").first()
	if err != nil {
		return err
	}
	if len(row) == 0 || text(row[0]) != "ok" {
		return errForeign
	}
	return nil
}

func (ix *Index) setMeta(k, v string) error {
	return ix.d.prepared("INSERT OR REPLACE INTO meta(k, v) VALUES(?, ?)").exec(k, v)
}

func (ix *Index) meta(k string) (string, error) {
	row, err := ix.d.prepared("SELECT v FROM meta WHERE k = ?").first(k)
	if err != nil || row == nil {
		return "", err
	}
	return text(row[0]), nil
}

func (ix *Index) readMeta() error {
	got := map[string]string{}
	for _, k := range []string{"layout", "log", "applied", "prev", "segment"} {
		v, err := ix.meta(k)
		if err != nil {
			return errForeign
		}
		got[k] = v
	}
	applied, err := strconv.ParseUint(got["applied"], 10, 63)
	if err != nil || got["layout"] != layout || got["log"] != ix.o.Log.ID() {
		return errForeign
	}
	ix.applied, ix.prev = events.Position(applied), got["prev"]
	if ix.segment, err = strconv.ParseInt(got["segment"], 10, 64); err != nil {
		return errForeign
	}
	return ix.d.prepared("SELECT no, id FROM sources ORDER BY no").each(func(row []value) error {
		if int(integer(row[0])) != len(ix.names) {
			return errForeign
		}
		ix.sources[text(row[1])] = uint32(len(ix.names))
		ix.names = append(ix.names, text(row[1]))
		return nil
	})
}

// matches compares the entry applied last with the one the log has there.
func (ix *Index) matches(ctx context.Context) error {
	last, lastHash := ix.o.Log.Last()
	switch {
	case ix.applied > last:
		return errForeign
	case ix.applied == 0:
		return nil
	}
	hash, err := ix.meta("hash")
	if err != nil {
		return err
	}
	if ix.applied == last && hash != "" {
		if hash != lastHash {
			return errForeign
		}
		return nil
	}
	n := 0
	for e, err := range ix.o.Log.Read(ctx, ix.applied) {
		if err != nil {
			return err
		}
		if n == 0 && e.Prev != ix.prev || n == 1 && hash != "" && e.Prev != hash {
			return errForeign
		}
		if n++; n == 2 {
			break
		}
	}
	return nil
}

// follow applies entries of the log from the one behind the last applied, up to
// and including to, as far as there are any.
func (ix *Index) follow(ctx context.Context, to events.Position) error {
	last, _ := ix.o.Log.Last()
	if ix.applied >= last {
		return nil
	}
	for e, err := range ix.o.Log.Read(ctx, ix.applied+1) {
		if err != nil {
			return err
		}
		if e.At > to {
			return nil
		}
		ix.o.Beat(BeatRead)
		if err := ix.apply(e, &Extra{}); err != nil {
			return err
		}
		if ix.o.Progress != nil && e.At%64 == 0 {
			ix.o.Progress(e.At, last)
		}
	}
	if ix.o.Progress != nil {
		ix.o.Progress(ix.applied, last)
	}
	return nil
}

// Applied returns the position of the entry applied last.
func (ix *Index) Applied() events.Position {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	return ix.applied
}

// Apply takes in entry e, which stands in the log. Entries between the one
// applied last and e are read from the log first; an entry that was applied
// already changes nothing. After an error nothing is half applied: what was not
// committed is rolled back and read from the log again by the next call.
func (ix *Index) Apply(ctx context.Context, e *events.Entry, x *Extra) error {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	if e.At > ix.applied+1 {
		if err := ix.follow(ctx, e.At-1); err != nil {
			return ix.failed(err)
		}
	}
	if e.At <= ix.applied {
		return nil
	}
	if e.At != ix.applied+1 {
		return fmt.Errorf("index: apply log position %d: the log ends at %d", e.At, ix.applied)
	}
	if x == nil {
		x = &Extra{}
	}
	if err := ix.apply(e, x); err != nil {
		return ix.failed(err)
	}
	return nil
}

// failed goes back to what was committed.
func (ix *Index) failed(err error) error {
	ix.d.rollback()
	for w := range ix.windows {
		w.forget()
	}
	ix.sources, ix.names, ix.pending = map[string]uint32{}, []string{""}, 0
	if e := ix.readMeta(); e != nil {
		return errors.Join(err, e)
	}
	return err
}

// Follow applies every entry of the log that is not applied yet.
func (ix *Index) Follow(ctx context.Context) error {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	if err := ix.follow(ctx, events.Position(^uint64(0)>>1)); err != nil {
		return ix.failed(err)
	}
	return nil
}

// Flush commits what was applied.
func (ix *Index) Flush() error {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	return ix.flush()
}

func (ix *Index) flush() error {
	if !ix.d.open {
		return nil
	}
	hash := ""
	if last, h := ix.o.Log.Last(); last == ix.applied {
		hash = h
	}
	for k, v := range map[string]string{
		"applied": strconv.FormatUint(uint64(ix.applied), 10), "prev": ix.prev, "hash": hash,
		"segment": strconv.FormatInt(ix.segment, 10),
	} {
		if err := ix.setMeta(k, v); err != nil {
			return err
		}
	}
	ix.pending = 0
	ix.o.Beat(BeatCommit)
	return ix.d.commit()
}

// Close commits and lets go of the file. An index that was found damaged is
// removed, so that the next start builds it anew.
func (ix *Index) Close() error {
	ix.mu.Lock()
	defer ix.mu.Unlock()
	err := ix.flush()
	bad := ix.d.bad
	if e := ix.d.close(); err == nil {
		err = e
	}
	if bad {
		return errors.Join(err, remove(ix.o.Path))
	}
	return err
}

// source returns the number of a source, 0 if it has none yet.
func (ix *Index) source(id string) uint32 { return ix.sources[id] }

// numberSource returns the number of a source and gives it one if it has none.
func (ix *Index) numberSource(id string) (uint32, error) {
	if no, ok := ix.sources[id]; ok {
		return no, nil
	}
	no := uint32(len(ix.names))
	if err := ix.d.prepared("INSERT INTO sources(no, id) VALUES(?, ?)").exec(no, id); err != nil {
		return 0, err
	}
	ix.sources[id] = no
	ix.names = append(ix.names, id)
	return no, nil
}

func (ix *Index) sourceName(no int64) string {
	if no > 0 && no < int64(len(ix.names)) {
		return ix.names[no]
	}
	return ""
}

// layout names the tables and the forms of values. Whatever changes one of them
// changes it.
var layout = "7 " + strings.Join(kindNames(), " ")

func kindNames() []string {
	var out []string
	for _, k := range kinds {
		out = append(out, string(k))
	}
	return out
}

const tables = `
CREATE TABLE meta(k TEXT PRIMARY KEY, v TEXT) WITHOUT ROWID;
CREATE TABLE sources(no INTEGER PRIMARY KEY, id TEXT UNIQUE);
CREATE TABLE records(k BLOB PRIMARY KEY, v BLOB) WITHOUT ROWID;
CREATE TABLE days(k BLOB PRIMARY KEY) WITHOUT ROWID;
CREATE TABLE exports(k BLOB PRIMARY KEY, newest INTEGER, whole INTEGER) WITHOUT ROWID;
CREATE TABLE originals(source INTEGER, archive TEXT, reading INTEGER, newest INTEGER, records INTEGER, line INTEGER,
  ended INTEGER, counts TEXT, mapping TEXT, name TEXT, received TEXT, asof TEXT,
  lists TEXT, PRIMARY KEY(source, archive)) WITHOUT ROWID;
CREATE TABLE names(source INTEGER, archive TEXT, name TEXT, PRIMARY KEY(source, archive, name)) WITHOUT ROWID;
CREATE TABLE keys(source INTEGER, key TEXT, archive TEXT, PRIMARY KEY(source, key)) WITHOUT ROWID;
CREATE TABLE sequences(source INTEGER, stream TEXT, first INTEGER, last INTEGER, PRIMARY KEY(source, stream, first)) WITHOUT ROWID;
CREATE TABLE tails(source INTEGER, stream TEXT, last INTEGER, messages INTEGER, at INTEGER, PRIMARY KEY(source, stream, last)) WITHOUT ROWID;
CREATE TABLE held(id TEXT PRIMARY KEY, source INTEGER, state INTEGER, position INTEGER, idx INTEGER, record BLOB,
  reasons INTEGER, fixed INTEGER, settled INTEGER) WITHOUT ROWID;
CREATE INDEX heldplaces ON held(state, position, idx);
CREATE INDEX heldrecords ON held(record) WHERE record IS NOT NULL;
CREATE TABLE decided(id TEXT, position INTEGER, PRIMARY KEY(id, position)) WITHOUT ROWID;
CREATE TABLE waits(entity TEXT PRIMARY KEY, source INTEGER, why TEXT, position INTEGER) WITHOUT ROWID;
CREATE TABLE waiting(source INTEGER, archive TEXT, record BLOB, at INTEGER, v TEXT, PRIMARY KEY(source, archive, record)) WITHOUT ROWID;
CREATE INDEX waitingplaces ON waiting(source, archive, at);
CREATE TABLE raws(no INTEGER PRIMARY KEY, source INTEGER, key TEXT);
CREATE TABLE segments(id INTEGER PRIMARY KEY, raw INTEGER, v BLOB);
CREATE TABLE hooks(k BLOB PRIMARY KEY, segment INTEGER) WITHOUT ROWID;
CREATE TABLE files(source TEXT, name TEXT, size INTEGER, modified INTEGER, archive TEXT, PRIMARY KEY(source, name)) WITHOUT ROWID`
