package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/events/index"
	"dewclaw/schema/codes"
	"dewclaw/schema/rules"
)

// Options say how an original is taken in.
type Options struct {
	// Again reads bytes that were read before as if they were new; as of when
	// they speak is the time of reading.
	Again bool
	// Progress is told now and then how many records went by; may be nil.
	Progress func(records int)
}

// Take takes one original in, from the archive to the log, and settles it: Taken
// after the last commit, NotTaken if it could not be read or committed. It
// covers the beats from map to acknowledge; a crash between two of them is made
// good when the original is handed over again, or by [Intake.Finish].
//
// It blocks until the turn of the source comes and the original is in the log,
// or ctx ends; what was committed by then stays and is not read twice. Errors:
// of kind unavailable, hand it over again later; of kind corrupt, stop.
func (in *Intake) Take(ctx context.Context, src *Source, d *adapters.Delivery, o Options) (Receipt, error) {
	t := in.turn(src.ID)
	t.take()
	defer t.release()
	receipt, err := in.take(ctx, src, d, o, t)
	if err != nil {
		in.acknowledge(ctx, d, adapters.NotTaken)
		return receipt, err
	}
	in.acknowledge(ctx, d, receipt.verdict())
	return receipt, nil
}

// acknowledge is the beat of that name: it tells the source what became of an original.
func (in *Intake) acknowledge(ctx context.Context, d *adapters.Delivery, v adapters.Verdict) {
	if d.Settle == nil {
		return
	}
	in.Beat(BeatAcknowledge)
	if err := d.Settle(context.WithoutCancel(ctx), v); err != nil {
		in.Logger.Warn("settle original", "name", d.Name, "taken", v == adapters.Taken, "error", err)
	}
}

func (in *Intake) take(ctx context.Context, src *Source, d *adapters.Delivery, o Options, t *turn) (Receipt, error) {
	receipt := Receipt{Source: src.ID, Name: d.Name}
	if err := in.catchUp(ctx, t); err != nil {
		return receipt, err
	}
	if d.Stream != "" {
		taken, err := in.taken(ctx, src, d)
		if err != nil || taken {
			receipt.Known = taken
			return receipt, err
		}
	}
	hash, err := in.keep(ctx, d)
	if err != nil {
		return receipt, err
	}
	receipt.Archive = hash
	if err := in.keepMapping(ctx, src); err != nil {
		return receipt, err
	}
	before, known, err := in.Index.Original(src.ID, hash)
	if err != nil {
		return receipt, err
	}
	if d.Body {
		if receipt.refused, err = in.refusedKey(src, d, hash); receipt.refused || err != nil {
			return receipt, err
		}
	}
	switch {
	case known && !before.Cursor.End:
		err = in.resume(ctx, src, before, t, &receipt)
		if err == nil {
			tell(d, adapters.Account{SHA256: hash, Counts: receipt.Counts, Last: receipt.Last, Notices: receipt.Notices, More: true})
		}
		if err == nil && o.Again {
			err = in.anew(ctx, src, d, o, t, &receipt)
		}
	case known && !o.Again && d.Body: // the log heard of it, and whoever asks is told
		receipt.Known, receipt.Counts = true, again(before.Counts)
		tell(d, knownAccount(hash, before, nil, true))
	case known && !o.Again && d.Stream == "": // a message that is sent again states it again
		err = in.repeat(ctx, src, d, before, t, &receipt)
	default:
		err = in.anew(ctx, src, d, o, t, &receipt)
	}
	if err == nil && !d.Modified.IsZero() {
		err = in.Index.SetFile(src.ID, d.Name, d.Size, d.Modified.UnixNano(), hash)
	}
	return receipt, err
}

// keep puts the bytes of a delivery into the archive.
func (in *Intake) keep(ctx context.Context, d *adapters.Delivery) (hash string, err error) {
	in.Beat(BeatArchive)
	rc, err := d.Open(ctx)
	if err != nil {
		return "", err
	}
	hash, _, err = in.Archive.Put(ctx, rc)
	return hash, errors.Join(err, rc.Close())
}

