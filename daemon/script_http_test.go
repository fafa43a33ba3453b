package main

import (
	"net"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// freePort sets a variable to the number of a port that nobody listens on.
func freePort(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: free-port VARIABLE")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	_, port, err := net.SplitHostPort(l.Addr().String())
	ts.Check(err)
	ts.Check(l.Close())
	ts.Setenv(args[0], port)
}

// makeToken sets variables to a token and its hash, as the command token makes them.
func makeToken(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: make-token TOKEN HASH --source …")
	}
	ts.Check(ts.Exec("dewclaw", append([]string{"token", "device"}, args[2:]...)...))
	out := ts.ReadFile("stdout")
	token, rest, _ := strings.Cut(out, "\n")
	_, hash, ok := strings.Cut(rest, `sha256: "`)
	if !ok || len(hash) < 64 {
		ts.Fatalf("no hash in %q", out)
	}
	ts.Setenv(args[0], token)
	ts.Setenv(args[1], hash[:64])
}
