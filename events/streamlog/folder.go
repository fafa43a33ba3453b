package streamlog

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"dewclaw/events"
)

// openFolder opens the log of the embedded server: first everything is checked
// without the server, then, if nothing is damaged, the server starts.
func (l *Log) openFolder(ctx context.Context) error {
	err := l.openAnchor()
	if err == nil {
		err = l.examine(ctx)
	}
	if f := (*flaw)(nil); errors.As(err, &f) {
		return l.keepWhole(f)
	}
	return err
}

// openAnchor reads the head anchor, or makes that of a new log.
func (l *Log) openAnchor() error {
	h, err := openHead(l.opt.Dir, l.opt.ReadOnly)
	if errors.Is(err, errNoHead) {
		return l.firstOpen()
	}
	if err != nil {
		return err
	}
	l.adopt(h)
	return nil
}

func (l *Log) adopt(h *head) {
	l.head, l.last = h, h.newest()
	l.setID(h.id)
}

func (l *Log) firstOpen() error {
	there, err := streams(storeDir(l.opt.Dir), streamPrefix)
	if err != nil {
		return err
	}
	if len(there) > 0 {
		return &flaw{
			where: filepath.Join(l.opt.Dir, headName), what: "head anchor",
			wanted: "that of stream " + there[0], got: "no file",
		}
	}
	if l.opt.ReadOnly {
		return &events.Fault{Kind: events.ErrNotFound, Who: "log", Where: l.opt.Dir, What: "no log here"}
	}
	id, err := newID(l.opt.Rand)
	if err != nil {
		return err
	}
	h, err := createHead(l.opt.Dir, id, start)
	if err != nil {
		return err
	}
	l.adopt(h)
	return nil
}

// examine checks the files of the store and, unless the log is read-only,
// starts the server and compares. It is done again whenever the server has to
// be restarted.
func (l *Log) examine(ctx context.Context) error {
	l.useBlocks()
	w, err := l.checkFiles()
	if err != nil {
		return err
	}
	tail := w.tail
	if l.opt.ReadOnly {
		l.last = tail
		return nil
	}
	if err := l.setAside(); err != nil {
		return err
	}
	if !l.blocks.trusted() && w.tells() {
		if err := l.blocks.describe(w); err != nil {
			return err
		}
	}
	k, err := startServer(ctx, l.opt.Dir, l.opt.Logger, l.opt.Hub)
	if err != nil {
		return err
	}
	err = l.compare(ctx, k, tail)
	if err == nil {
		err = l.settleTail(tail)
	}
	if err != nil {
		k.close()
		return err
	}
	l.setLink(k)
	l.expect, l.unsure = tail, false
	return nil
}

// useBlocks has entries read from the block files. Readers go on with them when
// the server is restarted.
func (l *Log) useBlocks() {
	if l.blocks == nil {
		l.blocks = newBlocks(storeDir(l.opt.Dir), streamPrefix+l.id, l.subject)
		l.store = l.blocks
	}
}

// checkFiles checks the log and the buckets beside it, and returns the walk through
// the log, with its newest entry.
func (l *Log) checkFiles() (*walk, error) {
	if err := l.blocks.load(); err != nil {
		return nil, err
	}
	anchor := l.head.newest()
	half, err := l.blocks.checkMeta()
	if err != nil {
		return nil, err
	}
	small, err := l.blocks.within(l.opt.ReadWhole)
	if err != nil {
		return nil, err
	}
	w := &walk{id: l.id, subject: l.subject, anchor: anchor, whole: small}
	if err := w.run(l.blocks); err != nil {
		return nil, err
	}
	if !w.whole && !l.blocks.trusted() && !w.tells() {
		w.whole = true // the server is going to read all of it
		if err := w.run(l.blocks); err != nil {
			return nil, err
		}
	}
	if half && w.tail.pos > 0 {
		return nil, &flaw{
			where: filepath.Dir(l.blocks.dir), what: "configuration of stream " + l.blocks.stream,
			wanted: "meta.inf and meta.sum", got: "not both",
		}
	}
	if half && !l.opt.ReadOnly {
		if err := dropHalf(l.blocks); err != nil {
			return nil, err
		}
	}
	if w.tail.pos == 0 {
		w.tail = start
	}
	return w, l.checkBuckets()
}

