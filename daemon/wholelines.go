package main

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"os"
	"path/filepath"
	"slices"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
)

// originalLine is one line of originals.ndjson: an original with the names of
// its columns, or one row of it.
type originalLine struct {
	Original string   `json:"original"`
	Name     string   `json:"name,omitempty"`
	Member   string   `json:"member,omitempty"`
	Message  string   `json:"message,omitempty"`
	Columns  []string `json:"columns,omitempty"`
	Line     int      `json:"line,omitempty"`
	LastLine int      `json:"lastLine,omitempty"`
	Path     string   `json:"path,omitempty"`
	Text     string   `json:"text,omitempty"`
}

// originals writes whole originals where they are of the farm alone, and of
// others the rows that name the farm.
func (w *wholeFarm) originals(ctx context.Context) error {
	f, err := newSumFile(filepath.Join(w.dir, "originals.ndjson"))
	if err != nil {
		return err
	}
	defer f.close()
	for _, h := range w.order {
		if err := ctx.Err(); err != nil {
			return err
		}
		if b := w.blobs[h]; b.shared {
			err = w.sharedOriginal(ctx, f, h, b)
		} else {
			err = w.wholeOriginal(h)
		}
		if err != nil {
			return err
		}
	}
	w.sums["originals.ndjson"], err = f.finish()
	return err
}

// wholeOriginal copies an original byte for byte.
func (w *wholeFarm) wholeOriginal(h string) error {
	blob, err := w.e.archive.Open(h)
	if err != nil {
		return err
	}
	defer blob.Close()
	name := "originals/" + h
	full := filepath.Join(w.dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(full), 0o700); err != nil {
		return fmt.Errorf("write %s: %w: %w", name, err, events.ErrUnavailable)
	}
	f, err := newSumFile(full)
	if err != nil {
		return err
	}
	defer f.close()
	if _, err := f.w.ReadFrom(blob); err != nil {
		return fmt.Errorf("write %s: %w: %w", name, err, events.ErrUnavailable)
	}
	if w.sums[name], err = f.finish(); err != nil {
		return err
	}
	if w.sums[name] != h {
		return &events.Fault{Kind: events.ErrCorrupt, Who: "export", Where: w.e.archive.Path(h), What: "original", Wanted: h, Got: w.sums[name]}
	}
	w.item.Originals++
	return nil
}

// sharedOriginal writes the rows of the farm, and none of any other.
func (w *wholeFarm) sharedOriginal(ctx context.Context, f *sumFile, h string, b *wholeBlob) error {
	entry, err := w.e.log.Get(ctx, b.entry)
	if err != nil {
		return err
	}
	messages, err := w.packed(h)
	if errors.Is(err, events.ErrInvalid) {
		messages, err = []string{""}, nil // no pack: one original
	}
	if err != nil {
		return err
	}
	for _, m := range messages {
		if err := w.sharedRows(ctx, f, entry, b, m); err != nil {
			return err
		}
	}
	return nil
}

// packed returns the messages of a pack; the error is of kind invalid if the
// original is none.
func (w *wholeFarm) packed(h string) ([]string, error) {
	pack, err := w.e.archive.OpenPack(h)
	if err != nil {
		return nil, err
	}
	defer pack.Close()
	ids := make([]string, pack.Len())
	for i := range ids {
		m, err := pack.Message(i)
		if err != nil {
			return nil, err
		}
		ids[i] = m.ID
	}
	return ids, nil
}

