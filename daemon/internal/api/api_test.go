package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"dewclaw/events"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

type count struct {
	To int `json:"to"`
}

// table has one operation for every way an answer can go.
func table(stopped chan<- struct{}) Operations {
	return Operations{
		"count": Typed(func(_ context.Context, in count, emit func(any) error) error {
			for i := range in.To {
				if err := emit(map[string]int{"n": i}); err != nil {
					return err
				}
			}
			return nil
		}),
		"refuse": Typed(func(_ context.Context, _ struct{}, emit func(any) error) error {
			if err := emit("one item first"); err != nil {
				return err
			}
			return errors.Join(
				&events.Fault{Kind: events.ErrInvalid, Who: "feed vet", Where: "a.yaml:3:1", What: "field", Wanted: "x", Got: "y", Hints: []string{"do this", "or that"}},
				fmt.Errorf("read entry: %w", events.ErrCorrupt),
				errors.New("a bug"),
			)
		}),
		"panic": Typed(func(context.Context, struct{}, func(any) error) error { panic("on purpose") }),
		"forever": Typed(func(ctx context.Context, _ struct{}, emit func(any) error) error {
			defer close(stopped)
			if err := emit("started"); err != nil {
				return err
			}
			time.Sleep(2 * flushAfter) // the next item is sent on at once, with the one before it
			if err := emit("still here"); err != nil {
				return err
			}
			<-ctx.Done()
			return ctx.Err()
		}),
	}
}

func start(t *testing.T, dir string, o Options) *Client {
	t.Helper()
	o.Logger = slog.New(slog.DiscardHandler)
	s, err := Listen(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- s.Serve() }()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		defer cancel()
		if err := s.Close(ctx); err != nil {
			t.Errorf("close: %v", err)
		}
		if err := <-done; err != nil {
			t.Errorf("serve: %v", err)
		}
		if _, err := os.Lstat(filepath.Join(dir, SocketName)); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("socket is left: %v", err)
		}
	})
	c, err := Dial(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func ask(t *testing.T, c Caller, name string, in any) ([]string, error) {
	t.Helper()
	var items []string
	err := c.Ask(t.Context(), name, in, func(b json.RawMessage) error {
		items = append(items, string(b))
		return nil
	})
	return items, err
}

// TestAsk_IsTheSameBothWays compares the table in its own process with the
// table behind a socket: items, text, kinds and hints.
func TestAsk_IsTheSameBothWays(t *testing.T) {
	o := table(nil)
	c := start(t, t.TempDir(), Options{Operations: o})
	tests := []struct {
		name string
		in   any
		n    int
	}{
		{"count", count{0}, 0},
		{"count", count{3}, 3},
		{"count", count{20_000}, 20_000},
		{"refuse", struct{}{}, 1},
		{"count", "not an object", 0},
		{"nothing of that name", struct{}{}, 0},
	}
	for _, tt := range tests {
		direct, derr := ask(t, o, tt.name, tt.in)
		far, ferr := ask(t, c, tt.name, tt.in)
		if !slices.Equal(direct, far) || len(far) != tt.n {
			t.Errorf("%s(%v): %d items direct, %d by socket, wanted %d", tt.name, tt.in, len(direct), len(far), tt.n)
		}
		if (derr == nil) != (ferr == nil) {
			t.Fatalf("%s(%v): direct error %v, by socket %v", tt.name, tt.in, derr, ferr)
		}
		d, f := Faults(derr), Faults(ferr)
		if fmt.Sprint(d) != fmt.Sprint(f) {
			t.Errorf("%s(%v):\ndirect    %q\nby socket %q", tt.name, tt.in, d, f)
		}
		for _, k := range kinds {
			if errors.Is(derr, k.err) != errors.Is(ferr, k.err) {
				t.Errorf("%s(%v): kind %s: direct %v, by socket %v", tt.name, tt.in, k.name, errors.Is(derr, k.err), errors.Is(ferr, k.err))
			}
		}
	}
}

func TestAsk_APanicSpoilsOneAnswerOnly(t *testing.T) {
	c := start(t, t.TempDir(), Options{Operations: table(nil)})
	if _, err := ask(t, c, "panic", struct{}{}); err == nil || !strings.Contains(err.Error(), "on purpose") {
		t.Errorf("got %v, wanted the panic named", err)
	}
	if items, err := ask(t, c, "count", count{2}); err != nil || len(items) != 2 {
		t.Errorf("after it: %v, %v", items, err)
	}
}

// TestAsk_StopsTheOperationWhenTheCallerLeaves also shows that items are sent
// on while the operation runs.
func TestAsk_StopsTheOperationWhenTheCallerLeaves(t *testing.T) {
	stopped := make(chan struct{})
	c := start(t, t.TempDir(), Options{Operations: table(stopped)})
	ctx, cancel := context.WithCancel(t.Context())
	err := c.Ask(ctx, "forever", struct{}{}, func(json.RawMessage) error { cancel(); return nil })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, wanted canceled", err)
	}
	select {
	case <-stopped:
	case <-time.After(10 * time.Second):
		t.Fatal("the operation still runs")
	}
}

