package intake

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema/rules"
)

// VerifyDeps are what the books are worked out again with.
type VerifyDeps struct {
	Log      Log // only read
	Archive  *archive.Archive
	Decoders map[string]adapters.NewDecoder
	Unpack   Unpack
	Rules    *rules.Settings
	Dir      string                // for an index that lives as long as this does
	Progress func(done, total int) // entries; may be nil
}

// A Report is what verifying found. Counts are worked out from the archive; those
// of barns are what they wrote, as the hashes of their entries prove.
type Report struct {
	Entries     int           `json:"entries"`
	Events      int           `json:"events"`
	Originals   int           `json:"originals"`
	Repeated    int           `json:"repeated,omitempty"` // entries of barns, at a hub
	Returned    int           `json:"returned,omitempty"` // entries that a hub gave back, at a barn
	Absent      int           `json:"absent,omitempty"`   // originals of those that are not in this archive
	Counts      events.Counts `json:"counts"`
	Differences []Difference  `json:"differences,omitempty"` // the first 100
	More        int           `json:"more,omitempty"`        // differences beyond those
}

// A Difference is a place where the log is not what the originals come to.
type Difference struct {
	Position events.Position `json:"position"`
	Source   string          `json:"source,omitempty"`
	Name     string          `json:"name,omitempty"` // of the original
	Line     int             `json:"line,omitempty"`
	What     string          `json:"what"`
	Wanted   string          `json:"wanted"` // what the original comes to
	Got      string          `json:"got"`    // what stands in the log
}

const maxDifferences = 100

// Verify reads the log from its first entry and every original it names from the
// archive, works out what must have become of each record with an index of its
// own, and compares entry by entry: entities, revisions, changes and contents of
// events, held records, counts, cursors and waits; and what follows from each
// decision. It also checks the chain of entries and the bytes of the archive. It
// trusts no number that is stored.
//
// A log that is damaged is a difference, and what comes behind it is not looked
// at. Errors are those of the disk and of ctx.
func Verify(ctx context.Context, d VerifyDeps) (Report, error) {
	if err := os.MkdirAll(d.Dir, 0o700); err != nil {
		return Report{}, fmt.Errorf("verify: %w: %w", err, events.ErrUnavailable)
	}
	dir, err := os.MkdirTemp(d.Dir, "verify-")
	if err != nil {
		return Report{}, fmt.Errorf("verify: %w: %w", err, events.ErrUnavailable)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	v := &verifier{
		d: d, open: map[string]*derivation{}, counts: map[string]events.Counts{}, checked: map[string]int{},
		mappings: map[string]*mapping.Inward{}, imports: map[string]*importCheck{}, barns: map[string]*barnCheck{},
	}
	ix, err := index.Open(ctx, index.Options{Path: filepath.Join(dir, "index.db"), Log: nothing{d.Log}, Passing: true})
	if err != nil {
		return Report{}, err
	}
	defer func() { _ = ix.Close() }()
	v.in = New(Deps{
		Log: d.Log, Index: ix, Archive: d.Archive, Decoders: d.Decoders, Unpack: d.Unpack, Rules: d.Rules,
		Now: time.Now, Logger: slog.New(slog.DiscardHandler),
	})
	defer v.close()
	err = v.run(ctx)
	return v.report, err
}

// nothing is a log for an index that is filled by hand.
type nothing struct{ Log }

func (nothing) Last() (events.Position, string) { return 0, events.NoEntry }

// A verifier holds the log to the archive.
type verifier struct {
	d        VerifyDeps
	in       *Intake
	open     map[string]*derivation   // by source and archive
	counts   map[string]events.Counts // of readings that ended, the same
	checked  map[string]int           // archive hashes, to how they were found
	mappings map[string]*mapping.Inward
	imports  map[string]*importCheck // by archive hash
	barns    map[string]*barnCheck   // by log id
	report   Report
}

func (v *verifier) close() {
	for _, d := range v.open {
		d.stop()
	}
	for _, c := range v.imports {
		_ = c.blob.Close()
	}
}

func (v *verifier) run(ctx context.Context) error {
	last, _ := v.d.Log.Last()
	for e, err := range v.d.Log.Read(ctx, 1) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if errors.Is(err, events.ErrCorrupt) {
			v.differ(&events.Entry{At: events.Position(v.report.Entries + 1)}, 0, "log", "an entry that is whole", err.Error())
			return nil
		}
		if err != nil {
			return err
		}
		err := v.entry(ctx, e)
		if errors.Is(err, events.ErrCorrupt) {
			v.differ(e, 0, "entry", "one that can be read", err.Error())
			return nil
		}
		if err != nil {
			return fmt.Errorf("verify log position %d: %w", e.At, err)
		}
		v.report.Entries++
		v.report.Events += len(e.Events)
		if v.d.Progress != nil {
			v.d.Progress(v.report.Entries, int(last))
		}
	}
	return nil
}

