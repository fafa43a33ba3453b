package streamlog

import (
	"context"
	"errors"
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
	s.window = hopWindow
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

// within reports whether the blocks take no more than so many bytes together.
func (b *blocks) within(most int64) (bool, error) {
	if most <= 0 {
		return false, nil
	}
	for _, k := range b.snapshot() {
		st, err := os.Stat(blockPath(b.dir, k.index))
		if err != nil {
			return false, unavailable("look at the blocks", err)
		}
		if most -= st.Size(); most < 0 {
			return false, nil
		}
	}
	return true, nil
}
