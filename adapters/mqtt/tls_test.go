package mqtt

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewclaw/events"
)

// An authority makes certificates in a folder.
type authority struct {
	t    *testing.T
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

func newAuthority(t *testing.T, dir string) *authority {
	a := &authority{t: t, dir: dir}
	a.cert, a.key = a.make("ca", &x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign})
	return a
}

// make writes NAME.crt and NAME.key.
func (a *authority) make(name string, c *x509.Certificate) (*x509.Certificate, *ecdsa.PrivateKey) {
	a.t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(a.t, err)
	c.SerialNumber, c.Subject = big.NewInt(time.Now().UnixNano()), pkix.Name{CommonName: name}
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(time.Hour)
	parent, signer := c, key
	if a.cert != nil {
		parent, signer = a.cert, a.key
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	must(a.t, err)
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	must(a.t, err)
	for file, block := range map[string]*pem.Block{".crt": {Type: "CERTIFICATE", Bytes: der}, ".key": {Type: "PRIVATE KEY", Bytes: raw}} {
		must(a.t, os.WriteFile(filepath.Join(a.dir, name+file), pem.EncodeToMemory(block), 0o600))
	}
	made, err := x509.ParseCertificate(der)
	must(a.t, err)
	return made, key
}

// With mqtts:// both sides show who they are; a broker that nobody vouches for is
// not spoken to.
func TestNext_SpeaksTLS(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		dir := t.TempDir()
		ca := newAuthority(t, dir)
		ca.make("broker", &x509.Certificate{IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
		ca.make("barn", &x509.Certificate{ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
		in := func(name string) string { return filepath.Join(dir, name) }
		b := newBroker(t, "cafile "+in("ca.crt"), "certfile "+in("broker.crt"), "keyfile "+in("broker.key"), "require_certificate true")
		secure := func(o *SourceOptions) {
			o.Server.URL, o.Server.Dial = "mqtts://"+b.Address(), nil
			o.Server.CA, o.Server.Cert, o.Server.Key = in("ca.crt"), in("barn.crt"), in("barn.key")
		}
		join(t, newSource(t, b, &log{}, version(v), secure))
		for name, change := range map[string]func(*Server){
			"nobody vouches": func(s *Server) { s.CA = "" },
			"no certificate": func(s *Server) { s.Cert, s.Key = "", "" },
		} {
			c := newSource(t, b, &log{}, version(v), secure, func(o *SourceOptions) { change(&o.Server) })
			if _, err := c.Next(t.Context()); !errors.Is(err, events.ErrUnavailable) {
				t.Errorf("%s: got %v", name, err)
			} else if name == "nobody vouches" && !strings.Contains(err.Error(), "certificate") {
				t.Errorf("%s: got %v", name, err)
			}
		}
	})
}