func TestClose_CutsOffWhatDoesNotEnd(t *testing.T) {
	dir, stopped := t.TempDir(), make(chan struct{})
	s, err := Listen(dir, Options{Operations: table(stopped), Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- s.Serve() }()
	c, err := Dial(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	asked, began := make(chan error, 1), make(chan struct{}, 2)
	go func() {
		asked <- c.Ask(t.Context(), "forever", struct{}{}, func(json.RawMessage) error { began <- struct{}{}; return nil })
	}()
	<-began
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := s.Close(ctx); err != nil {
		t.Errorf("close: %v", err)
	}
	<-stopped
	if err := <-asked; err == nil {
		t.Error("the caller got no error")
	}
	if err := <-served; err != nil {
		t.Errorf("serve: %v", err)
	}
}

func TestListen_MakesASocketForItsOwnerOnly(t *testing.T) {
	dir := t.TempDir()
	start(t, dir, Options{Operations: table(nil)})
	st, err := os.Stat(filepath.Join(dir, SocketName))
	if err != nil {
		t.Fatal(err)
	}
	if st.Mode().Perm() != 0o600 || st.Mode()&fs.ModeSocket == 0 {
		t.Errorf("mode is %v, wanted a socket of mode 0600", st.Mode())
	}
}

// TestListen_WorksAtAPathTooLongForASocket: sun_path holds 108 bytes (unix(7)).
func TestListen_WorksAtAPathTooLongForASocket(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("long-folder-name/", 12))
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	short, err := os.MkdirTemp("", "dc")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(short)
	for range 2 { // the second start finds the link of a daemon that died
		if err := os.Symlink(filepath.Join(short, private+"dead", "s"), filepath.Join(dir, SocketName)); err != nil {
			t.Fatal(err)
		}
		t.Run("", func(t *testing.T) {
			c := start(t, dir, Options{Operations: table(nil), Short: []string{filepath.Join(short, "is not there"), short}})
			if items, err := ask(t, c, "count", count{2}); err != nil || len(items) != 2 {
				t.Errorf("got %v, %v", items, err)
			}
			st, err := os.Stat(filepath.Join(dir, SocketName))
			if err != nil || st.Mode().Perm() != 0o600 {
				t.Errorf("got %v, %v; wanted mode 0600", st, err)
			}
		})
	}
	if left, _ := os.ReadDir(short); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestListen_NamesAPathTooLongWithoutAShortOne(t *testing.T) {
	dir := filepath.Join(t.TempDir(), strings.Repeat("long-folder-name/", 12))
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	_, err := Listen(dir, Options{Short: []string{dir}, Logger: slog.New(slog.DiscardHandler)})
	if !errors.Is(err, events.ErrInvalid) || len(events.Hints(err)) == 0 {
		t.Errorf("got %v, wanted kind invalid with a hint", err)
	}
}

// TestServer_AdmitsWhoGoesByItsConfig has a path with characters that no header can have.
func TestServer_AdmitsWhoGoesByItsConfig(t *testing.T) {
	const own = "/srv/Höfe & Ställe/100% \"a\"\n.yaml"
	c := start(t, t.TempDir(), Options{Operations: table(nil), Admits: func(config string) error {
		if config != own {
			return &events.Fault{Kind: events.ErrInvalid, What: "config", Got: config}
		}
		return nil
	}})
	for config, want := range map[string]error{"": nil, own: nil, "/srv/other.yaml": events.ErrInvalid} {
		items, err := ask(t, c.As(config), "count", count{2})
		if !errors.Is(err, want) || (want == nil) != (len(items) == 2) {
			t.Errorf("%q: got %v, %v; wanted %v", config, items, err, want)
		}
	}
}

func TestDial_SaysThatNobodyAnswers(t *testing.T) {
	dir := t.TempDir()
	if _, err := Dial(t.Context(), dir); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("no socket: got %v", err)
	}
	l, err := listen(filepath.Join(dir, SocketName))
	if err != nil {
		t.Fatal(err)
	}
	l.Close() // the socket stays, as after a kill
	if _, err := Dial(t.Context(), dir); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("dead socket: got %v", err)
	}
	c := start(t, dir, Options{Operations: table(nil)})
	if _, err := ask(t, c, "count", count{1}); err != nil {
		t.Errorf("replaced: %v", err)
	}
}

func TestState_GivesTheReasons(t *testing.T) {
	why := []string{"source chute: folder is not there"}
	c := start(t, t.TempDir(), Options{Ready: func() []string { return why }})
	if got, err := c.State(t.Context(), "healthz"); err != nil || len(got) != 0 {
		t.Errorf("healthz: %v, %v", got, err)
	}
	if got, err := c.State(t.Context(), "readyz"); err != nil || !slices.Equal(got, why) {
		t.Errorf("readyz: %v, %v", got, err)
	}
}

func TestSplit_KeepsAnErrorThatSaysSomethingOfItsOwn(t *testing.T) {
	wrapped := fmt.Errorf("write entry: %w: %w", errors.New("disk"), events.ErrUnavailable)
	tests := []struct {
		name string
		err  error
		want int
	}{
		{"nil", nil, 0},
		{"plain", errors.New("x"), 1},
		{"wrapped", wrapped, 1},
		{"joined", errors.Join(wrapped, wrapped), 2},
		{"joined twice", errors.Join(errors.Join(wrapped, wrapped), wrapped), 3},
		{"fault with a cause", &events.Fault{Kind: events.ErrInvalid, What: "x", Cause: errors.Join(wrapped, wrapped)}, 1},
	}
	for _, tt := range tests {
		if got := Split(tt.err); len(got) != tt.want {
			t.Errorf("%s: got %d parts %q, wanted %d", tt.name, len(got), got, tt.want)
		}
	}
}
