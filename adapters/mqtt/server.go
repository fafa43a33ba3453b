package mqtt

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"net"
	"net/url"
	"os"
	"strings"
	"time"

	"dewclaw/events"
)

// A Version is a version of MQTT.
type Version string

// The versions that are spoken.
const (
	V5 Version = "5"
	V3 Version = "3.1.1"
)

// A Server says how to reach a broker.
type Server struct {
	URL            string // mqtt:// or mqtts:// (TLS), host and port; without user or password
	Version        Version
	User, Password Secret
	CA, Cert, Key  string // PEM files: what the broker is checked against, what the client shows

	KeepAlive time.Duration            // after so much silence the broker is asked whether it is there; 0 means 30 s
	Getenv    func(string) string      // for secrets from the environment; nil means os.Getenv
	Dial      func() (net.Conn, error) // nil means TCP
}

// A Secret is read from a file or the environment at every connect. The zero
// value is no secret.
type Secret struct{ File, Env string }

// value reads the secret. A line end behind it is not part of it.
func (s Secret) value(getenv func(string) string) (string, error) {
	switch {
	case s.File != "":
		b, err := os.ReadFile(s.File)
		return strings.TrimRight(string(b), "\r\n"), err
	case s.Env != "":
		return getenv(s.Env), nil
	}
	return "", nil
}

const dialTimeout = 5 * time.Second

func (s *Server) fill() {
	if s.KeepAlive <= 0 {
		s.KeepAlive = 30 * time.Second
	}
	if s.Version == "" {
		s.Version = V5
	}
	if s.Getenv == nil {
		s.Getenv = os.Getenv
	}
}

// check refuses a server that cannot be right.
func (s *Server) check(who string) error {
	bad := func(what, wanted, got string) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: who, What: what, Wanted: wanted, Got: got}
	}
	if codecs[s.Version] == nil {
		return bad("MQTT version", "5 or 3.1.1", string(s.Version))
	}
	u, err := url.Parse(s.URL)
	switch {
	case err != nil || u.Hostname() == "" || u.Scheme != "mqtt" && u.Scheme != "mqtts":
		return bad("MQTT broker", "a URL such as mqtt://localhost:1883, or mqtts:// for TLS", "something else")
	case u.User != nil:
		return bad("MQTT broker", "a URL without user and password", "one with them; give them as files or environment variables")
	case (s.Cert == "") != (s.Key == ""):
		return bad("TLS certificate", "cert and key together", "one of them")
	}
	for _, name := range []string{s.User.File, s.Password.File} {
		if name == "" {
			continue
		}
		if _, err := (Secret{File: name}).value(nil); err != nil {
			return &events.Fault{Kind: events.ErrInvalid, Who: who, Where: name, What: "credentials of the MQTT broker", Cause: err}
		}
	}
	if s.CA != "" || s.Cert != "" {
		if _, err := s.tls(); err != nil {
			return &events.Fault{Kind: events.ErrInvalid, Who: who, What: "certificates of the MQTT broker", Cause: err}
		}
	}
	return nil
}

func (s *Server) tls() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if s.CA != "" {
		b, err := os.ReadFile(s.CA)
		if err != nil {
			return nil, err
		}
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(b) {
			return nil, &events.Fault{Where: s.CA, Wanted: "certificates in PEM form", Got: "none"}
		}
	}
	if s.Cert != "" {
		pair, err := tls.LoadX509KeyPair(s.Cert, s.Key)
		if err != nil {
			return nil, err
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

// dial opens the way to the broker.
func (s *Server) dial(ctx context.Context) (net.Conn, error) {
	if s.Dial != nil {
		return s.Dial()
	}
	u, err := url.Parse(s.URL)
	if err != nil {
		return nil, err
	}
	port := u.Port()
	if port == "" {
		port = map[string]string{"mqtt": "1883", "mqtts": "8883"}[u.Scheme]
	}
	ctx, cancel := context.WithTimeout(ctx, dialTimeout)
	defer cancel()
	d := &net.Dialer{KeepAlive: 15 * time.Second}
	address := net.JoinHostPort(u.Hostname(), port)
	if u.Scheme == "mqtt" {
		return d.DialContext(ctx, "tcp", address)
	}
	c, err := s.tls()
	if err != nil {
		return nil, err
	}
	return (&tls.Dialer{NetDialer: d, Config: c}).DialContext(ctx, "tcp", address)
}

// hello adds who connects.
func (s *Server) hello(h hello) (hello, error) {
	var err error
	if h.user, err = s.User.value(s.Getenv); err != nil {
		return h, err
	}
	h.password, err = s.Password.value(s.Getenv)
	h.keepAlive = uint16(min(s.KeepAlive/time.Second+1, 3600))
	return h, err
}

// away is the error of a broker that does not answer now.
func (s *Server) away(who, what string, err error, hints ...string) *events.Fault {
	return &events.Fault{Kind: events.ErrUnavailable, Who: who, Where: s.URL, What: what, Cause: err, Hints: hints}
}
