package api

import (
	"context"
	"encoding/json"
	"fmt"

	"dewclaw/events"
)

// An Operation answers one question or does one thing. in is its input as JSON,
// emit hands over one item of the answer and must not be called after the
// operation returned; an error of emit means that nobody listens any more and
// ends the operation. Operations run at the same time as others.
type Operation func(ctx context.Context, in json.RawMessage, emit func(item any) error) error

// Operations is the table of operations by name. It is a [Caller] that answers
// in its own process.
type Operations map[string]Operation

// A Caller asks for operations. Ask encodes in as JSON, calls each with every
// item of the answer in order, and returns the error of the operation with its
// kind, its text and its hints, or the first error of each. It blocks until the
// answer ends or ctx does. Safe for use by several goroutines at once.
type Caller interface {
	Ask(ctx context.Context, name string, in any, each func(item json.RawMessage) error) error
}

var (
	_ Caller = Operations(nil)
	_ Caller = (*Client)(nil)
)

// Ask implements [Caller]. Items pass through JSON here as well, so that both
// ways give the same.
func (o Operations) Ask(ctx context.Context, name string, in any, each func(json.RawMessage) error) error {
	op, ok := o[name]
	if !ok {
		return unknown(name)
	}
	raw, err := json.Marshal(in)
	if err != nil {
		return fmt.Errorf("encode input of %s: %w", name, err)
	}
	return op(ctx, raw, func(item any) error {
		b, err := json.Marshal(item)
		if err != nil {
			return fmt.Errorf("encode item of %s: %w", name, err)
		}
		return each(b)
	})
}

// Typed makes an [Operation] of a function that takes its input decoded.
func Typed[In any](f func(ctx context.Context, in In, emit func(any) error) error) Operation {
	return func(ctx context.Context, raw json.RawMessage, emit func(any) error) error {
		var in In
		if err := json.Unmarshal(raw, &in); err != nil {
			return fmt.Errorf("decode input: %w: %w", err, events.ErrInvalid)
		}
		return f(ctx, in, emit)
	}
}

func unknown(name string) error {
	return &events.Fault{
		Kind: events.ErrNotFound, What: fmt.Sprintf("operation %q is not known to the daemon", name),
		Hints: []string{"the daemon that runs may be an older version: stop it and start it again"},
	}
}
