package main

import (
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"testing"
	"time"

	httpx "dewclaw/adapters/http"
	"dewclaw/testdata/outside"
)

// A renewed certificate under the same names answers the next connection; while the
// files hold no pair the one before does, and the daemon says so.
func TestCertificate_IsTakenUpWhenItIsRenewed(t *testing.T) {
	dir, now := t.TempDir(), time.Now()
	e := &engine{health: newHealth(slog.New(slog.DiscardHandler)), now: func() time.Time { return now }}
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	renew := func() (ca *x509.CertPool) {
		t.Helper()
		root, c, k := outside.Certificates(t)
		for from, to := range map[string]string{c: cert, k: key} {
			b, err := os.ReadFile(from)
			if err != nil {
				t.Fatal(err)
			}
			write(t, to, string(b))
		}
		b, err := os.ReadFile(root)
		if err != nil {
			t.Fatal(err)
		}
		ca = x509.NewCertPool()
		ca.AppendCertsFromPEM(b)
		now = now.Add(2 * lookEvery)
		return ca
	}
	first := renew()
	s, err := httpx.Listen(httpx.ServerOptions{
		Address: "127.0.0.1:0", Cert: cert, Key: key, Certificate: e.certificate(cert, key),
		Handler: http.NotFoundHandler(), Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve() }()
	t.Cleanup(func() {
		if err := s.Close(t.Context()); err != nil {
			t.Log(err)
		}
		<-done
	})
	trusts := func(ca *x509.CertPool) bool {
		c, err := tls.Dial("tcp", s.Address(), &tls.Config{RootCAs: ca})
		if err == nil {
			_ = c.Close()
		}
		return err == nil
	}
	if !trusts(first) || len(e.health.ready()) > 0 {
		t.Fatalf("the first pair does not answer: %v", e.health.ready())
	}
	second := renew()
	if trusts(first) || !trusts(second) {
		t.Error("the pair from before answers after the renewal")
	}
	write(t, key, "half a fi")
	now = now.Add(2 * lookEvery)
	if !trusts(second) || e.health.wrong("certificate "+cert) == "" {
		t.Errorf("in the middle of a renewal: wanted the pair from before and a reason, got %v", e.health.ready())
	}
	if third := renew(); !trusts(third) || len(e.health.ready()) > 0 {
		t.Errorf("after it: %v", e.health.ready())
	}
}
