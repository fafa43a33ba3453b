package streamlog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"dewclaw/events"
)

// A raw entry is the bytes of an entry as they stand in the stream.
type raw struct {
	pos   events.Position
	body  []byte
	where string // for people
}

// A store is what entries are read from: the block files of the embedded
// server, or a stream by URL.
type store interface {
	// open begins to read at from and ends behind through; all of them were
	// acknowledged, unless the log is damaged.
	open(ctx context.Context, from, through events.Position) (cursor, error)
}

// A cursor gives raw entries in order. next returns io.EOF behind the last, a
// *flaw for entries that are missing or damaged (the call after it goes on
// behind them), and any other error for good.
type cursor interface {
	next(ctx context.Context) (raw, error)
	close()
}

// blocks are the block files of one stream of the embedded server. Reading them
// needs no server and changes nothing. Safe for use by several goroutines; it
// may run while the server appends, for records that were acknowledged.
type blocks struct {
	dir    string // of the block files
	stream string
	prefix string // subjects begin with it

	mu   sync.Mutex
	list []*block // by index
}

// A block is what is known of one block file.
type block struct {
	index uint32
	first uint64  // sequence of its first record; 0 if not known
	offs  []int64 // where records first, first+1, … begin; the last is where the next one will
}

// offsetsKept is how many blocks keep their offsets: readers are few, and most
// of them are at the end.
const offsetsKept = 8

func newBlocks(dir, stream, prefix string) *blocks {
	return &blocks{dir: filepath.Join(dir, "streams", stream, "msgs"), stream: stream, prefix: prefix}
}

// load finds the block files. A folder that is not there has none.
func (b *blocks) load() error {
	names, err := os.ReadDir(b.dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return unavailable("list the blocks", err)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.list = nil
	for _, n := range names {
		s, ok := strings.CutSuffix(n.Name(), blockSuffix)
		index, err := strconv.ParseUint(s, 10, 32)
		if !ok || err != nil {
			continue
		}
		k := &block{index: uint32(index)}
		if err := b.readFirst(k); err != nil {
			return err
		}
		b.list = append(b.list, k)
	}
	slices.SortFunc(b.list, func(x, y *block) int { return int(x.index) - int(y.index) })
	return nil
}

// readFirst fills in where a block begins, if its first bytes can be read.
func (b *blocks) readFirst(k *block) error {
	s, err := b.scan(k.index, 0)
	if err != nil {
		return err
	}
	defer s.close()
	sh, err := s.shape(0)
	var f *flaw
	switch {
	case err == nil && sh.kept:
		k.first, k.offs = sh.seq, []int64{0}
	case err != nil && err != io.EOF && !errors.As(err, &f):
		return err
	}
	return nil
}

func (b *blocks) scan(index uint32, off int64) (*scanner, error) {
	return openBlock(b.dir, b.stream, index, b.prefix, off)
}

// snapshot returns the blocks as they are known now, without offsets.
func (b *blocks) snapshot() []block {
	b.mu.Lock()
	defer b.mu.Unlock()
	list := make([]block, len(b.list))
	for i, k := range b.list {
		list[i] = block{index: k.index, first: k.first}
	}
	return list
}

// newest returns the newest block file; ok is false if there is none.
func (b *blocks) newest() (path string, index uint32, ok bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.list) == 0 {
		return "", 0, false
	}
	index = b.list[len(b.list)-1].index
	return blockPath(b.dir, index), index, true
}

// current returns the number of the block the server appends to, 0 for none, and
// takes in one it has begun.
func (b *blocks) current() uint32 {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.roll()
	if len(b.list) == 0 {
		return 0
	}
	return b.list[len(b.list)-1].index
}

// roll takes in the block after the newest one known, if the server has begun
// it: it numbers them one by one. b.mu is held.
func (b *blocks) roll() bool {
	next := uint32(1)
	if n := len(b.list); n > 0 {
		next = b.list[n-1].index + 1
	}
	if _, err := os.Stat(blockPath(b.dir, next)); err != nil {
		return false
	}
	k := &block{index: next}
	b.list = append(b.list, k)
	return true
}

// at returns block number i of the list, taking in a new one if i is the next.
func (b *blocks) at(i int) (*block, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if i == len(b.list) && !b.roll() {
		return nil, false
	}
	return b.list[i], true
}

// locate returns the number of the block that holds pos and where in it to
// begin. Where damage hides the way, it is a place before pos.
func (b *blocks) locate(pos events.Position) (int, int64, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	seq := uint64(pos)
	if len(b.list) == 0 && !b.roll() {
		return 0, 0, nil
	}
	i := len(b.list) - 1
	for i > 0 && (b.list[i].first == 0 || b.list[i].first > seq) {
		i--
	}
	for {
		off, found, err := b.find(b.list[i], seq)
		if found || err != nil || i == len(b.list)-1 && !b.roll() {
			return i, off, err
		}
		i++
	}
}

