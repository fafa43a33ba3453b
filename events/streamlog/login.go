package streamlog

import (
	"errors"

	"dewclaw/events"

	"github.com/nats-io/nats.go"
)

// A Login is how to show the server of a log by URL who one is, and how to know
// the server. The zero value shows nothing. At most one of Creds, NKey, Token and
// User is set. Creds is read again at every connect, the rest once.
type Login struct {
	Creds, NKey    string // files: NATS credentials, an NKey seed
	User, Password func() (string, error)
	Token          func() (string, error)
	CA, Cert, Key  string // PEM files: what vouches for the server; what the client shows
}

// options are those of the connection. A file that cannot be used is an error of
// kind [events.ErrInvalid].
func (g *Login) options() ([]nats.Option, error) {
	var o []nats.Option
	bad := func(file string, err error) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: "log", Where: file, What: "login to the NATS server", Cause: err}
	}
	if g.Creds != "" {
		o = append(o, nats.UserCredentials(g.Creds))
	}
	if g.NKey != "" {
		key, err := nats.NkeyOptionFromSeed(g.NKey)
		if err != nil {
			return nil, bad(g.NKey, err)
		}
		o = append(o, key)
	}
	if g.User != nil {
		user, err := g.User()
		password, perr := g.Password()
		if err = errors.Join(err, perr); err != nil {
			return nil, bad("user", err)
		}
		o = append(o, nats.UserInfo(user, password))
	}
	if g.Token != nil {
		token, err := g.Token()
		if err != nil {
			return nil, bad("token", err)
		}
		o = append(o, nats.Token(token))
	}
	if g.CA != "" {
		o = append(o, nats.RootCAs(g.CA))
	}
	if g.Cert != "" {
		o = append(o, nats.ClientCert(g.Cert, g.Key))
	}
	return o, nil
}
