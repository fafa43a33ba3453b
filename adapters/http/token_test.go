package http

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

func TestGuard_LetsInWhoHasATokenForIt(t *testing.T) {
	token, hash, err := NewToken(bytes.NewReader(make([]byte, 32)))
	if err != nil || HashToken(token) != hash {
		t.Fatalf("%q, %q, %v", token, hash, err)
	}
	now := time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC)
	g := &Guard{Now: func() time.Time { return now }, Passes: map[string]Pass{hash: {
		Name: "device", Expired: func(at time.Time) bool { return at.After(now) }, May: func(what, id string) bool { return what+id == "sourcechute" },
	}}}
	for _, tt := range []struct {
		name, header, id string
		late             bool
		status           int
		challenge        string
	}{
		{"its own source", "Bearer " + token, "chute", false, 0, ""},
		{"in other letters", "bearer " + token, "chute", false, 0, ""}, // RFC 9110, section 11.1: the scheme is case-insensitive
		{"no token", "", "chute", false, 401, `Bearer realm="dewclaw"`},
		{"its hash", "Bearer " + hash, "chute", false, 401, `Bearer realm="dewclaw", error="invalid_token"`}, // RFC 6750, section 3.1
		{"another way", "Basic " + token, "chute", false, 401, `Bearer realm="dewclaw"`},
		{"another source", "Bearer " + token, "other", false, 403, `Bearer realm="dewclaw", error="insufficient_scope"`},
		{"too late", "Bearer " + token, "chute", true, 401, `Bearer realm="dewclaw", error="invalid_token"`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := httptest.NewRequest("POST", "/", nil)
			if tt.header != "" {
				r.Header.Set("Authorization", tt.header)
			}
			own := *g
			if tt.late {
				own.Now = func() time.Time { return now.Add(time.Second) }
			}
			_, p := own.Check(r, "source", tt.id)
			switch {
			case tt.status == 0 && p != nil:
				t.Errorf("refused: %+v", p)
			case tt.status == 0:
			case p == nil:
				t.Error("let in")
			case p.Status != tt.status || p.Header.Get("Www-Authenticate") != tt.challenge:
				t.Errorf("got %d %v", p.Status, p.Header)
			}
		})
	}
}

func TestServer_SpeaksTLS(t *testing.T) {
	dir := t.TempDir()
	cert, key := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	out, err := exec.Command("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "1",
		"-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", key, "-out", cert).CombinedOutput()
	if err != nil {
		t.Fatalf("openssl: %v\n%s", err, out)
	}
	s, err := Listen(ServerOptions{
		Address: "127.0.0.1:0", Cert: cert, Key: key, Logger: slog.New(slog.DiscardHandler),
		Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { _, _ = io.WriteString(w, r.Proto) }),
	})
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve() }()
	pem, err := os.ReadFile(cert)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(pem)
	c := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}}
	w, err := c.Get("https://" + s.Address())
	if err != nil {
		t.Fatal(err)
	}
	b, _ := io.ReadAll(w.Body)
	w.Body.Close()
	if w.TLS == nil || string(b) != "HTTP/2.0" {
		t.Errorf("got %q, %v", b, w.TLS)
	}
	old := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS11}}}
	if _, err := old.Get("https://" + s.Address()); err == nil {
		t.Error("TLS 1.1 is let in") // RFC 8996: deprecated
	}
	c.CloseIdleConnections()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if err := s.Close(ctx); err != nil {
		t.Error(err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
	if _, err := Listen(ServerOptions{Address: "127.0.0.1:0", Cert: key, Key: cert, Logger: slog.New(slog.DiscardHandler)}); err == nil {
		t.Error("a key for a certificate is accepted")
	}
}
