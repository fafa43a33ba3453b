package streamlog

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// streamConfig is how the stream of a log is configured.
func streamConfig(name, subject string) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        name,
		Description: "dewclaw log, one entry a message",
		Subjects:    []string{subject},
		Retention:   jetstream.LimitsPolicy,
		Storage:     jetstream.FileStorage,
		Discard:     jetstream.DiscardNew,
		MaxMsgs:     -1, MaxBytes: -1, MaxMsgsPerSubject: -1, MaxMsgSize: -1, MaxConsumers: -1,
		Replicas:   1,
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

// create makes the stream of a link.
func (k *link) create(ctx context.Context, name, subject string) (*jetstream.StreamInfo, error) {
	s, err := k.js.CreateStream(ctx, streamConfig(name, subject))
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
	k.stream, k.domain = s, info.Domain
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

// lastFrom is last for whoever knows that the stream reached a position: an
// answer before it is asked for again, because in a cluster it may come from a
// server that is behind.
func (k *link) lastFrom(ctx context.Context, known events.Position) (events.Position, error) {
	for again := 0; ; again++ {
		tail, err := k.last(ctx)
		if err != nil || tail >= known || again == 3 {
			return tail, err
		}
		select {
		case <-ctx.Done():
			return 0, unavailable("ask stream "+k.name, ctx.Err())
		case <-time.After(200 * time.Millisecond):
		}
	}
}
