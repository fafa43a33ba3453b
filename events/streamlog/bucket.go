package streamlog

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

const bucketStream = "KV_" // what JetStream puts before the name of a bucket's stream

// A Bucket is a durable table of values by key beside the log, such as the
// cursors of feeds: a JetStream key-value bucket that keeps the newest value of
// each key. Safe for use by several goroutines.
type Bucket struct {
	log  *Log
	name string // as JetStream has it
}

var bucketName = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,31}$`)

// Bucket returns the bucket of a name (lower-case letters, digits and hyphens),
// making it if it is not there. Logs have buckets of their own; daemons that
// share a log by URL share its buckets. Errors are of kind
// [events.ErrInvalid] for a name that cannot be, and [events.ErrUnavailable].
// Of a log that is damaged or read-only the bucket can be read only.
func (l *Log) Bucket(ctx context.Context, name string) (*Bucket, error) {
	if !bucketName.MatchString(name) {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "log", What: "name of a bucket",
			Wanted: "1 to 32 lower-case letters, digits and hyphens", Got: fmt.Sprintf("%q", name),
		}
	}
	b := &Bucket{l, streamPrefix + l.id + "-" + name}
	if l.opt.ReadOnly || l.Damage() != nil {
		return b, nil
	}
	_, err := b.open(ctx, true)
	return b, err
}

// bucketSubject returns what the subjects of a bucket's stream begin with.
func bucketSubject(stream string) string {
	return "$KV." + strings.TrimPrefix(stream, bucketStream) + "."
}

// open returns the bucket at the server; if it is not there it is made, or the
// error is jetstream.ErrBucketNotFound.
func (b *Bucket) open(ctx context.Context, create bool) (jetstream.KeyValue, error) {
	k, err := b.log.anyLink()
	if err != nil {
		return nil, err
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if kv := k.buckets[b.name]; kv != nil {
		return kv, nil
	}
	kv, err := k.js.KeyValue(ctx, b.name)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		if !create {
			return nil, err
		}
		kv, err = k.js.CreateKeyValue(ctx, jetstream.KeyValueConfig{
			Bucket: b.name, Description: "dewclaw, beside its log", History: 1, Storage: jetstream.FileStorage, Replicas: max(b.log.opt.Replicas, 1),
		})
	}
	if err != nil {
		return nil, unavailable("open bucket "+b.name, err)
	}
	k.buckets[b.name] = kv
	return kv, nil
}

var keyShape = regexp.MustCompile(`^[A-Za-z0-9_=-]+([./][A-Za-z0-9_=-]+)*$`)

const maxKey = 128

func checkKey(key string) error {
	if len(key) <= maxKey && keyShape.MatchString(key) {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "log", What: "key of a bucket",
		Wanted: fmt.Sprintf("up to %d letters, digits, hyphens and underscores, with single dots and slashes between", maxKey),
		Got:    fmt.Sprintf("%q", key),
	}
}

// Get returns the value of a key, which belongs to the caller. Errors are of
// kind [events.ErrNotFound] if the key has no value, [events.ErrInvalid] for a
// key that cannot be, [events.ErrCorrupt] and [events.ErrUnavailable].
func (b *Bucket) Get(ctx context.Context, key string) ([]byte, error) {
	if err := checkKey(key); err != nil {
		return nil, err
	}
	if b.fromFiles() {
		all, err := b.read()
		if v, ok := all[key]; ok {
			return v, nil
		}
		return nil, errors.Join(err, b.notFound(key))
	}
	kv, err := b.open(ctx, false)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil, b.notFound(key)
	}
	if err != nil {
		return nil, err
	}
	e, err := kv.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return nil, b.notFound(key)
	}
	if err != nil {
		return nil, unavailable("get "+key, err)
	}
	return slices.Clone(e.Value()), nil
}

func (b *Bucket) notFound(key string) error {
	return &events.Fault{Kind: events.ErrNotFound, Who: "log", Where: "bucket " + b.name, What: fmt.Sprintf("no value for %q", key)}
}

// Put sets the value of a key and returns when it is stored as durably as an
// entry. After an error it may be stored or not: put it again. Errors are of
// kind [events.ErrInvalid] for a key that cannot be, a value too large for a
// message or a log that is read-only, [events.ErrCorrupt] if the log is
// damaged, and [events.ErrUnavailable].
func (b *Bucket) Put(ctx context.Context, key string, value []byte) error {
	kv, err := b.change(ctx, key, len(value))
	if err != nil {
		return err
	}
	if _, err := kv.Put(ctx, key, value); err != nil {
		return unavailable("put "+key, err)
	}
	return nil
}

// Delete takes a key away; one without a value is no error. Errors are those
// of Put.
func (b *Bucket) Delete(ctx context.Context, key string) error {
	kv, err := b.change(ctx, key, 0)
	if err != nil {
		return err
	}
	if err := kv.Delete(ctx, key); err != nil {
		return unavailable("delete "+key, err)
	}
	return nil
}

// change checks what is to be changed and returns the bucket at the server.
func (b *Bucket) change(ctx context.Context, key string, size int) (jetstream.KeyValue, error) {
	if err := checkKey(key); err != nil {
		return nil, err
	}
	if b.log.opt.ReadOnly {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: "log", Where: "bucket " + b.name, What: "change a log opened read-only"}
	}
	k, err := b.log.connection()
	if err != nil {
		return nil, err
	}
	if size > k.bound() {
		return nil, &events.Fault{
			Kind: events.ErrInvalid, Who: "log", Where: "bucket " + b.name, What: "size of a value",
			Wanted: fmt.Sprintf("at most %d bytes", k.bound()), Got: fmt.Sprint(size),
		}
	}
	return b.open(ctx, true)
}

// Keys returns the keys that have a value, sorted. Errors are of kind
// [events.ErrCorrupt] and [events.ErrUnavailable].
func (b *Bucket) Keys(ctx context.Context) ([]string, error) {
	if b.fromFiles() {
		all, err := b.read()
		var keys []string
		for k := range all {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		return keys, err
	}
	kv, err := b.open(ctx, false)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	list, err := kv.ListKeys(ctx)
	if err != nil {
		return nil, unavailable("list keys", err)
	}
	var keys []string
	for key := range list.Keys() {
		keys = append(keys, key)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	slices.Sort(keys)
	return slices.Compact(keys), nil
}

// fromFiles reports whether no server runs over the store.
func (b *Bucket) fromFiles() bool {
	b.log.linkMu.RLock()
	defer b.log.linkMu.RUnlock()
	return b.log.link == nil && b.log.opt.URL == ""
}

// read reads all values from the block files, as far as they are whole.
func (b *Bucket) read() (map[string][]byte, error) {
	stream := bucketStream + b.name
	files := newBlocks(storeDir(b.log.opt.Dir), stream, bucketSubject(stream))
	if err := files.load(); err != nil {
		return nil, err
	}
	all := map[string][]byte{}
	var damage error
	for _, k := range files.snapshot() {
		s, err := files.scan(k.index, 0)
		if err != nil {
			return nil, err
		}
		for err == nil {
			var rec *record
			rec, err = s.next()
			f := (*flaw)(nil)
			switch {
			case errors.As(err, &f):
				damage, err = errors.Join(damage, f.fault()), nil
			case err == nil && rec.kept:
				takeValue(all, strings.TrimPrefix(rec.subject, files.prefix), rec)
			}
		}
		s.close()
		if err != io.EOF {
			return nil, err
		}
	}
	return all, damage
}

// takeValue applies one message of a bucket's stream: a value, or a marker that
// the key was deleted.
func takeValue(all map[string][]byte, key string, rec *record) {
	if h := string(rec.header); strings.Contains(h, "KV-Operation: DEL") || strings.Contains(h, "KV-Operation: PURGE") {
		delete(all, key)
		return
	}
	all[key] = rec.body
}
