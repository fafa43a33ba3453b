package streamlog

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/minio/highwayhash"

	"dewclaw/events"
)

// This file reads the block files of the server without the server, because the
// server cuts a damaged block when it meets the damage. Layout of a record, all
// numbers little-endian (nats-server v2.15.2, server/filestore.go, msgFromBufEx
// and writeMsgRecordLocked):
//
//	4 length of the record, top bit: has a header · 8 sequence, top bit: erased,
//	next bit: tombstone · 8 time in ns · 2 length of the subject · subject ·
//	[4 length of the header · header] · body · 8 HighwayHash-64 of all of it
//	but both lengths, keyed with the SHA-256 of "stream-block"
const (
	recordHead  = 22
	recordSum   = 8
	recordMax   = 32 << 20
	headerBit   = 1 << 31
	erasedBit   = 1 << 63
	tombBit     = 1 << 62
	blockSuffix = ".blk"
)

// A record is one message of a block file.
type record struct {
	seq     uint64 // without its bits
	kept    bool   // neither erased nor a tombstone
	time    int64  // when the server took it, in ns
	off     int64
	size    int64
	subject string
	header  []byte
	body    []byte
}

// A shape is what the head of a record says.
type shape struct {
	size    int64
	seq     uint64
	kept    bool
	time    int64
	header  bool
	subject int
}

// parseShape reads the head of a record; ok is false if it cannot be one.
func parseShape(b []byte) (s shape, ok bool) {
	n, seq := binary.LittleEndian.Uint32(b), binary.LittleEndian.Uint64(b[4:])
	s = shape{
		size: int64(n &^ headerBit), header: n&headerBit != 0, subject: int(binary.LittleEndian.Uint16(b[20:])),
		seq: seq &^ (erasedBit | tombBit), kept: seq&(erasedBit|tombBit) == 0, time: int64(binary.LittleEndian.Uint64(b[12:])),
	}
	least := int64(recordHead + s.subject + recordSum)
	if s.header {
		least += 4
	}
	return s, s.size >= least && s.size <= recordMax
}

// A scanner reads the records of one block file in their order. After a damaged
// record it looks for the next whole one.
type scanner struct {
	f      *os.File
	path   string
	prefix []byte // what subjects of the stream begin with
	sum    hash.Hash64
	off    int64
	window int    // how much is read ahead
	win    []byte // bytes of the file from winOff
	winOff int64
}

const (
	readWindow = 64 << 10
	hopWindow  = 4 << 10 // where only heads of records are looked at
)

var errNoBlock = errors.New("block file is gone")

// openBlock opens block number index of a stream for reading from off.
func openBlock(dir, stream string, index uint32, prefix string, off int64) (*scanner, error) {
	path := blockPath(dir, index)
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errNoBlock
	}
	if err != nil {
		return nil, unavailable("open a block", err)
	}
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", stream, index))
	sum, err := highwayhash.New64(key[:])
	if err != nil {
		f.Close()
		return nil, err
	}
	return &scanner{f: f, path: path, prefix: []byte(prefix), sum: sum, off: off, window: readWindow}, nil
}

func blockPath(dir string, index uint32) string {
	return filepath.Join(dir, fmt.Sprintf("%d%s", index, blockSuffix))
}

func (s *scanner) close() { _ = s.f.Close() }

func (s *scanner) size() (int64, error) {
	n, err := s.f.Seek(0, io.SeekEnd)
	if err != nil {
		return 0, unavailable("read a block", err)
	}
	return n, nil
}

// bytes returns n bytes of the file from off, or fewer at its end. They are
// valid until the next call.
func (s *scanner) bytes(off int64, n int) ([]byte, error) {
	if i := off - s.winOff; i >= 0 && i+int64(n) <= int64(len(s.win)) {
		return s.win[i : i+int64(n)], nil
	}
	if cap(s.win) < max(n, s.window) {
		s.win = make([]byte, max(n, s.window))
	}
	got, err := s.f.ReadAt(s.win[:cap(s.win)], off)
	if err != nil && err != io.EOF {
		return nil, unavailable("read a block", err)
	}
	s.win, s.winOff = s.win[:got], off
	return s.win[:min(n, got)], nil
}

