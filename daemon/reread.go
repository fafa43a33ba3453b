package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"dewclaw/adapters"
	"dewclaw/adapters/mapping"
	"dewclaw/daemon/internal/archive"
	"dewclaw/events"
)

// errEnough ends a reading early.
var errEnough = errors.New("enough was read")

// An oldOriginal is an original of the archive with the mapping that read it.
type oldOriginal struct {
	name    string
	at      io.ReaderAt
	size    int64
	mapping *mapping.Inward
	close   func() error
}

// original opens an original of the archive, or one message of a pack, as the
// entry has read it.
func (e *engine) original(ctx context.Context, hash, message string, entry *events.Entry) (*oldOriginal, error) {
	if entry.Mapping == "" {
		return nil, fmt.Errorf("log position %d names no mapping: %w", entry.At, events.ErrNotFound)
	}
	m, err := e.oldMapping(entry.Mapping)
	if err != nil {
		return nil, err
	}
	x := &oldOriginal{name: entry.Name, mapping: m}
	if message != "" {
		pack, err := e.archive.OpenPack(hash)
		if err != nil {
			return nil, err
		}
		defer pack.Close()
		i, ok := pack.Index(message)
		if !ok {
			return nil, fmt.Errorf("message %s is not in original %s: %w", message, hash, events.ErrNotFound)
		}
		msg, err := pack.Message(i)
		if err != nil {
			return nil, err
		}
		x.at, x.size, x.close = strings.NewReader(string(msg.Body)), int64(len(msg.Body)), func() error { return nil }
		return x, nil
	}
	blob, err := e.archive.Open(hash)
	if err != nil {
		return nil, err
	}
	x.at, x.size, x.close = blob, blob.Size(), blob.Close
	return x, nil
}

// oldMapping reads a mapping as it was, from the archive.
func (e *engine) oldMapping(hash string) (*mapping.Inward, error) {
	b, err := readBlob(e.archive, hash)
	if err != nil {
		return nil, err
	}
	return mapping.ParseInward("mapping "+hash[:12], b)
}

func readBlob(a *archive.Archive, hash string) ([]byte, error) {
	blob, err := a.Open(hash)
	if err != nil {
		return nil, err
	}
	defer blob.Close()
	return io.ReadAll(blob)
}

// rows gives the rows of the original, or of one file in it, in blocks.
func (x *oldOriginal) rows(member string, each func(adapters.Head, []adapters.Row) error) error {
	for m, err := range unpack(x.at, x.size, x.name) {
		if err != nil {
			return err
		}
		if m.Reader == nil || m.Name != member {
			continue
		}
		layout := x.mapping.Layout()
		dec, err := decoders[layout.Format](m.Reader, layout)
		if err != nil {
			return err
		}
		head, err := dec.Head()
		if err != nil {
			return err
		}
		for {
			rows, rerr := dec.Read(nil, tryRows)
			for i := range rows {
				rows[i].Member = m.Name
			}
			err := each(head, rows)
			switch {
			case errors.Is(err, errEnough), err == nil && errors.Is(rerr, io.EOF):
				return nil
			case err != nil:
				return err
			case rerr != nil:
				return rerr
			}
		}
	}
	return nil
}