func (v *verifier) differ(e *events.Entry, line int, what, wanted, got string) {
	if len(v.report.Differences) >= maxDifferences {
		v.report.More++
		return
	}
	v.report.Differences = append(v.report.Differences, Difference{e.At, e.Source, e.Name, line, what, wanted, got})
}

// entry works one entry out again, compares, and takes the one of the log in.
func (v *verifier) entry(ctx context.Context, e *events.Entry) error {
	whole, err := v.bytes(ctx, e)
	if err != nil {
		return err
	}
	if e.Returned != nil && e.Barn == nil {
		err = v.returned(e)
	}
	switch {
	case err != nil:
	case e.Barn != nil:
		err = v.repeats(ctx, e)
	case e.Returned != nil && (!whole || e.Cause == events.CauseDecision):
		// What it was made of may not be here; that it is what was written its hash says.
		v.report.Counts = v.report.Counts.Add(e.Counts)
	case !whole:
	case e.Import != nil:
		err = v.imported(e)
	case e.Cause == events.CauseDecision:
		err = v.decision(ctx, e)
	case e.Cause == events.CauseGrant:
	case e.From != nil && e.From.End:
		v.repeated(e)
	case e.To != nil && e.To.Records == 0 && !e.To.End && (e.To.Stream != "" || len(e.To.Bodies) > 0):
		err = v.messages(ctx, e)
	case e.To != nil:
		err = v.original(ctx, e)
	default:
		v.differ(e, 0, "cursor", "where the source stands", "nothing")
	}
	if err != nil {
		return err
	}
	return v.in.Index.Apply(ctx, e, nil)
}

// bytes checks the archive blobs an entry names, each once. One that a barn has, or
// had before its data folder was lost, may be absent.
func (v *verifier) bytes(ctx context.Context, e *events.Entry) (whole bool, err error) {
	whole = true
	for _, hash := range e.Originals() {
		was, known := v.checked[hash]
		if !known {
			err := v.d.Archive.Verify(ctx, hash)
			switch {
			case err == nil:
				was = blobWhole
			case errors.Is(err, events.ErrNotFound) && e.Elsewhere():
				was = blobAbsent
				v.report.Absent++
			case errors.Is(err, events.ErrNotFound) || errors.Is(err, events.ErrCorrupt):
				v.differ(e, 0, "archive "+hash, "the bytes of that hash", err.Error())
			default:
				return false, err
			}
			if hash == e.Archive && e.Cause != events.CauseDecision && was != blobAbsent {
				v.report.Originals++
			}
		} else if again := e.From != nil && e.From.End; was == blobAbsent && !e.Elsewhere() && !again {
			v.differ(e, 0, "archive "+hash, "the bytes of that hash", "none")
			was = blobBad
		}
		v.checked[hash] = was
		whole = whole && was == blobWhole
	}
	return whole, nil
}

// How a blob of the archive was found.
const (
	blobBad = iota
	blobWhole
	blobAbsent
)

// source makes the source an entry was read from.
func (v *verifier) source(e *events.Entry) (*Source, error) {
	m := v.mappings[e.Mapping]
	if m == nil {
		var err error
		if m, _, err = v.in.archivedMapping(e.Mapping); err != nil {
			return nil, err
		}
		v.mappings[e.Mapping] = m
	}
	m, err := spokenBy(m, e)
	if err != nil {
		return nil, err
	}
	s := &Source{ID: e.Source, Farm: e.Defaults.Farm, Mapping: m, Farms: e.Zones}
	if !m.FarmByRow() {
		s.Zone, s.Farms = e.Zones[s.Farm], nil
	}
	return s, nil
}

// repeated checks an entry that tells of bytes that were read before.
func (v *verifier) repeated(e *events.Entry) {
	c, ok := v.counts[e.Source+"\x00"+e.Archive]
	if !ok {
		v.differ(e, 0, "original", "one that was read before", "one that was not")
		return
	}
	want := again(c)
	v.compare(e, &events.Entry{Counts: want, From: e.From, To: e.From})
	v.report.Counts = v.report.Counts.Add(want)
}
