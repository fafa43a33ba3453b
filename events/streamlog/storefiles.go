package streamlog

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/minio/highwayhash"
)

// trusted reports whether the server, at its start, will take a stream as its
// index file describes it and so read no block: if the index is whole and was
// written after the last record.
func (b *blocks) trusted() bool {
	path, _, ok := b.newest()
	if !ok {
		return true
	}
	index, err := os.ReadFile(b.indexPath())
	if err != nil || len(index) < 2*recordSum {
		return false
	}
	state, sum := index[:len(index)-recordSum], index[len(index)-recordSum:]
	return bytes.Equal(streamSum(b.stream, state), sum) && bytes.Equal(state[len(state)-recordSum:], lastSum(path))
}

func (b *blocks) indexPath() string { return filepath.Join(b.dir, "index.db") }

// describe writes the index file as the server would have, had it stopped in
// order, after a walk that tells all of it: without one the server reads every block
// before it answers, however large the log is. No record of a log is ever removed, so
// there is little to say (nats-server v2.15.2, server/filestore.go, _writeFullState; varint is that of
// encoding/binary, u without a sign):
//
//	byte 11 · byte 4 (version)
//	of the stream: u records · u bytes · u first sequence · varint its time ·
//	  u last sequence · varint its time
//	u 1 subject: u length · subject · u records · u first block · u last block
//	u blocks, for each: u number · u bytes · u first sequence · varint its time ·
//	  u last sequence · varint its time · u 0 erased · u 0 expiring · u 0 planned;
//	  times from that of the stream's first record
//	u number of the newest block · 8 sum of its last record
//	8 HighwayHash-64 of all of it, keyed with the SHA-256 of the stream's name
//
// Half a file has no right sum, and is written again at the next open.
func (b *blocks) describe(w *walk) error {
	first, last := w.extents[0], w.extents[len(w.extents)-1]
	total := int64(0)
	for _, x := range w.extents {
		total += x.bytes
	}
	records := uint64(w.tail.pos)
	out := []byte{11, 4}
	u := func(list ...uint64) {
		for _, n := range list {
			out = binary.AppendUvarint(out, n)
		}
	}
	stamps := func(from, to stamp, since int64) {
		out = binary.AppendVarint(binary.AppendUvarint(out, from.seq), from.time-since)
		out = binary.AppendVarint(binary.AppendUvarint(out, to.seq), to.time-since)
	}
	u(records, uint64(total))
	stamps(first.first, last.last, 0)
	u(1, uint64(len(w.subject)))
	out = append(out, w.subject...)
	u(records, uint64(first.block), uint64(last.block), uint64(len(w.extents)))
	for _, x := range w.extents {
		u(uint64(x.block), uint64(x.bytes))
		stamps(x.first, x.last, first.first.time)
		u(0, 0, 0)
	}
	u(uint64(last.block))
	out = append(out, lastSum(blockPath(b.dir, last.block))...)
	out = append(out, streamSum(b.stream, out)...)
	if err := os.WriteFile(b.indexPath(), out, 0o600); err != nil {
		return unavailable("write the index of the blocks", err)
	}
	return nil
}

// streamSum is the sum the server keeps of the files of a stream (nats-server
// v2.15.2, server/filestore.go, writeStreamMeta and writeFullState).
func streamSum(stream string, b []byte) []byte {
	key := sha256.Sum256([]byte(stream))
	h, err := highwayhash.New64(key[:])
	if err != nil {
		return nil
	}
	_, _ = h.Write(b)
	return h.Sum(nil)
}

// checkMeta checks the file in which the server keeps the configuration of a
// stream: it passes over a stream whose file is damaged, as if it were not there.
// half is true if there is none, or half of one.
func (b *blocks) checkMeta() (half bool, err error) {
	dir := filepath.Dir(b.dir)
	meta, err := os.ReadFile(filepath.Join(dir, "meta.inf"))
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(meta) == 0 {
		return true, nil
	}
	if err != nil {
		return false, unavailable("read the stream's configuration", err)
	}
	sum, err := os.ReadFile(filepath.Join(dir, "meta.sum"))
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(sum) == 0 {
		return true, nil
	}
	if err != nil {
		return false, unavailable("read the stream's configuration", err)
	}
	if want := hex.EncodeToString(streamSum(b.stream, meta)); want != string(sum) {
		return false, &flaw{
			where: filepath.Join(dir, "meta.inf"), what: "configuration of stream " + b.stream,
			wanted: "bytes with the sum " + string(sum), got: "bytes with the sum " + want,
		}
	}
	return false, nil
}

// empty reports whether no block file has a byte.
func (b *blocks) empty() bool {
	for _, k := range b.snapshot() {
		if info, err := os.Stat(blockPath(b.dir, k.index)); err != nil || info.Size() > 0 {
			return false
		}
	}
	return true
}

// checkBucket checks all of a bucket's stream. What was being written when the
// process ended may be torn, at the very end.
func checkBucket(b *blocks) error {
	var torn *flaw
	for _, k := range b.snapshot() {
		s, err := b.scan(k.index, 0)
		if err != nil {
			return err
		}
		for err == nil {
			_, err = s.next()
			f := (*flaw)(nil)
			switch {
			case errors.As(err, &f) && torn == nil:
				torn, err = f, nil
			case err == nil && torn != nil:
				err = torn
			}
		}
		s.close()
		if err != io.EOF {
			return err
		}
	}
	if torn != nil && b.trusted() {
		return torn // the server had stopped in order: nothing was being written
	}
	return nil
}

// streams lists the streams in a store whose names begin with prefix.
func streams(dir, prefix string) ([]string, error) {
	names, err := os.ReadDir(filepath.Join(dir, "streams"))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, unavailable("list the streams", err)
	}
	var out []string
	for _, n := range names {
		if strings.HasPrefix(n.Name(), prefix) {
			out = append(out, n.Name())
		}
	}
	return out, nil
}