// shape reads the head of the record at off. It returns io.EOF at the end of
// the file and a *flaw if no record can begin there.
func (s *scanner) shape(off int64) (shape, error) {
	b, err := s.bytes(off, recordHead)
	switch {
	case err != nil:
		return shape{}, err
	case len(b) == 0:
		return shape{}, io.EOF
	case len(b) < recordHead:
		return shape{}, s.flaw(off, "the head of a record", fmt.Sprintf("%d bytes before the file ends", len(b)))
	}
	sh, ok := parseShape(b)
	if !ok {
		return shape{}, s.flaw(off, "the head of a record", fmt.Sprintf("impossible lengths (%d, %d)", sh.size, sh.subject))
	}
	return sh, nil
}

// next returns the next record, with a body that belongs to the caller. It
// returns io.EOF at the end of the file, and a *flaw for bytes that are no
// whole record: the call after that goes on with the next whole one.
func (s *scanner) next() (*record, error) {
	rec, err := s.at(s.off)
	if err == nil {
		s.off += rec.size
		return rec, nil
	}
	if f := (*flaw)(nil); errors.As(err, &f) {
		if err := s.resync(); err != nil {
			return nil, err
		}
	}
	return nil, err
}

// at reads the record at off whole and checks its sum.
func (s *scanner) at(off int64) (*record, error) {
	sh, err := s.shape(off)
	if err != nil {
		return nil, err
	}
	b := make([]byte, sh.size)
	n := 0
	if i := off - s.winOff; i >= 0 && i < int64(len(s.win)) {
		n = copy(b, s.win[i:])
	}
	if n < len(b) {
		m, err := s.f.ReadAt(b[n:], off+int64(n))
		if err != nil && err != io.EOF {
			return nil, unavailable("read a block", err)
		}
		n += m
	}
	if n < len(b) {
		return nil, s.flaw(off, fmt.Sprintf("a record of %d bytes", sh.size), fmt.Sprintf("%d bytes before the file ends", n))
	}
	return s.whole(off, sh, b)
}

// whole takes the bytes of a record apart.
func (s *scanner) whole(off int64, sh shape, b []byte) (*record, error) {
	end := len(b) - recordSum
	rest := recordHead + sh.subject
	if sh.header {
		rest += 4
	}
	s.sum.Reset()
	_, _ = s.sum.Write(b[4:20])
	_, _ = s.sum.Write(b[recordHead : recordHead+sh.subject])
	_, _ = s.sum.Write(b[rest:end])
	if got := s.sum.Sum(nil); !bytes.Equal(got, b[end:]) {
		return nil, s.flaw(off, fmt.Sprintf("a record with the sum %x", b[end:]), fmt.Sprintf("bytes with the sum %x", got))
	}
	rec := &record{
		seq: sh.seq, kept: sh.kept, time: sh.time, off: off, size: sh.size, subject: string(b[recordHead : recordHead+sh.subject]),
		body: b[rest:end:end],
	}
	if sh.header {
		n := int(binary.LittleEndian.Uint32(b[rest-4:]))
		if n > len(rec.body) {
			return nil, s.flaw(off, "a header inside its record", fmt.Sprintf("one of %d bytes", n))
		}
		rec.header, rec.body = rec.body[:n:n], rec.body[n:]
	}
	return rec, nil
}

// resync moves to the next whole record behind a damaged one: where a subject
// of this stream stands at the right place of a record that adds up. It gives
// up at the end of the file.
func (s *scanner) resync() error {
	size, err := s.size()
	if err != nil {
		return err
	}
	from := s.off + 1
	s.off = size
	if from+recordHead >= size {
		return nil
	}
	b := make([]byte, size-from)
	if _, err := s.f.ReadAt(b, from); err != nil && err != io.EOF {
		return unavailable("read a block", err)
	}
	for i := recordHead; i < len(b); i++ {
		j := bytes.Index(b[i:], s.prefix)
		if j < 0 {
			return nil
		}
		i += j
		if rec, err := s.at(from + int64(i) - recordHead); err == nil && rec.kept {
			s.off = rec.off
			return nil
		}
	}
	return nil
}

func (s *scanner) flaw(off int64, wanted, got string) *flaw {
	return &flaw{where: fmt.Sprintf("%s byte %d", s.path, off), what: "stored bytes", wanted: wanted, got: got}
}

// lastSum returns the last 8 bytes of a block file: the sum of its last record.
func lastSum(path string) []byte {
	f, err := os.Open(path)
	if err != nil {
		return nil
	}
	defer f.Close()
	b := make([]byte, recordSum)
	end, err := f.Seek(-recordSum, io.SeekEnd)
	if err != nil {
		return nil
	}
	if _, err := f.ReadAt(b, end); err != nil {
		return nil
	}
	return b
}

// position is the log position of a record.
func (r *record) position() events.Position { return events.Position(r.seq) }