// keepMapping puts the mapping file into the archive, once.
func (in *Intake) keepMapping(ctx context.Context, src *Source) error {
	want := src.Mapping.Digest()
	if _, ok := in.mapped.Load(want); ok {
		return nil
	}
	got, _, err := in.Archive.Put(ctx, bytes.NewReader(src.MappingBytes))
	if err != nil {
		return err
	}
	if got != want {
		return fmt.Errorf("source %s: the mapping and its file differ: %w", src.ID, events.ErrInvalid)
	}
	in.mapped.Store(want, true)
	return nil
}

// anew reads an original from its beginning.
func (in *Intake) anew(ctx context.Context, src *Source, d *adapters.Delivery, o Options, t *turn, receipt *Receipt) error {
	r := in.newReading(src, receipt.Archive, d.Name)
	r.message = *d
	if r.again = o.Again; r.again {
		r.restating = &restating{}
	}
	r.job.Message = d.Message
	r.job.Received = d.Received.UTC().Truncate(time.Millisecond)
	if o.Again || d.Received.IsZero() {
		r.job.Received = in.Now().UTC().Truncate(time.Millisecond)
	}
	r.progress = o.Progress
	r.account = asks(d)
	if d.Key != "" {
		r.bodies = []events.Body{{SHA256: receipt.Archive, Key: d.Key}}
	}
	if err := in.fly(ctx, r, t, receipt); err != nil {
		return err
	}
	if r.account != nil {
		d.Tell(adapters.Account{
			SHA256: receipt.Archive, Counts: receipt.Counts, Last: receipt.Last, Notices: receipt.Notices, Fates: r.account.list(), More: r.account.more,
		})
	}
	return nil
}

// resume goes on with an original that an earlier run left half read, with the
// mapping and the time of receipt of that run.
func (in *Intake) resume(ctx context.Context, src *Source, before index.Original, t *turn, receipt *Receipt) error {
	r, err := in.halfRead(ctx, src, before)
	if err != nil {
		return err
	}
	receipt.Counts = before.Counts
	receipt.First = before.Reading
	return in.fly(ctx, r, t, receipt)
}

func (in *Intake) halfRead(ctx context.Context, src *Source, before index.Original) (*reading, error) {
	own := *src
	if before.Mapping != src.Mapping.Digest() {
		m, b, err := in.archivedMapping(before.Mapping)
		if err != nil {
			return nil, err
		}
		own.Mapping, own.MappingBytes = m, b
	}
	first, err := in.Log.Get(ctx, before.Reading)
	if err != nil {
		return nil, err
	}
	if own.Mapping, err = spokenBy(own.Mapping, first); err != nil {
		return nil, err
	}
	r := in.newReading(&own, before.Archive, before.Name)
	if r.job.Received, err = time.Parse(time.RFC3339, before.Received); err != nil {
		return nil, fmt.Errorf("log position %d: received: %w: %w", before.Reading, err, events.ErrCorrupt)
	}
	r.message.Message, r.job.Message = first.Message, first.Message
	if first.To != nil {
		r.message.Stream, r.message.Sequence = first.To.Stream, first.To.Sequence
	}
	r.again = before.AsOf == before.Received
	r.begun, r.from = true, events.Cursor{Records: before.Cursor.Records, Line: before.Cursor.Line}
	r.skip, r.done, r.doneAt = before.Cursor.Records, before.Cursor.Records, before.Cursor.Line
	r.start, r.listsRead = before.Reading, before.Lists
	if r.pending, err = in.Index.Waiting(src.ID, before.Archive); err != nil {
		return nil, err
	}
	r.waiting = len(r.pending)
	return r, nil
}

// archivedMapping compiles a mapping from its file in the archive.
func (in *Intake) archivedMapping(hash string) (*mapping.Inward, []byte, error) {
	blob, err := in.Archive.Open(hash)
	if err != nil {
		return nil, nil, fmt.Errorf("open mapping %s: %w", hash, err)
	}
	defer func() { _ = blob.Close() }()
	b, err := io.ReadAll(blob)
	if err != nil {
		return nil, nil, fmt.Errorf("read mapping %s: %w: %w", hash, err, events.ErrUnavailable)
	}
	m, err := mapping.ParseInward("mapping "+hash, b)
	return m, b, err
}

