package main

import (
	"testing"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// startJetStream starts a NATS server, which ends with the test.
func startJetStream(t testing.TB) (url string, conn *nats.Conn, js jetstream.JetStream) {
	t.Helper()
	s, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: t.TempDir(), SyncAlways: true, NoLog: true, NoSigs: true,
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(patience) {
		t.Fatal("NATS server does not answer")
	}
	if conn, err = nats.Connect(s.ClientURL()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	if js, err = jetstream.New(conn); err != nil {
		t.Fatal(err)
	}
	return s.ClientURL(), conn, js
}
