package streamlog

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// streamConfig is how the stream of a log is configured.
func streamConfig(name, subject string, replicas int) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        name,
		Description: "dewclaw log, one entry a message",
		Subjects:    []string{subject},
		Retention:   jetstream.LimitsPolicy,
		Storage:     jetstream.FileStorage,
		Discard:     jetstream.DiscardNew,
		MaxMsgs:     -1, MaxBytes: -1, MaxMsgsPerSubject: -1, MaxMsgSize: -1, MaxConsumers: -1,
		Replicas:   max(replicas, 1),
		DenyDelete: true,
		DenyPurge:  true,
	}
}

// checkStream checks that a stream keeps what it is given, all of it and for
// ever, and only entries of one log. The error is of kind [events.ErrInvalid]
// and names every setting that is wrong.
func checkStream(c jetstream.StreamConfig) error {
	var bad []string
	want := func(right bool, setting, wanted string, got any) {
		if !right {
			bad = append(bad, fmt.Sprintf("%s: wanted %s, got %v", setting, wanted, got))
		}
	}
	want(len(c.Subjects) == 1 && validID(strings.TrimPrefix(c.Subjects[0], subjectPrefix)),
		"subjects", "one, "+subjectPrefix+"ID", c.Subjects)
	want(c.Storage == jetstream.FileStorage, "storage", "file", c.Storage)
	want(c.Retention == jetstream.LimitsPolicy, "retention", "limits", c.Retention)
	want(c.DenyDelete, "deny_delete", "true", c.DenyDelete)
	want(c.DenyPurge, "deny_purge", "true", c.DenyPurge)
	want(c.Compression == jetstream.NoCompression, "compression", "none", c.Compression)
	want(c.MaxMsgs <= 0, "max_msgs", "none", c.MaxMsgs)
	want(c.MaxBytes <= 0 || c.Discard == jetstream.DiscardNew, "discard", "new, with max_bytes", c.Discard)
	want(c.MaxAge == 0, "max_age", "none", c.MaxAge)
	want(c.MaxMsgsPerSubject <= 0, "max_msgs_per_subject", "none", c.MaxMsgsPerSubject)
	want(!c.NoAck, "no_ack", "false", c.NoAck)
	want(!c.Sealed, "sealed", "false", c.Sealed)
	want(!c.AllowRollup, "allow_rollup_hdrs", "false", c.AllowRollup)
	want(!c.AllowMsgTTL, "allow_msg_ttl", "false", c.AllowMsgTTL)
	want(!c.AllowMsgCounter, "allow_msg_counter", "false", c.AllowMsgCounter)
	want(c.Mirror == nil && len(c.Sources) == 0, "mirror and sources", "none", "some")
	want(c.SubjectTransform == nil, "subject_transform", "none", "one")
	want(c.FirstSeq <= 1, "first_seq", "none", c.FirstSeq)
	if bad == nil {
		return nil
	}
	return &events.Fault{
		Kind: events.ErrInvalid, Who: "log", Where: "stream " + c.Name, What: strings.Join(bad, "; "),
		Hints: []string{"a stream that is not there is made as it must be: name another one, or correct this one's settings"},
	}
}

// find takes hold of the stream of a link; it may be absent ([events.ErrNotFound]).
func (k *link) find(ctx context.Context, name string) (*jetstream.StreamInfo, error) {
	k.name = name
	s, err := k.js.Stream(ctx, name)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, &events.Fault{Kind: events.ErrNotFound, Who: "log", What: "stream " + name, Cause: err}
	}
	if err != nil {
		return nil, unavailable("find stream "+name, err)
	}
	return k.use(s)
}

// create makes the stream of a link. If somebody else has just made it, that one
// is taken.
func (k *link) create(ctx context.Context, name, subject string, replicas int) (*jetstream.StreamInfo, error) {
	s, err := k.js.CreateStream(ctx, streamConfig(name, subject, replicas))
	if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
		return k.find(ctx, name)
	}
	if err != nil {
		return nil, unavailable("create stream "+name, err)
	}
	return k.use(s)
}

func (k *link) use(s jetstream.Stream) (*jetstream.StreamInfo, error) {
	info := s.CachedInfo()
	if err := checkStream(info.Config); err != nil {
		return nil, err
	}
	k.stream, k.replicas = s, info.Config.Replicas
	k.domain = cmp.Or(k.leaf, info.Domain) // the answer to the making of a stream names none
	return info, nil
}

// last asks for the position of the newest entry of the stream.
func (k *link) last(ctx context.Context) (events.Position, error) {
	if k.stream == nil {
		return 0, k.noStream()
	}
	ctx, end := k.whileConnected(ctx)
	defer end()
	info, err := k.stream.Info(ctx)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		return 0, k.noStream()
	}
	if err != nil {
		return 0, unavailable("ask stream "+k.name, orLost(ctx, err))
	}
	return events.Position(info.State.LastSeq), nil
}

func (k *link) noStream() *flaw {
	return &flaw{where: "stream " + k.name, what: "stream", wanted: "the stream of the log", got: "none"}
}

// How long a server of a cluster may be behind what was acknowledged: one that
// has just become the leader still takes in what the others had agreed upon.
const (
	behindFor = 600 * time.Millisecond
	lagsFor   = 15 * time.Second
	lagsAgain = 200 * time.Millisecond
)

// lastFrom is last for whoever knows that the stream reached a position: an
// answer before it is asked for again, because in a cluster it may come from a
// server that is behind, or that has not heard yet that the stream is there.
func (k *link) lastFrom(ctx context.Context, known events.Position) (events.Position, error) {
	patience := behindFor
	if k.replicas > 1 {
		patience = lagsFor
	}
	for end := time.Now().Add(patience); ; {
		tail, err := k.last(ctx)
		gone := (*flaw)(nil)
		if err != nil && !(errors.As(err, &gone) && k.replicas > 1) || err == nil && tail >= known || time.Now().After(end) {
			return tail, err
		}
		select {
		case <-ctx.Done():
			return 0, unavailable("ask stream "+k.name, ctx.Err())
		case <-time.After(lagsAgain):
		}
	}
}
