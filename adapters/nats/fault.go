package nats

import (
	"context"
	"errors"

	"dewclaw/events"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Codes of the server that say that a message will never be taken: from its
// errors.json (nats-server 2.15).
const codeMessageTooLarge = jetstream.JSErrCodeStreamMessageExceedsMaximum

// fault turns an error of the server or the connection into one for people. Most
// are of kind unavailable: what the server refuses now it may take when its
// operator has been at it. The end of a context stays what it is.
func fault(ctx context.Context, who, where, what string, err error) error {
	var f *events.Fault
	if errors.As(err, &f) {
		return err
	}
	if cause := ctx.Err(); cause != nil && (errors.Is(err, cause) || errors.Is(err, nats.ErrTimeout)) {
		return cause
	}
	f = &events.Fault{Kind: events.ErrUnavailable, Who: who, Where: where, What: what, Cause: err}
	var api *jetstream.APIError
	switch {
	case errors.Is(err, nats.ErrMaxPayload):
		f.Kind = events.ErrInvalid
	case errors.As(err, &api) && api.ErrorCode == codeMessageTooLarge:
		f.Kind = events.ErrInvalid
	case errors.Is(err, jetstream.ErrJetStreamNotEnabled), errors.Is(err, jetstream.ErrJetStreamNotEnabledForAccount):
		f.Hints = []string{"the server must have JetStream switched on for this account"}
	}
	return f
}

// refused is the error of one parcel.
func (s *sender) refused(p parcel, err error) error {
	err = fault(s.ctx, s.p.o.Who, p.msg.Subject, "publish "+p.id, err)
	var f *events.Fault
	if errors.As(err, &f) && errors.Is(err, jetstream.ErrNoStreamResponse) {
		f.Hints = []string{"no stream has this subject: make it on the server, or set create: true in the feed"}
	}
	return err
}