// spokenBy returns a mapping as the rows of an entry were read by it.
func spokenBy(m *mapping.Inward, e *events.Entry) (*mapping.Inward, error) {
	if e.Language > mapping.Language {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "source " + e.Source, Where: fmt.Sprintf("log position %d", e.At), What: "revision of the mapping language",
			Wanted: fmt.Sprintf("at most %d", mapping.Language), Got: fmt.Sprint(e.Language), Hints: []string{"a newer program wrote it: use that one"},
		}
	}
	return m.Of(e.Language), nil
}

// fly takes a reading into the log.
func (in *Intake) fly(ctx context.Context, r *reading, t *turn, receipt *Receipt) (err error) {
	defer r.close()
	f := &flight{in: in, r: r, t: t, receipt: receipt}
	r.pace, r.watch = f, &t.watch
	defer func() {
		if e := f.settle(ctx); err == nil {
			err = e
		}
	}()
	if err := r.read(ctx); err != nil {
		return err
	}
	if r.restating != nil {
		n, err := r.restating.notice(ctx, in.past, r.archive)
		if err != nil {
			return err
		}
		if n != "" {
			r.notices = append(r.notices, n)
		}
	}
	receipt.Notices, receipt.Complete = r.notices, r.complete
	r.b.entry.Notices = r.notices
	receipt.suspect(t, in.Rules)
	return f.closeEntry(ctx, true)
}

// suspect adds what the records of the source together say of its mapping and
// clock, once each while the process lives. It depends on what else the process
// has read, so it is for the operator and not for the log.
func (r *Receipt) suspect(t *turn, s *rules.Settings) {
	for _, n := range t.watch.Notes(s) {
		what := n.Code + " " + n.Farm
		if t.told[what] {
			continue
		}
		if t.told == nil {
			t.told = map[string]bool{}
		}
		t.told[what] = true
		r.Notices = append(slices.Clip(r.Notices), fmt.Sprintf("%s %s. %s", n.Code+":", n.Detail, codes.Advisories().Get(n.Code).Text))
	}
}

// repeat tells of bytes that were read before. The log hears of it once for each
// name they come under.
func (in *Intake) repeat(ctx context.Context, src *Source, d *adapters.Delivery, before index.Original, t *turn, receipt *Receipt) error {
	receipt.Known = true
	receipt.Counts = again(before.Counts)
	receipt.Notices = []string{fmt.Sprintf("these bytes were read before, as %s, and change nothing", before.Name)}
	named, err := in.Index.Named(src.ID, before.Archive, d.Name)
	if err != nil || named {
		return err
	}
	at := events.Cursor{Records: before.Cursor.Records, Line: before.Cursor.Line, End: true}
	to := at
	e := &events.Entry{
		Cause: events.CauseChunk, Source: src.ID, Mapping: before.Mapping, Archive: before.Archive, Name: d.Name,
		Received: before.Received, From: &at, To: &to, Counts: receipt.Counts, Notices: receipt.Notices,
	}
	p, err := in.commit(ctx, e, nil, t)
	receipt.First, receipt.Last, receipt.Entries = p, p, 1
	return err
}

// Finish reads the originals of a source to their end that a crash left half
// read, or released and not read at all, from the archive: whoever handed them over may have them no more. It is
// called once for each source before anything is taken from it.
func (in *Intake) Finish(ctx context.Context, src *Source) ([]Receipt, error) {
	t := in.turn(src.ID)
	t.take()
	defer t.release()
	if err := in.catchUp(ctx, t); err != nil {
		return nil, err
	}
	list, err := in.Index.Unfinished(src.ID)
	if err != nil {
		return nil, err
	}
	var out []Receipt
	for _, o := range list {
		receipt := Receipt{Source: src.ID, Name: o.Name, Archive: o.Archive}
		err := in.resume(ctx, src, o, t, &receipt)
		if errors.Is(err, events.ErrNotFound) && in.wasReturned(ctx, o.Reading) {
			continue // its bytes were lost with a data folder: it goes on when the source has it again
		}
		if err != nil {
			return out, fmt.Errorf("go on reading %s: %w", o.Name, err)
		}
		out = append(out, receipt)
	}
	also, err := in.released(ctx, src, t)
	return append(out, also...), err
}