// sharedRows writes the rows of one original, or of one message, that name the farm.
func (w *wholeFarm) sharedRows(ctx context.Context, f *sumFile, entry *events.Entry, b *wholeBlob, message string) error {
	x, err := w.e.original(ctx, entry.Archive, message, entry)
	if err != nil {
		return err
	}
	defer x.close()
	for m, err := range unpack(x.at, x.size, x.name) {
		if err != nil || m.Reader == nil {
			continue // a member that cannot be read has no row whose farm is known
		}
		o := &owned{w: w, entry: entry, m: x.mapping}
		err := x.rows(m.Name, func(head adapters.Head, rows []adapters.Row) error {
			for i := range rows {
				r := &rows[i]
				mine, known, err := o.mine(head, r)
				if err != nil {
					return err
				}
				if known {
					b.note(wholeLine{m.Name, message, r.Line, r.Path}, mine)
				}
				if !mine {
					continue
				}
				if !o.named {
					o.named = true
					if err := f.item(originalLine{Original: entry.Archive, Name: entry.Name, Member: m.Name, Message: message, Columns: head.Columns}); err != nil {
						return err
					}
				}
				w.item.Lines++
				l := originalLine{Original: entry.Archive, Member: m.Name, Message: message, Line: r.Line, LastLine: r.LastLine, Path: r.Path, Text: rowText(r)}
				if err := f.item(l); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil && !errors.Is(err, events.ErrInvalid) {
			return err
		}
	}
	return nil
}

// An owned tells rows of the farm from those of others, by the mapping that read
// them and by nothing else: each row is mapped alone, where the farm is the only
// one there is, where it is none, and where all are that the source has. A row is
// the farm's if its farm is right the first time and wrong the second. A row
// whose farm was never looked at (it is broken, or a rule ignores it) or that
// names no farm of the source is nobody's.
type owned struct {
	w      *wholeFarm
	entry  *events.Entry
	m      *mapping.Inward
	only   *mapping.Mapper
	none   *mapping.Mapper
	all    *mapping.Mapper
	named  bool
	record []adapters.Record
}

// nobody can be no id of a farm: ids have no blanks.
const nobody = "no farm"

// mine reports whether a row is the farm's, and whether it can be known whose it is.
func (o *owned) mine(head adapters.Head, r *adapters.Row) (mine, known bool, err error) {
	if r.Fault != nil {
		return false, false, nil
	}
	if !o.m.FarmByRow() { // read for one farm alone by this entry, for another by another
		return o.entry.Defaults.Farm == o.w.farm, true, nil
	}
	if o.only == nil {
		zone := o.entry.Zones[o.w.farm]
		if o.only, err = o.mapper(head, map[string]string{o.w.farm: zone}); err != nil {
			return false, false, err
		}
		if o.none, err = o.mapper(head, map[string]string{nobody: zone}); err != nil {
			return false, false, err
		}
		if o.all, err = o.mapper(head, o.entry.Zones); err != nil {
			return false, false, err
		}
	}
	if !o.farmWrong(o.none, r) {
		return false, false, nil
	}
	return !o.farmWrong(o.only, r), !o.farmWrong(o.all, r), nil
}

func (o *owned) mapper(head adapters.Head, farms map[string]string) (*mapping.Mapper, error) {
	received, err := time.Parse(time.RFC3339, o.entry.Received)
	if err != nil {
		received = o.w.e.now()
	}
	run, err := o.m.Start(mapping.Job{
		Source: o.entry.Source, Received: received, Rules: o.w.e.rules, Farms: farms,
	}, head)
	if err != nil {
		return nil, err
	}
	return run.Mapper(), nil
}

// farmWrong maps one row and reports whether its farm is refused.
func (o *owned) farmWrong(m *mapping.Mapper, r *adapters.Row) bool {
	o.record = m.Flush(m.Map([]adapters.Row{*r}, o.record[:0]))
	return slices.ContainsFunc(o.record, func(rec adapters.Record) bool {
		return rec.Held != nil && slices.ContainsFunc(rec.Held.Reasons, func(x events.Reason) bool { return x.Field == "farm" })
	})
}

// A sumFile is a file that is written with its checksum.
type sumFile struct {
	f *os.File
	w *bufio.Writer
	h hash.Hash
}

func newSumFile(name string) (*sumFile, error) {
	f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, fmt.Errorf("write %s: %w: %w", name, err, events.ErrUnavailable)
	}
	s := &sumFile{f: f, h: sha256.New()}
	s.w = bufio.NewWriterSize(summing{s}, 64<<10)
	return s, nil
}

// summing hashes what goes to the file.
type summing struct{ s *sumFile }

func (s summing) Write(b []byte) (int, error) {
	s.s.h.Write(b)
	return s.s.f.Write(b)
}

func (s *sumFile) line(b []byte) error {
	_, err := s.w.Write(b)
	if err == nil {
		err = s.w.WriteByte('\n')
	}
	if err != nil {
		return fmt.Errorf("write %s: %w: %w", s.f.Name(), err, events.ErrUnavailable)
	}
	return nil
}

func (s *sumFile) item(v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return s.line(b)
}

// finish writes everything to the disk and returns the checksum.
func (s *sumFile) finish() (string, error) {
	if err := errors.Join(s.w.Flush(), s.f.Sync(), s.f.Close()); err != nil {
		return "", fmt.Errorf("write %s: %w: %w", s.f.Name(), err, events.ErrUnavailable)
	}
	return hex.EncodeToString(s.h.Sum(nil)), nil
}

// close lets go of a file that was not finished.
func (s *sumFile) close() { _ = s.f.Close() }

func sha256Hex(b []byte) string {
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}
