package delivery

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// stateVersion is the version of every value in the bucket.
const stateVersion = 1

// A state is where a feed stands: the value of the key "<feed>.state". It is
// written at every beat, so it is small.
type state struct {
	V          int          `json:"v"`
	Generation int          `json:"generation"` // from 1, counted up by rewind
	Cursor     events.Place `json:"cursor"`     // the first event that is not settled
	Plan       *plan        `json:"plan,omitempty"`
	Redo       int          `json:"redo,omitempty"` // plans thrown away since the cursor moved: names must differ
	Paused     *pause       `json:"paused,omitempty"`
	Granted    time.Time    `json:"granted,omitzero"` // when every farm and kind was last seen to have a grant in force
	Absent     []absence    `json:"absent,omitempty"` // when there was none
	Lists      int          `json:"lists,omitempty"`  // late and replayed batches made in this generation
	Batches    int          `json:"batches,omitempty"`
	Rows       int          `json:"rows,omitempty"`
	Deletes    int          `json:"deletes,omitempty"`
	Late       int          `json:"late,omitempty"`
	LastSent   time.Time    `json:"lastSent,omitzero"`
	LastName   string       `json:"lastName,omitempty"`
	Cut        cut          `json:"cut,omitzero"`       // the recipient refused a batch: smaller ones until it is clear which event
	Refused    *refused     `json:"refused,omitempty"`  // the event it was
	Refusals   int          `json:"refusals,omitempty"` // one after the other
	Doubt      events.Place `json:"doubt,omitzero"`     // up to here events may have arrived although they are refused now
}

// A cut bounds batches while a refused event is searched for.
type cut struct {
	Rows int          `json:"rows"`
	To   events.Place `json:"to"` // until the cursor is here; zero for lists
}

// A listed event is sent out of its turn.
type listed struct {
	Place events.Place `json:"place"`
	// Before is the revision it is judged against, if that is not the one before
	// it: position 0 for none.
	Before *events.Place `json:"before,omitempty"`
	// Also are further revisions that the recipient may have: of animals that the
	// event is no longer of, they are taken back too.
	Also []events.Place `json:"also,omitempty"`
}

// A refused event is one that the recipient would not take.
type refused struct {
	Place events.Place `json:"place"`
	Why   string       `json:"why"`
}

// A pause keeps a feed from sending until it is resumed or its reason ends.
type pause struct {
	By    pauseBy   `json:"by"`
	Why   string    `json:"why"`
	Since time.Time `json:"since"`
}

type pauseBy string

const (
	byPerson   pauseBy = "person"
	byGrant    pauseBy = "grant"    // no grant in force: ends by itself
	byRefusals pauseBy = "refusals" // the recipient refuses one event after the other
)

// An absence is a time without a grant in force. A zero To has not ended.
type absence struct {
	From  time.Time `json:"from"`
	To    time.Time `json:"to,omitzero"`
	Asked bool      `json:"asked,omitempty"` // somebody asked for what was recorded meanwhile
}

// A plan is a batch that is about to be sent, in enough detail to make the same
// bytes again: it is stored before the batch leaves and removed with the move of
// the cursor.
type plan struct {
	Kind     planKind     `json:"kind"`
	Name     string       `json:"name"`               // without extension
	From     events.Place `json:"from"`               // first event of the range; for lists the cursor
	To       events.Place `json:"to"`                 // the event behind the last
	Last     events.Place `json:"last"`               // the last event
	Seen     uint64       `json:"seen"`               // end of the log when it was made: what belongs to an event is looked for up to here
	Rule     *rule        `json:"rule"`               // what it was judged by
	Layout   layoutID     `json:"layout"`             //
	Owners   []*owner     `json:"owners,omitempty"`   // range: what stays behind
	Releases []release    `json:"releases,omitempty"` // late, replay: what no longer does
	Rows     int          `json:"rows"`
	Deletes  int          `json:"deletes,omitempty"`
	Only     events.Place `json:"only,omitzero"` // the event of its last row
	One      bool         `json:"one,omitempty"` // all of its rows are of that event
}

