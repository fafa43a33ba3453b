package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"dewclaw/testdata/outside"
)

// has is the condition have:PROGRAM: a program of the system that CI must have.
func has(cond string) (bool, error) {
	program, ok := strings.CutPrefix(cond, "have:")
	if !ok {
		return false, fmt.Errorf("unknown condition %q", cond)
	}
	return outside.Have(program)
}

// startMosquitto starts a real broker and names it.
func startMosquitto(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: mosquitto VARIABLE")
	}
	dir := ts.MkAbs("mosquitto")
	ts.Check(os.MkdirAll(dir, 0o700))
	s, err := outside.Mosquitto(dir)
	ts.Check(err)
	ts.Check(s.Start())
	ts.Defer(func() { _ = s.Stop() })
	ts.Setenv(args[0], "mqtt://"+s.Address())
	ts.Setenv("MQTT_PORT", fmt.Sprint(s.Port))
}

// startRedis and startPostgres start real servers and name them.
func startRedis(ts *testscript.TestScript, neg bool, args []string) {
	s := startServer(ts, neg, args, outside.Redis)
	ts.Setenv(args[0], "redis://"+s.Address()+"/0")
}

func startPostgres(ts *testscript.TestScript, neg bool, args []string) {
	s := startServer(ts, neg, args, outside.Postgres)
	ts.Setenv(args[0], "postgres://"+s.Address()+"/postgres?sslmode=disable")
	ts.Setenv("PGUSER", "dewclaw") // for psql
}

func startServer(ts *testscript.TestScript, neg bool, args []string, make func(dir string) (*outside.Server, error)) *outside.Server {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: SERVER VARIABLE")
	}
	top, err := os.MkdirTemp("", "dewclaw-server-") // the folder of a script is closed to other users
	ts.Check(err)
	ts.Defer(func() { _ = os.RemoveAll(top) })
	dir := filepath.Join(top, args[0])
	ts.Check(os.Mkdir(dir, 0o755))
	s, err := make(dir)
	ts.Check(err)
	ts.Check(s.Start())
	ts.Defer(func() { _ = s.Stop() })
	return s
}

// listen writes what is published from now on to a file, one message a line,
// with a client that has nothing of ours.
func listen(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: mqtt-listen TOPIC FILE FORMAT")
	}
	f, err := os.Create(filepath.Clean(ts.MkAbs(args[1])))
	ts.Check(err)
	cmd := exec.Command("mosquitto_sub", "-i", "listener", "-V", "5", "-p", ts.Getenv("MQTT_PORT"), "-q", "1", "-t", args[0], "-F", args[2])
	cmd.Stdout = f
	ts.Check(cmd.Start())
	ts.Defer(func() { _ = cmd.Process.Kill(); _ = cmd.Wait(); _ = f.Close() })
	for end := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		log, err := os.ReadFile(ts.MkAbs("mosquitto/server.log"))
		ts.Check(err)
		if strings.Contains(string(log), "Sending SUBACK to listener") {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("no subscription")
		}
	}
}
