package nats

import (
	"context"
	"errors"
	"strings"
	"time"

	"dewclaw/events"

	"github.com/nats-io/nats.go/jetstream"
)

// apiTimeout bounds one request to the server's JetStream.
const apiTimeout = 10 * time.Second

// A streamRef says which stream is meant and what to do if it is missing.
type streamRef struct {
	who        string
	name       string // "" if it is found by subject
	subject    string // "" if it is found by name
	create     bool
	duplicates time.Duration // window of the server, of a stream that is made; 0 means its default
	outward    bool          // of a feed, whose config can have it made
}

func (r streamRef) hint() string {
	if r.outward {
		return "make it on the server, or set create: true in the feed"
	}
	return "make it on the server, or correct its name or subject in the source"
}

// find returns the stream. One that is missing is made if create is set; else the
// error is of kind unavailable, as it may be made any time.
func (r streamRef) find(ctx context.Context, js jetstream.JetStream) (jetstream.Stream, error) {
	inner, cancel := context.WithTimeout(ctx, apiTimeout)
	defer cancel()
	name, err := r.name, error(nil)
	if name == "" {
		name, err = js.StreamNameBySubject(inner, r.subject)
	}
	var s jetstream.Stream
	if err == nil {
		s, err = js.Stream(inner, name)
	}
	switch {
	case err == nil:
		return s, nil
	case !errors.Is(err, jetstream.ErrStreamNotFound):
		return nil, fault(ctx, r.who, r.label(), "look for the stream", err)
	case !r.create:
		return nil, &events.Fault{
			Kind: events.ErrUnavailable, Who: r.who, Where: r.label(), What: "stream", Wanted: "one that is there", Got: "none",
			Hints: []string{r.hint(), "it is looked for again"},
		}
	}
	s, err = js.CreateStream(inner, jetstream.StreamConfig{
		Name: r.newName(), Subjects: []string{r.subject}, Storage: jetstream.FileStorage, Duplicates: r.duplicates,
	})
	if err != nil {
		return nil, fault(ctx, r.who, r.label(), "make the stream", err)
	}
	return s, nil
}

// label names the stream for people.
func (r streamRef) label() string {
	if r.name != "" {
		return "stream " + r.name
	}
	return "subject " + r.subject
}

// newName returns the name of a stream that is made: of its subject in capitals
// if the config has none, as dots and stars may not stand in it.
func (r streamRef) newName() string {
	if r.name != "" {
		return r.name
	}
	return strings.ToUpper(strings.Trim(strings.NewReplacer(".>", "", ".*", "", ">", "ALL", "*", "ANY", ".", "-").Replace(r.subject), "-"))
}

// checkSubject refuses what is no subject. Wildcards are for those who read.
func checkSubject(who, what, s string, wildcards bool) error {
	ok := s != "" && !strings.ContainsAny(s, " \t\r\n")
	tokens := strings.Split(s, ".")
	for i, t := range tokens {
		wild := t == "*" || t == ">" && i == len(tokens)-1
		ok = ok && t != "" && (wild && wildcards || !strings.ContainsAny(t, "*>"))
	}
	if ok {
		return nil
	}
	wanted := "words with dots between them"
	if wildcards {
		wanted += "; * for one, > for the rest"
	}
	return &events.Fault{Kind: events.ErrInvalid, Who: who, What: what, Wanted: wanted, Got: `"` + s + `"`}
}