type planKind string

const (
	planRange  planKind = "range"
	planLate   planKind = "late"
	planReplay planKind = "replay"
)

// A release is what no longer stays behind of one animal.
type release struct {
	Key     string       `json:"key"`     // of the owner
	Through events.Place `json:"through"` // items up to here are settled; zero for none
	Sent    []listed     `json:"sent,omitempty"`
	Why     string       `json:"why,omitempty"` // the refusal of the item behind them
}

// A layoutID names a layout, so that a planned batch can be made again after
// the config has changed.
type layoutID struct {
	Format   config.Format  `json:"format"`
	Mapping  string         `json:"mapping,omitempty"` // SHA-256 of the mapping, kept under "<feed>.mapping.<hash>"
	Deletes  config.Deletes `json:"deletes"`
	Settings string         `json:"settings,omitempty"` // of the writer
}

// A Bucket is a small durable store beside the log: streamlog.Bucket. Put and
// Delete return when it is safe on disk. Get of a key that is not there is an
// error of kind not found.
type Bucket interface {
	Get(ctx context.Context, key string) ([]byte, error)
	Put(ctx context.Context, key string, value []byte) error
	Delete(ctx context.Context, key string) error
	Keys(ctx context.Context) ([]string, error)
}

// A store is the part of the bucket that belongs to one feed.
type store struct {
	b    Bucket
	feed string
}

func (s *store) key(parts ...string) string { return s.feed + "." + strings.Join(parts, ".") }

// mappingKey returns the key of the text of a mapping: half of its hash tells
// mappings of one feed apart and keeps the key short.
func (s *store) mappingKey(hash string) string { return s.key("mapping", hash[:min(len(hash), 32)]) }

// load reads the value of a key into v and reports whether there was one.
func (s *store) load(ctx context.Context, key string, v any) (bool, error) {
	b, err := s.b.Get(ctx, key)
	switch {
	case errors.Is(err, events.ErrNotFound):
		return false, nil
	case err != nil:
		return false, fmt.Errorf("read state of feed %s: %w", s.feed, err)
	}
	var head struct {
		V int `json:"v"`
	}
	if err := json.Unmarshal(b, &head); err == nil && head.V > stateVersion {
		return false, &events.Fault{
			Kind: events.ErrInvalid, Who: "feed " + s.feed, What: "stored state", Wanted: fmt.Sprintf("at most version %d", stateVersion),
			Got: fmt.Sprintf("version %d", head.V), Hints: []string{"this folder was written by a newer dewclaw; use that version"},
		}
	}
	if err := json.Unmarshal(b, v); err != nil {
		return false, fmt.Errorf("read state of feed %s: key %s: %w: %w", s.feed, key, err, events.ErrCorrupt)
	}
	return true, nil
}

func (s *store) save(ctx context.Context, key string, v any) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write state of feed %s: %w", s.feed, err)
	}
	if err := s.b.Put(ctx, key, b); err != nil {
		return fmt.Errorf("write state of feed %s: %w", s.feed, err)
	}
	return nil
}

// forget lets a bucket that remembers what it has read forget it.
func (s *store) forget() {
	if g, ok := s.b.(interface{ Forget(prefix string) }); ok {
		g.Forget(s.feed + ".")
	}
}

// remove deletes a key; one that is not there is fine.
func (s *store) remove(ctx context.Context, key string) error {
	if err := s.b.Delete(ctx, key); err != nil && !errors.Is(err, events.ErrNotFound) {
		return fmt.Errorf("write state of feed %s: %w", s.feed, err)
	}
	return nil
}

// own lists the keys of the feed that begin with parts.
func (s *store) own(ctx context.Context, parts ...string) ([]string, error) {
	all, err := s.b.Keys(ctx)
	if err != nil {
		return nil, fmt.Errorf("read state of feed %s: %w", s.feed, err)
	}
	prefix := s.key(parts...) + "."
	var out []string
	for _, k := range all {
		if strings.HasPrefix(k, prefix) {
			out = append(out, k)
		}
	}
	return out, nil
}
