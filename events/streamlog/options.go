package streamlog

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/base32"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"time"

	"dewclaw/events"
)

// Options say where a log is and how it is opened. Dir and Now must be set;
// everything else has a default.
type Options struct {
	Dir       string           // the data folder's log folder, made if it is not there; for a log by URL it holds lock and head only
	URL       string           // NATS servers of an external log, comma-separated; "" is the embedded server
	Stream    string           // name of the external stream; must be empty for the embedded one, which is named after its id
	Login     Login            // how to log in to the servers of URL
	Replicas  int              // servers of a cluster that keep the stream and its buckets; at least so many of a stream that is there; 0 is 1
	Hub       *Leaf            // the hub that reads the embedded log; nil for none
	Now       func() time.Time // the time entries are made
	Rand      io.Reader        // where the id of a new log comes from; nil is crypto/rand
	Logger    *slog.Logger     // errors of the server and the connection; nil discards them
	ReadOnly  bool             // change no byte of the log, and do not follow it; several processes may read at once
	ReadWhole int64            // an embedded store of up to so many bytes is read whole before anything is appended
}

// Open takes hold of a log, making it if it is not there. It starts the server
// and, for a log by URL, one goroutine; both end with [Log.Close].
//
// A log whose stored bytes are damaged opens all the same, so that what is
// whole can be read: then [Log.Damage] is not nil, nothing is started and
// nothing is changed. The package comment tells what is checked.
//
// Errors are of kind [events.ErrLocked] if another process holds the folder,
// [events.ErrInvalid] for options that cannot be, a stream that is not
// configured as a log must be, another log than the folder belongs to, or an
// entry of a newer version, [events.ErrNotFound] for a log opened read-only
// that was never made, and [events.ErrUnavailable] if disk or server do not
// answer. Open blocks while the server recovers its store; ctx ends that.
func Open(ctx context.Context, opt Options) (*Log, error) {
	if err := opt.check(); err != nil {
		return nil, err
	}
	opt.Rand = cmp.Or[io.Reader](opt.Rand, rand.Reader)
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	lock, err := takeLock(opt.Dir, opt.ReadOnly)
	if err != nil {
		return nil, err
	}
	l := &Log{
		opt: opt, lock: lock, done: make(chan struct{}), moved: make(chan struct{}), appending: make(chan struct{}, 1),
	}
	if opt.URL == "" {
		err = l.openFolder(ctx)
	} else {
		err = l.openURL(ctx)
	}
	if err != nil {
		_ = l.Close()
		return nil, err
	}
	return l, nil
}

func (o *Options) check() error {
	bad := func(what, wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: "log", What: what, Wanted: wanted, Got: got}
	}
	switch {
	case o.Dir == "":
		return bad("folder", "a path", "none")
	case o.Now == nil:
		return bad("clock", "a function", "nil")
	case o.URL == "" && o.Stream != "":
		return bad("stream", "no name without a URL: the embedded stream is named after its log", fmt.Sprintf("%q", o.Stream))
	case o.Replicas < 0 || o.Replicas > maxReplicas || o.URL == "" && o.Replicas > 1:
		return bad("replicas", fmt.Sprintf("1 to %d, and one for the embedded log", maxReplicas), fmt.Sprint(o.Replicas))
	case o.URL != "" && o.Hub != nil:
		return bad("hub", "an embedded log: only its server connects to a hub", "a log by URL")
	case o.URL != "" && (o.Stream == "" || strings.ContainsAny(o.Stream, " .*>/\\\t\r\n")):
		return bad("stream", "a name without blanks, dots, wildcards and slashes", fmt.Sprintf("%q", o.Stream))
	}
	return nil
}

const maxReplicas = 5 // of a JetStream stream

const (
	subjectPrefix = "dewclaw.log."
	streamPrefix  = "dewclaw-"
)

var idEncoding = base32.NewEncoding("0123456789abcdefghijklmnopqrstuv").WithPadding(base32.NoPadding)

// newID makes the id of a new log: 128 random bits as 26 characters that may
// stand in a subject, a stream name and a file name.
func newID(r io.Reader) (string, error) {
	var b [16]byte
	if _, err := io.ReadFull(r, b[:]); err != nil {
		return "", unavailable("make an id", err)
	}
	return idEncoding.EncodeToString(b[:]), nil
}

// validID reports whether s can be the id of a log.
func validID(s string) bool {
	b, err := idEncoding.DecodeString(s)
	return err == nil && len(b) == 16
}
