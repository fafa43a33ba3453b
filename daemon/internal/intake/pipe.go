package intake

import (
	"context"
	"fmt"
	"io"
	"runtime/debug"
	"sync"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// blockRows is how many rows go through the pipe together, unless they come to
// more than blockBytes before: several blocks are on their way at once.
const (
	blockRows  = 512
	blockBytes = 2 << 20
	readAtOnce = 32 // rows, between two looks at their size
)

// A block is a run of rows on its way through decoding, the look-up of raw rows
// and mapping. Rows that are known again have their record in known and are
// not among records.
type block struct {
	rows    []adapters.Row
	digests []index.RawDigest
	known   []events.RecordID
	records []adapters.Record
	last    bool
	err     error // what ended decoding, if it is the last
	done    chan struct{}
}

// unknown returns how many rows were mapped.
func (b *block) unknown() int {
	n := len(b.rows)
	for i := range b.known {
		if b.known[i] != (events.RecordID{}) {
			n--
		}
	}
	return n
}

// A pipe decodes and maps one member of an original on all processors and hands
// its blocks over in order. It is bounded: decoding waits for whoever takes the
// blocks. close ends it and waits for its goroutines.
type pipe struct {
	source  string
	start   func() mapper // a new one for each goroutine
	dec     adapters.Decoder
	raw     *index.Raw
	grouped bool
	size    int // rows of a block
	panics  func(value any, stack []byte)
	beat    func(string)
	order   chan *block // as decoded
	jobs    chan *block // the same, for the mappers
	cancel  context.CancelFunc
	wg      sync.WaitGroup
}

// startPipe starts the goroutines of a pipe.
func startPipe(ctx context.Context, p *pipe, workers int) {
	ctx, p.cancel = context.WithCancel(ctx)
	if p.grouped {
		workers = 1
	}
	p.order, p.jobs = make(chan *block, 2*workers), make(chan *block, 2*workers)
	p.wg.Add(1)
	go p.decode(ctx)
	for range workers {
		p.wg.Add(1)
		go p.work()
	}
}

func (p *pipe) close() {
	p.cancel()
	for range p.order { // the decoder may wait to hand one over
	}
	p.wg.Wait()
}

// decode splits the member into blocks until it ends, fails or nobody wants more.
func (p *pipe) decode(ctx context.Context) {
	defer p.wg.Done()
	defer close(p.order)
	defer close(p.jobs)
	for last := false; !last; {
		b := &block{done: make(chan struct{})}
		b.rows, b.err = readRows(p.dec, p.size, p.panics)
		last = b.err != nil
		b.last = last
		if b.err == io.EOF {
			b.err = nil
		}
		for _, c := range []chan *block{p.jobs, p.order} {
			select {
			case c <- b:
			case <-ctx.Done():
				return
			}
		}
	}
}

// readRows reads one block of rows; the error is io.EOF at the end. A decoder
// that panics spoils the original.
func readRows(dec adapters.Decoder, n int, panics func(any, []byte)) (rows []adapters.Row, err error) {
	defer func() {
		if v := recover(); v != nil {
			panics(v, debug.Stack())
			err = &events.Fault{Kind: events.ErrInvalid, What: "rows", Wanted: "an original that can be split into rows", Got: fmt.Sprintf("a panic: %v", v)}
		}
	}()
	rows = make([]adapters.Row, 0, n)
	for size := 0; len(rows) < n && size < blockBytes && err == nil; {
		seen := len(rows)
		rows, err = dec.Read(rows, min(readAtOnce, n-seen))
		for i := range rows[seen:] {
			size += rowBytes(&rows[seen+i])
		}
	}
	return rows, err
}

// rowBytes is about what a row takes in memory.
func rowBytes(r *adapters.Row) int {
	const cell = 16 // the head of a string
	return len(r.Text) + len(r.Bytes) + cell*len(r.Cells)
}

// work maps blocks until there are no more.
func (p *pipe) work() {
	defer p.wg.Done()
	s := &safeMapper{source: p.source, start: p.start, grouped: p.grouped, panics: p.panics}
	for b := range p.jobs {
		p.mapBlock(s, b)
		close(b.done)
	}
}

func (p *pipe) mapBlock(s *safeMapper, b *block) {
	p.beat(BeatMap)
	rows := b.rows
	if p.raw != nil {
		rows = p.unknown(s, b)
	}
	b.records = make([]adapters.Record, 0, len(rows)+1)
	b.records = s.mapRows(rows, b.records)
	if b.last {
		b.records = s.flush(b.records)
	}
}

// unknown looks the rows of a block up and returns those that are not known.
func (p *pipe) unknown(s *safeMapper, b *block) []adapters.Row {
	b.digests = make([]index.RawDigest, len(b.rows))
	b.known = make([]events.RecordID, len(b.rows))
	m := s.mapper()
	for i := range b.rows {
		d := m.Raw(&b.rows[i])
		b.digests[i] = index.RawDigest(d[:len(index.RawDigest{})])
	}
	if err := p.raw.Lookup(b.digests, b.known); err != nil {
		clear(b.known) // slower, and the index says more at the next look-up
		return b.rows
	}
	rows := make([]adapters.Row, 0, len(b.rows))
	for i := range b.rows {
		if b.known[i] == (events.RecordID{}) {
			rows = append(rows, b.rows[i])
		}
	}
	return rows
}

// A safeMapper maps rows so that a panic of a mapping costs the rows it was
// about and no others; they are held. Not for use by several goroutines at once.
type safeMapper struct {
	source  string
	start   func() mapper
	grouped bool
	panics  func(value any, stack []byte)
	m       mapper
	open    []adapters.Row // grouped: rows of the group that is open
}

// A mapper is a [mapping.Mapper].
type mapper interface {
	Map(rows []adapters.Row, out []adapters.Record) []adapters.Record
	Flush(out []adapters.Record) []adapters.Record
	Raw(*adapters.Row) events.Digest
}

func (s *safeMapper) mapper() mapper {
	if s.m == nil {
		s.m = s.start()
	}
	return s.m
}

// mapRows appends the records of rows. Grouped mappings get their rows one by
// one, so that it is known which rows are in the open group.
func (s *safeMapper) mapRows(rows []adapters.Row, out []adapters.Record) []adapters.Record {
	if !s.grouped {
		if got, ok := s.try(func() []adapters.Record { return s.mapper().Map(rows, out) }); ok {
			return got
		}
	}
	for i := range rows {
		out = s.one(rows[i:i+1], out)
	}
	return out
}

func (s *safeMapper) one(row []adapters.Row, out []adapters.Record) []adapters.Record {
	got, ok := s.try(func() []adapters.Record { return s.mapper().Map(row, out) })
	if !ok {
		return append(s.holdOpen(out), s.panicked(&row[0]))
	}
	if s.grouped {
		s.track(row[0], got[len(out):])
	}
	return got
}

// track keeps the rows of the open group: a record of other rows closes it, a
// row that comes out by itself never was in it.
func (s *safeMapper) track(row adapters.Row, came []adapters.Record) {
	alone := false
	for i := range came {
		if came[i].Line == row.Line && came[i].Member == row.Member {
			alone = true
		} else {
			s.open = s.open[:0]
		}
	}
	if !alone {
		s.open = append(s.open, row)
	}
}

// holdOpen holds the rows of the open group, which went with the mapper.
func (s *safeMapper) holdOpen(out []adapters.Record) []adapters.Record {
	for i := range s.open {
		out = append(out, s.panicked(&s.open[i]))
	}
	s.open = s.open[:0]
	return out
}

func (s *safeMapper) flush(out []adapters.Record) []adapters.Record {
	got, ok := s.try(func() []adapters.Record { return s.mapper().Flush(out) })
	if !ok {
		return s.holdOpen(out)
	}
	s.open = s.open[:0]
	return got
}

// try runs f; after a panic the mapper is given up.
func (s *safeMapper) try(f func() []adapters.Record) (out []adapters.Record, ok bool) {
	defer func() {
		if v := recover(); v != nil {
			s.panics(v, debug.Stack())
			s.m, ok = nil, false
		}
	}()
	return f(), true
}

// panicked holds a row at which the mapping panicked.
func (s *safeMapper) panicked(row *adapters.Row) adapters.Record {
	h := &events.Held{
		ID: events.HeldID(s.source, rawOf(row)), Line: row.Line, LastLine: row.LastLine, Member: row.Member, Path: row.Path,
		Reasons: []events.Reason{{Field: "row", Wanted: "a row the mapping can work on", Got: "a panic of the mapping, which the daemon's log shows"}},
	}
	if row.Bytes != nil {
		h.RawBytes = row.Bytes
	} else {
		h.Raw = row.Text
	}
	return adapters.Record{Outcome: adapters.Held, Line: row.Line, LastLine: row.LastLine, Member: row.Member, Rows: 1, Held: h}
}