// dropHalf removes what is left of the making of a stream that a crash cut
// short: the server would pass over it for ever.
func dropHalf(b *blocks) error {
	if err := os.RemoveAll(filepath.Dir(b.dir)); err != nil {
		return unavailable("remove half a stream", err)
	}
	return b.load()
}

func (l *Log) checkBuckets() error {
	there, err := streams(storeDir(l.opt.Dir), bucketStream)
	if err != nil {
		return err
	}
	for _, name := range there {
		b := newBlocks(storeDir(l.opt.Dir), name, bucketSubject(name))
		if err := b.load(); err != nil {
			return err
		}
		half, err := b.checkMeta()
		if err == nil {
			err = checkBucket(b)
		}
		if err == nil && half && !b.empty() {
			err = &flaw{where: filepath.Dir(b.dir), what: "configuration of stream " + name, wanted: "meta.inf and meta.sum", got: "not both"}
		}
		if err == nil && half && !l.opt.ReadOnly {
			err = dropHalf(b)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// compare checks that the server, now that it has opened the store, sees the
// log as its files told it, and makes the stream of a new log.
func (l *Log) compare(ctx context.Context, k *link, tail mark) error {
	info, err := k.find(ctx, l.blocks.stream)
	if errors.Is(err, events.ErrNotFound) {
		if tail.pos == 0 {
			info, err = k.create(ctx, l.blocks.stream, l.subject, 1)
		} else {
			err = &flaw{
				from: 1, to: tail.pos, where: l.blocks.dir, what: "stream in the server",
				wanted: l.blocks.stream, got: "none", served: true,
			}
		}
	}
	if err != nil {
		return err
	}
	if got := events.Position(info.State.LastSeq); got != tail.pos {
		return &flaw{
			from: min(got, tail.pos) + 1, to: max(got, tail.pos), where: l.blocks.dir, what: "end of the log in the server", served: true,
			wanted: fmt.Sprintf("position %d, as the files have it", tail.pos), got: fmt.Sprintf("position %d", got),
		}
	}
	return l.blocks.load()
}

// settleTail makes sure of an entry that was stored when the process ended but
// not acknowledged: it may never have been synced.
func (l *Log) settleTail(tail mark) error {
	l.blocks.current()
	if path, _, ok := l.blocks.newest(); ok {
		if err := syncFile(path); err != nil {
			return unavailable("sync the newest block", err)
		}
	}
	if err := l.syncNames(); err != nil {
		return err
	}
	return l.advance(tail)
}

func syncFile(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// keepWhole opens a damaged log for reading, without the server: the newest
// block is kept under a name that says so, and nothing is appended.
func (l *Log) keepWhole(f *flaw) error {
	if err := l.findID(); err != nil {
		return err
	}
	l.useBlocks()
	if err := l.blocks.load(); err != nil {
		return err
	}
	if l.head == nil {
		w := &walk{id: l.id, subject: l.subject, anchor: start, whole: true}
		var g *flaw
		if err := w.run(l.blocks); err != nil && !errors.As(err, &g) {
			return err
		}
		l.last = w.tail
	}
	var hints []string
	if kept, err := l.keepAside(f.served); err != nil {
		return err
	} else if kept != "" {
		hints = append(hints, "the newest block as it was found is kept as "+kept)
	}
	l.fail(f, hints...)
	return nil
}

// findID names the log after its stream if the anchor cannot tell.
func (l *Log) findID() error {
	if l.id != "" {
		return nil
	}
	there, err := streams(storeDir(l.opt.Dir), streamPrefix)
	if err != nil {
		return err
	}
	if len(there) == 1 {
		l.setID(strings.TrimPrefix(there[0], streamPrefix))
	}
	return nil
}
