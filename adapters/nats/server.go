package nats

import (
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"dewclaw/events"

	"github.com/nats-io/nats.go"
)

// A Server says how to reach a NATS server.
type Server struct {
	URL  string // nats://, tls://, ws:// or wss://; several with commas between them; without user or password
	Name string // of the client, for the server's operator

	Creds, NKey           string // files: a .creds file, an NKey seed
	User, Password, Token Secret
	CA, Cert, Key         string // PEM files: what the server is checked against, what the client shows

	Getenv func(string) string      // for secrets from the environment; nil means os.Getenv
	Dial   func() (net.Conn, error) // the way to a server in this process; nil means by URL
}

// A dialled is a server in this process, as the client library wants it.
type dialled func() (net.Conn, error)

// InProcessConn implements [nats.InProcessConnProvider].
func (d dialled) InProcessConn() (net.Conn, error) { return d() }

// A Secret is read from a file or the environment at every connect. The zero
// value is no secret.
type Secret struct{ File, Env string }

func (s Secret) isZero() bool { return s == Secret{} }

// value reads the secret. A line end behind it is not part of it.
func (s Secret) value(getenv func(string) string) (string, error) {
	if s.File == "" {
		return getenv(s.Env), nil
	}
	b, err := os.ReadFile(s.File)
	return strings.TrimRight(string(b), "\r\n"), err
}

const (
	dialTimeout      = 5 * time.Second
	firstReconnect   = 100 * time.Millisecond
	longestReconnect = 30 * time.Second
)

// check refuses a server that cannot be right.
func (s *Server) check(who string) error {
	bad := func(what, wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: who, What: what, Wanted: wanted, Got: got}
	}
	if s.URL == "" {
		return bad("NATS server", "a URL such as nats://localhost:4222", "none")
	}
	for _, part := range strings.Split(s.URL, ",") {
		u, err := url.Parse(strings.TrimSpace(part))
		switch {
		case err != nil:
			return bad("NATS server", "a URL such as nats://localhost:4222", "something else")
		case u.User != nil:
			return bad("NATS server", "a URL without user and password", "one with them; give them as files or environment variables")
		case u.Scheme != "nats" && u.Scheme != "tls" && u.Scheme != "ws" && u.Scheme != "wss":
			return bad("NATS server", "nats://, tls://, ws:// or wss://", u.Scheme+"://")
		}
	}
	if (s.Cert == "") != (s.Key == "") {
		return bad("TLS certificate", "cert and key together", "one of them")
	}
	return s.checkFiles(who)
}

func (s *Server) checkFiles(who string) error {
	unreadable := func(name string, err error) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: who, Where: name, What: "credentials of the NATS server", Cause: err}
	}
	for _, name := range []string{s.Creds, s.NKey, s.User.File, s.Password.File, s.Token.File} {
		if name == "" {
			continue
		}
		if f, err := os.Open(name); err != nil {
			return unreadable(name, err)
		} else if err := f.Close(); err != nil {
			return unreadable(name, err)
		}
	}
	if s.CA != "" {
		b, err := os.ReadFile(s.CA)
		if err != nil {
			return unreadable(s.CA, err)
		}
		if !x509.NewCertPool().AppendCertsFromPEM(b) {
			return &events.Fault{Kind: events.ErrInvalid, Who: who, Where: s.CA, What: "CA file", Wanted: "certificates in PEM form", Got: "none"}
		}
	}
	if s.Cert != "" {
		if _, err := tls.LoadX509KeyPair(s.Cert, s.Key); err != nil {
			return unreadable(s.Cert, err)
		}
	}
	return nil
}

// options are those of every connection. Secrets are read again at each connect.
func (s *Server) options() ([]nats.Option, error) {
	o := []nats.Option{
		nats.Name(s.Name), nats.Timeout(dialTimeout), nats.MaxReconnects(-1), nats.IgnoreAuthErrorAbort(),
		nats.CustomReconnectDelay(func(attempts int) time.Duration {
			return min(firstReconnect<<min(attempts, 16), longestReconnect)
		}),
	}
	if s.Dial != nil {
		o = append(o, nats.InProcessServer(dialled(s.Dial)))
	}
	getenv := s.Getenv
	if getenv == nil {
		getenv = os.Getenv
	}
	if s.Creds != "" {
		o = append(o, nats.UserCredentials(s.Creds))
	}
	if s.NKey != "" {
		key, err := nats.NkeyOptionFromSeed(s.NKey)
		if err != nil {
			return nil, err
		}
		o = append(o, key)
	}
	if !s.User.isZero() || !s.Password.isZero() {
		o = append(o, nats.UserInfoHandler(func() (string, string) {
			user, _ := s.User.value(getenv)
			password, _ := s.Password.value(getenv)
			return user, password
		}))
	}
	if !s.Token.isZero() {
		o = append(o, nats.TokenHandler(func() string {
			token, _ := s.Token.value(getenv)
			return token
		}))
	}
	if s.CA != "" {
		o = append(o, nats.RootCAs(s.CA))
	}
	if s.Cert != "" {
		o = append(o, nats.ClientCert(s.Cert, s.Key))
	}
	return o, nil
}
