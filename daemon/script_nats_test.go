package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rogpeppe/go-internal/testscript"
)

// natsServer of a script: a real server in the process of the test.
func startNATS(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: nats-server VARIABLE")
	}
	s, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: ts.MkAbs("nats"), NoLog: true, NoSigs: true,
	})
	ts.Check(err)
	s.Start()
	if !s.ReadyForConnections(patience) {
		ts.Fatalf("NATS server does not answer")
	}
	ts.Defer(func() { s.Shutdown(); s.WaitForShutdown() })
	ts.Setenv(args[0], s.ClientURL())
}

func connect(ts *testscript.TestScript) (jetstream.JetStream, func()) {
	c, err := nats.Connect(ts.Getenv("NATS"))
	ts.Check(err)
	js, err := jetstream.New(c)
	ts.Check(err)
	return js, c.Close
}

// makeStream makes a stream for some subjects.
func makeStream(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: stream NAME SUBJECT …")
	}
	js, done := connect(ts)
	defer done()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	_, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: args[0], Subjects: args[1:]})
	ts.Check(err)
}

// publish sends each line of a file as a message, acknowledged by the server.
func publish(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: publish SUBJECT FILE")
	}
	js, done := connect(ts)
	defer done()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for line := range strings.Lines(ts.ReadFile(args[1])) {
		_, err := js.Publish(ctx, args[0], []byte(strings.TrimRight(line, "\n")))
		ts.Check(err)
	}
}

// untilStream waits until a stream has N messages and writes them to a file,
// one a line.
func untilStream(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: until-stream NAME N FILE")
	}
	js, done := connect(ts)
	defer done()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	want := uint64(number(ts, args[1]))
	for ; ; time.Sleep(20 * time.Millisecond) {
		s, err := js.Stream(ctx, args[0])
		if err != nil && ctx.Err() == nil {
			continue
		}
		ts.Check(err)
		info, err := s.Info(ctx)
		ts.Check(err)
		if info.State.Msgs < want {
			continue
		}
		var b strings.Builder
		for n := info.State.FirstSeq; n <= info.State.LastSeq; n++ {
			m, err := s.GetMsg(ctx, n)
			ts.Check(err)
			b.Write(m.Data)
			b.WriteByte('\n')
		}
		ts.Check(os.WriteFile(filepath.Clean(ts.MkAbs(args[2])), []byte(b.String()), 0o644))
		if info.State.Msgs != want {
			ts.Fatalf("stream %s has %d messages, wanted %d", args[0], info.State.Msgs, want)
		}
		return
	}
}
