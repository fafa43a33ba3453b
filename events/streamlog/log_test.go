package streamlog

import (
	"flag"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"dewclaw/events"
)

var long = flag.Bool("long", false, "run the long form of the slow tests")

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		os.Exit(appendForEver(dir))
	}
	if dir := os.Getenv(lazyDir); dir != "" {
		os.Exit(publishForEver(dir))
	}
	if node := os.Getenv(clusterNode); node != "" {
		os.Exit(serveNode(node))
	}
	goleak.VerifyTestMain(m)
}

// clock is a clock that stands still.
func clock() time.Time { return time.Date(2026, 4, 1, 6, 30, 0, 0, time.UTC) }

// testLogger shows errors of server and connection in the test's output.
func testLogger(t testing.TB) *slog.Logger {
	return slog.New(slog.NewTextHandler(testWriter{t}, &slog.HandlerOptions{Level: slog.LevelInfo}))
}

type testWriter struct{ t testing.TB }

func (w testWriter) Write(b []byte) (int, error) {
	w.t.Log(strings.TrimSpace(string(b)))
	return len(b), nil
}

// open opens a log in dir that the test closes.
func open(t testing.TB, opt Options) *Log {
	t.Helper()
	opt.Now = clock
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	l, err := Open(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { shut(t, l) })
	return l
}

func shut(t testing.TB, l *Log) {
	t.Helper()
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

// entry makes an entry with n events of about size bytes each.
func entry(source string, n, size int) *events.Entry {
	e := &events.Entry{Cause: events.CauseChunk, Source: source, Counts: events.Counts{Read: n, Accepted: n}}
	pad := strings.Repeat("x", max(0, size-60))
	for i := range n {
		e.Events = append(e.Events, fmt.Appendf(nil, `{"kind":"lesion","entity":"e%09d","data":{"remarks":"%s"}}`, i, pad))
	}
	return e
}

func mustAppend(t testing.TB, l *Log, e *events.Entry) events.Position {
	t.Helper()
	pos, err := l.Append(t.Context(), e)
	if err != nil {
		t.Fatal(err)
	}
	return pos
}
