package outside

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Certificates makes a root and one certificate of 127.0.0.1 for either side of a
// connection, as PEM files that last for an hour.
func Certificates(t testing.TB) (ca, cert, key string) {
	t.Helper()
	dir, now := t.TempDir(), time.Now()
	create := func(name string, c, parent *x509.Certificate, signer *ecdsa.PrivateKey) (der []byte, own *ecdsa.PrivateKey) {
		own, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		if err != nil {
			t.Fatal(err)
		}
		if parent == nil {
			parent, signer = c, own
		}
		c.SerialNumber, c.Subject = big.NewInt(now.UnixNano()), pkix.Name{CommonName: name}
		c.NotBefore, c.NotAfter = now.Add(-time.Hour), now.Add(time.Hour)
		if der, err = x509.CreateCertificate(rand.Reader, c, parent, &own.PublicKey, signer); err != nil {
			t.Fatal(err)
		}
		return der, own
	}
	write := func(name, kind string, der []byte) string {
		file := filepath.Join(dir, name)
		if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	root := &x509.Certificate{IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	rootDER, rootKey := create("root", root, nil, nil)
	leafDER, leafKey := create("127.0.0.1", &x509.Certificate{
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, KeyUsage: x509.KeyUsageDigitalSignature,
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth},
	}, root, rootKey)
	raw, err := x509.MarshalPKCS8PrivateKey(leafKey)
	if err != nil {
		t.Fatal(err)
	}
	return write("root.pem", "CERTIFICATE", rootDER), write("cert.pem", "CERTIFICATE", leafDER), write("key.pem", "PRIVATE KEY", raw)
}