// find looks for a record in a block, hopping from head to head. It is not found
// where the block ends before it. Where the heads make no sense, a reader has to
// begin at the start of the block.
func (b *blocks) find(k *block, seq uint64) (off int64, found bool, err error) {
	if k.first == 0 {
		if err := b.readFirst(k); err != nil {
			return 0, false, err
		}
	}
	if k.first == 0 || seq < k.first {
		return 0, true, nil
	}
	b.forget(k)
	if n := seq - k.first; n < uint64(len(k.offs)-1) {
		return k.offs[n], true, nil
	}
	s, err := b.scan(k.index, 0)
	if err != nil {
		return 0, false, err
	}
	defer s.close()
	s.window = hopWindow
	size, err := s.size()
	if err != nil {
		return 0, false, err
	}
	for {
		n := uint64(len(k.offs) - 1)
		last := k.offs[n]
		if last == size {
			return last, false, nil
		}
		sh, err := s.shape(last)
		switch f := (*flaw)(nil); {
		case err == io.EOF, errors.As(err, &f), err == nil && (!sh.kept || sh.seq != k.first+n):
			return 0, true, nil
		case err != nil:
			return 0, false, err
		case sh.seq == seq:
			return last, true, nil
		}
		k.offs = append(k.offs, last+sh.size)
	}
}

// forget drops the offsets of blocks beyond those kept, but not those of k.
func (b *blocks) forget(k *block) {
	n := 0
	for i := len(b.list) - 1; i >= 0; i-- {
		if len(b.list[i].offs) > 1 && b.list[i] != k {
			if n++; n >= offsetsKept {
				b.list[i].offs = b.list[i].offs[:1:1]
			}
		}
	}
}

// open implements store.
func (b *blocks) open(_ context.Context, from, through events.Position) (cursor, error) {
	i, off, err := b.locate(from)
	if err != nil {
		return nil, err
	}
	return &blockCursor{blocks: b, number: i, off: off, want: from, through: through}, nil
}

// A blockCursor reads entries from block files, one file after the other.
type blockCursor struct {
	blocks        *blocks
	number        int   // of the block being read
	off           int64 // where in it to begin
	s             *scanner
	want, through events.Position
	bad           *flaw   // damage met since the last whole entry
	ahead         *record // whole, but behind missing ones
}

func (c *blockCursor) close() {
	if c.s != nil {
		c.s.close()
		c.s = nil
	}
}

func (c *blockCursor) next(ctx context.Context) (raw, error) {
	for c.want <= c.through {
		if err := ctx.Err(); err != nil {
			return raw{}, err
		}
		rec, err := c.record()
		if err == io.EOF {
			return raw{}, c.missing(c.through, nil)
		}
		if f := (*flaw)(nil); errors.As(err, &f) {
			if c.bad == nil {
				c.bad = f
			}
			continue
		}
		if err != nil {
			return raw{}, err
		}
		switch pos := rec.position(); {
		case pos > c.want:
			c.ahead = rec
			return raw{}, c.missing(min(pos-1, c.through), rec)
		case pos == c.want && rec.kept:
			c.want, c.bad = pos+1, nil
			return raw{pos, rec.body, fmt.Sprintf("%s byte %d", c.s.path, rec.off)}, nil
		}
	}
	return raw{}, io.EOF
}

// record returns the next whole record of any position.
func (c *blockCursor) record() (*record, error) {
	if rec := c.ahead; rec != nil {
		c.ahead = nil
		return rec, nil
	}
	for {
		if c.s == nil {
			k, ok := c.blocks.at(c.number)
			if !ok {
				return nil, io.EOF
			}
			s, err := c.blocks.scan(k.index, c.off)
			if err != nil {
				return nil, err
			}
			c.s, c.off = s, 0
		}
		rec, err := c.s.next()
		if err != io.EOF {
			return rec, err
		}
		if _, ok := c.blocks.at(c.number + 1); !ok {
			return nil, io.EOF
		}
		c.close()
		c.number++
	}
}

// missing tells that the entries from want to last are not there, and moves on.
func (c *blockCursor) missing(last events.Position, then *record) *flaw {
	f := c.bad
	if f == nil {
		f = &flaw{what: "stored entries", wanted: fmt.Sprintf("position %d", c.want)}
		switch {
		case then != nil:
			f.where = fmt.Sprintf("%s byte %d", c.s.path, then.off)
			f.got = fmt.Sprintf("position %d", then.seq)
		case c.s != nil:
			f.where, f.got = fmt.Sprintf("%s byte %d", c.s.path, c.s.off), "the end of the log"
		default:
			f.where, f.got = c.blocks.dir, "no block file"
		}
	}
	f.from, f.to = c.want, last
	c.want, c.bad = last+1, nil
	return f
}
