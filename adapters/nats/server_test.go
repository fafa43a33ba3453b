package nats

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"

	"dewclaw/events"
	"dewclaw/testdata/outside"
)

func file(t *testing.T, body string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "secret")
	must(t, os.WriteFile(name, []byte(body), 0o600))
	return name
}

// reach reports whether the server lets us in.
func reach(t *testing.T, s Server) error {
	t.Helper()
	l, err := newLink("feed vet", s, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	_, _, err = l.get(t.Context())
	return err
}

func TestServer_ShowsItsCredentials(t *testing.T) {
	key, err := nkeys.CreateUser()
	must(t, err)
	public, err := key.PublicKey()
	must(t, err)
	seed, err := key.Seed()
	must(t, err)
	withUser := func(o *server.Options) { o.Username, o.Password = "vet", "hunter2" }
	env := func(name string) string { return map[string]string{"VET_USER": "vet", "VET_TOKEN": "hunter2"}[name] }
	tests := []struct {
		name        string
		server      func(*server.Options)
		right, none func(*Server)
	}{
		{"user and password", withUser,
			func(s *Server) { s.User = Secret{Env: "VET_USER"}; s.Password = Secret{File: file(t, "hunter2\n")} },
			func(s *Server) { s.User = Secret{Env: "VET_USER"}; s.Password = Secret{File: file(t, "hunter3")} }},
		{"token", func(o *server.Options) { o.Authorization = "hunter2" },
			func(s *Server) { s.Token = Secret{Env: "VET_TOKEN"} }, func(s *Server) { s.Token = Secret{Env: "NOT_SET"} }},
		{"nkey", func(o *server.Options) { o.Nkeys = []*server.NkeyUser{{Nkey: public}} },
			func(s *Server) { s.NKey = file(t, string(seed)) }, func(*Server) {}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := newBroker(t, tt.server)
			right, none := b.server(), b.server()
			right.Getenv, none.Getenv = env, env
			tt.right(&right)
			tt.none(&none)
			if err := reach(t, right); err != nil {
				t.Errorf("with the right credentials: %v", err)
			}
			err := reach(t, none)
			if !errors.Is(err, events.ErrUnavailable) || len(events.Hints(err)) == 0 {
				t.Errorf("without: %v, want unavailable and a hint", err)
			}
			if err != nil && strings.Contains(err.Error(), "hunter") {
				t.Errorf("a secret stands in %q", err)
			}
		})
	}
}

func TestServer_ShowsACredsFile(t *testing.T) {
	operator, err := nkeys.CreateOperator()
	must(t, err)
	account, err := nkeys.CreateAccount()
	must(t, err)
	user, err := nkeys.CreateUser()
	must(t, err)
	public := func(k nkeys.KeyPair) string {
		p, err := k.PublicKey()
		must(t, err)
		return p
	}
	oc, err := jwt.NewOperatorClaims(public(operator)).Encode(operator)
	must(t, err)
	ac, err := jwt.NewAccountClaims(public(account)).Encode(operator)
	must(t, err)
	uc, err := jwt.NewUserClaims(public(user)).Encode(account)
	must(t, err)
	seed, err := user.Seed()
	must(t, err)
	creds, err := jwt.FormatUserConfig(uc, seed)
	must(t, err)
	b := newBroker(t, func(o *server.Options) {
		claims, err := jwt.DecodeOperatorClaims(oc)
		must(t, err)
		resolver := &server.MemAccResolver{}
		must(t, resolver.Store(public(account), ac))
		o.TrustedOperators, o.AccountResolver, o.JetStream = []*jwt.OperatorClaims{claims}, resolver, false
	})
	s := b.server()
	if err := reach(t, s); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("without: %v, want unavailable", err)
	}
	s.Creds = file(t, string(creds))
	if err := reach(t, s); err != nil {
		t.Errorf("with the right file: %v", err)
	}
}

func TestServer_SpeaksTLS(t *testing.T) {
	ca, cert, key := outside.Certificates(t)
	pair, err := tls.LoadX509KeyPair(cert, key)
	must(t, err)
	pool := x509.NewCertPool()
	caPEM, err := os.ReadFile(ca)
	must(t, err)
	pool.AppendCertsFromPEM(caPEM)
	b := newBroker(t, func(o *server.Options) {
		o.TLS, o.TLSTimeout = true, 10
		o.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert}
	})
	s := b.server()
	s.CA, s.Cert, s.Key = ca, cert, key
	if err := reach(t, s); err != nil {
		t.Errorf("with certificates: %v", err)
	}
	s.Cert, s.Key = "", ""
	if err := reach(t, s); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("without one of ours: %v, want unavailable", err)
	}
	s.CA = ""
	if err := reach(t, s); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("without one to check against: %v, want unavailable", err)
	}
}

func TestToken_MakesOneWord(t *testing.T) {
	for in, want := range map[string]string{"larkfield": "larkfield", "stony-run": "stony-run", "a.b c*d>e%": "a%2Eb%20c%2Ad%3Ee%25", "ü": "%C3%BC"} {
		if got := token(in); got != want {
			t.Errorf("token(%q) = %q, want %q", in, got, want)
		}
	}
}

func TestNewName(t *testing.T) {
	for in, want := range map[string]string{"herd.out.>": "HERD-OUT", "chute.>": "CHUTE", "a.*.b": "A-B", ">": "ALL", "*": "ANY", "chute": "CHUTE"} {
		if got := (streamRef{subject: in}).newName(); got != want {
			t.Errorf("name for %q = %q, want %q", in, got, want)
		}
	}
}
