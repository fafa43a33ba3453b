package streamlog

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// Leases say which of several daemons on one log does what: a key of a bucket
// beside the log, with a time to live, is held by the daemon that wrote it as long
// as it writes it again in time. Safe for use by several goroutines at once.
//
// A lease keeps two daemons from doing the same at the same time; it does not by
// itself keep a daemon that was stopped for a while from going on when somebody
// else holds it. That is what [Log.Append] is for, which appends nothing behind
// entries the caller does not know, and [Guarded], which overwrites no value that
// somebody else wrote.
type Leases struct {
	log    *Log
	kv     jetstream.KeyValue
	ttl    time.Duration
	holder Holder

	mu   sync.Mutex
	held map[string]uint64 // revision by key
}

// A Holder is who holds a lease, as others see it.
type Holder struct {
	ID      string    `json:"id"`                // of its data folder
	Name    string    `json:"name"`              // for people
	Archive string    `json:"archive,omitempty"` // id of the folder where it keeps originals
	Since   time.Time `json:"since"`             // when it was taken or renewed last
}

const (
	leaseBucket = "leases"
	daemonName  = "daemon" // file with the id of the data folder's daemon
)

// Leases opens the leases of a log by URL, making their bucket if it is not there.
// me is who takes them; its ID and Since are filled in. A bucket that is there keeps its time to live, whatever ttl
// says: every daemon on a log must go by the same. Errors are of kind
// [events.ErrInvalid] for an embedded or read-only log and [events.ErrUnavailable].
func (l *Log) Leases(ctx context.Context, me Holder, ttl time.Duration) (*Leases, error) {
	if l.opt.URL == "" || l.opt.ReadOnly {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: "log", What: "leases", Wanted: "a log by URL that can be written", Got: "another one"}
	}
	k, err := l.connection()
	if err != nil {
		return nil, err
	}
	if me.ID, err = l.DaemonID(); err != nil {
		return nil, err
	}
	bucket := streamPrefix + l.id + "-" + leaseBucket
	kv, err := k.js.KeyValue(ctx, bucket)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		kv, err = k.js.CreateKeyValue(ctx, jetstream.KeyValueConfig{
			Bucket: bucket, Description: "dewclaw, who does what", History: 1, TTL: ttl, Storage: jetstream.FileStorage, Replicas: max(l.opt.Replicas, 1),
		})
		if errors.Is(err, jetstream.ErrBucketExists) {
			kv, err = k.js.KeyValue(ctx, bucket)
		}
	}
	if err != nil {
		return nil, unavailable("open bucket "+bucket, err)
	}
	status, err := kv.Status(ctx)
	if err != nil {
		return nil, unavailable("open bucket "+bucket, err)
	}
	return &Leases{log: l, kv: kv, ttl: status.TTL(), holder: me, held: map[string]uint64{}}, nil
}

// NewID makes a random id as those of logs.
func (l *Log) NewID() (string, error) { return newID(l.opt.Rand) }

// DaemonID returns the id of the data folder's daemon. The lock of the folder sees
// to it that no two processes have it.
func (l *Log) DaemonID() (string, error) {
	path := filepath.Join(l.opt.Dir, daemonName)
	b, err := os.ReadFile(path)
	if err == nil && validID(string(b)) {
		return string(b), nil
	}
	id, err := newID(l.opt.Rand)
	if err == nil {
		err = os.WriteFile(path, []byte(id), 0o640)
	}
	if err != nil {
		return "", unavailable("name the daemon", err)
	}
	return id, nil
}

// TTL returns how long a lease lasts that is not renewed.
func (s *Leases) TTL() time.Duration { return s.ttl }

// Holder returns who takes these leases.
func (s *Leases) Holder() Holder { return s.holder }

// Take takes a lease that is free, or renews one that is held. If somebody else
// holds it, held is false and by says who. A daemon that was killed and comes back
// over the same data folder has its leases at once. After an error of kind
// [events.ErrUnavailable] it is not known whether it was renewed: it lasts for
// [Leases.TTL] from the last call that said so, counted from before that call.
func (s *Leases) Take(ctx context.Context, key string) (held bool, by Holder, err error) {
	if err := checkKey(key); err != nil {
		return false, by, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	rev, mine := s.held[key]
	me := s.holder
	me.Since = s.log.opt.Now().UTC()
	value, err := json.Marshal(me)
	if err != nil {
		return false, by, err
	}
	if mine {
		rev, err = s.kv.Update(ctx, key, value, rev)
	} else {
		rev, err = s.kv.Create(ctx, key, value)
	}
	if isTaken(err) {
		delete(s.held, key)
		var e jetstream.KeyValueEntry
		if e, err = s.kv.Get(ctx, key); errors.Is(err, jetstream.ErrKeyNotFound) {
			return false, by, nil // it has just ended: the next call takes it
		}
		if err == nil {
			if err = json.Unmarshal(e.Value(), &by); err != nil {
				return false, by, fmt.Errorf("read lease %s: %w: %w", key, err, events.ErrCorrupt)
			}
			if by.ID != me.ID {
				return false, by, nil
			}
			rev, err = s.kv.Update(ctx, key, value, e.Revision()) // of this folder, before a restart or an answer that was lost
		}
	}
	if err != nil {
		return false, by, unavailable("take lease "+key, err)
	}
	s.held[key] = rev
	return true, me, nil
}

// Drop gives a lease back; one that is not held is not touched.
func (s *Leases) Drop(ctx context.Context, key string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	rev, mine := s.held[key]
	if !mine {
		return nil
	}
	delete(s.held, key)
	if err := s.kv.Delete(ctx, key, jetstream.LastRevision(rev)); err != nil && !isTaken(err) {
		return unavailable("give back lease "+key, err)
	}
	return nil
}

// Who returns the holder of a lease, the zero Holder if nobody has it.
func (s *Leases) Who(ctx context.Context, key string) (Holder, error) {
	var h Holder
	e, err := s.kv.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return h, nil
	}
	if err != nil {
		return h, unavailable("read lease "+key, err)
	}
	if err := json.Unmarshal(e.Value(), &h); err != nil {
		return h, fmt.Errorf("read lease %s: %w: %w", key, err, events.ErrCorrupt)
	}
	return h, nil
}

// isTaken reports whether somebody else has written a key since.
func isTaken(err error) bool { return errors.Is(err, jetstream.ErrKeyExists) || isWrongSequence(err) }
