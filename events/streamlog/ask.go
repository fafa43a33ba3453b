package streamlog

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"dewclaw/events"
)

// What a barn and its hub ask each other goes over the leaf connection as requests
// of NATS, beside the log: an account has one barn, so the subject says no more than
// who is asked and what. Nothing is kept on the way; who gets no answer asks again.
const (
	askBarn   = "dewclaw.ask.barn."
	askHub    = "dewclaw.ask.hub."
	askError  = "Dewclaw-Error" // header of an answer: why there is none
	answerFor = 15 * time.Second
)

// AnswerHub answers what the hub asks this barn under a name, one request after the
// other, until ctx ends: f gets a request and returns the answer. It goes on when
// the server of the log is started anew.
func (l *Log) AnswerHub(ctx context.Context, name string, f func(context.Context, []byte) ([]byte, error)) {
	for ctx.Err() == nil {
		if k, err := l.anyLink(); err == nil {
			_ = answer(ctx, k.nc, askBarn+name, func(ctx context.Context, _ string, b []byte) ([]byte, error) { return f(ctx, b) })
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

// AskHub asks the hub of this barn. Errors are of kind [events.ErrUnavailable]: the
// hub is away, knows no such question, or says why it cannot answer now.
func (l *Log) AskHub(ctx context.Context, name string, request []byte) ([]byte, error) {
	k, err := l.anyLink()
	if err != nil {
		return nil, err
	}
	return ask(ctx, k.nc, "hub", askHub+name, request)
}

// Answer answers what the barn asks by the names of fs, one request after the other,
// until ctx ends or the connection is closed.
func (r *BarnLog) Answer(ctx context.Context, fs map[string]func(context.Context, []byte) ([]byte, error)) {
	_ = answer(ctx, r.nc, askHub+"*", func(ctx context.Context, subject string, b []byte) ([]byte, error) {
		f := fs[strings.TrimPrefix(subject, askHub)]
		if f == nil {
			return nil, errors.New("the hub does not know this question: it is of an older version")
		}
		return f(ctx, b)
	})
}

// Ask asks the barn. Errors are of kind [events.ErrUnavailable]; of one that answers no
// such question errors.Is(err, [ErrNoAnswer]) holds as of one that is away. Safe for
// use beside the reading of the log.
func (r *BarnLog) Ask(ctx context.Context, name string, request []byte) ([]byte, error) {
	return ask(ctx, r.nc, "barn "+r.barn, askBarn+name, request)
}

// ErrNoAnswer says that nobody answers a question: who is asked is away, or does not
// know it.
var ErrNoAnswer = errors.New("nobody answers")

func answer(ctx context.Context, nc *nats.Conn, subject string, f func(context.Context, string, []byte) ([]byte, error)) error {
	sub, err := nc.SubscribeSync(subject)
	if err != nil {
		return err
	}
	defer func() { _ = sub.Unsubscribe() }()
	for {
		m, err := sub.NextMsgWithContext(ctx)
		if err != nil {
			return err
		}
		out := nats.NewMsg(m.Reply)
		if out.Data, err = f(ctx, m.Subject, m.Data); err != nil {
			out.Data = nil
			out.Header.Set(askError, oneLine("%s", []any{err.Error()}))
		}
		if err := m.RespondMsg(out); err != nil && !errors.Is(err, nats.ErrMsgNoReply) {
			return err
		}
	}
}

func ask(ctx context.Context, nc *nats.Conn, who, subject string, request []byte) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, answerFor)
	defer cancel()
	m, err := nc.RequestWithContext(ctx, subject, request)
	if errors.Is(err, nats.ErrNoResponders) {
		err = ErrNoAnswer
	}
	if err == nil && m.Header.Get(askError) != "" {
		err = errors.New(m.Header.Get(askError))
	}
	if err != nil {
		return nil, &events.Fault{Kind: events.ErrUnavailable, Who: who, What: "ask for " + subject[strings.LastIndexByte(subject, '.')+1:], Cause: err}
	}
	return m.Data, nil
}
