package streamlog

import (
	"crypto/tls"
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"

	"dewclaw/events"
	"dewclaw/testdata/outside"
)

// A log by URL gets in with its credentials and not without; a file that is no
// credential is named.
func TestLogin(t *testing.T) {
	key, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	public, _ := key.PublicKey()
	seed, _ := key.Seed()
	seedFile := filepath.Join(t.TempDir(), "seed")
	if err := os.WriteFile(seedFile, seed, 0o600); err != nil {
		t.Fatal(err)
	}
	ca, certFile, keyFile := outside.Certificates(t)
	pair, err := tls.LoadX509KeyPair(certFile, keyFile)
	if err != nil {
		t.Fatal(err)
	}
	says := func(s string) func() (string, error) { return func() (string, error) { return s, nil } }
	tests := []struct {
		name   string
		server func(*server.Options)
		login  Login
	}{
		{"user and password", func(o *server.Options) { o.Username, o.Password = "barn", "straw" }, Login{User: says("barn"), Password: says("straw")}},
		{"token", func(o *server.Options) { o.Authorization = "straw" }, Login{Token: says("straw")}},
		{"nkey", func(o *server.Options) { o.Nkeys = []*server.NkeyUser{{Nkey: public}} }, Login{NKey: seedFile}},
		{"a certificate of its own", func(o *server.Options) {
			o.TLS, o.TLSTimeout, o.TLSConfig = true, 5, &tls.Config{Certificates: []tls.Certificate{pair}}
		}, Login{CA: ca}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			x := startExternal(t, tt.server)
			o := Options{Dir: t.TempDir(), URL: x.url, Stream: "herd-log", Now: time.Now}
			if l, err := Open(t.Context(), o); !errors.Is(err, events.ErrUnavailable) {
				t.Errorf("without: got %v, want unavailable", err)
				if err == nil {
					_ = l.Close()
				}
			}
			o.Login = tt.login
			l := open(t, o)
			if pos := eventually(t, l, entry("s", 1, 10)); pos != 1 {
				t.Errorf("got position %d, want 1", pos)
			}
		})
	}
	t.Run("no seed", func(t *testing.T) {
		x := startExternal(t)
		_, err := Open(t.Context(), Options{Dir: t.TempDir(), URL: x.url, Stream: "herd-log", Now: time.Now, Login: Login{NKey: ca}})
		if f := (*events.Fault)(nil); !errors.Is(err, events.ErrInvalid) || !errors.As(err, &f) || f.Where != ca {
			t.Errorf("got %v, want invalid, with the file", err)
		}
	})
}
