package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"dewclaw/events"
)

// maxInput bounds the input of an operation: a held record that is fixed by its
// raw text is the largest one.
const maxInput = 16 << 20

// flushAfter is how old the first unsent item of an answer may get while
// further items come.
const flushAfter = 100 * time.Millisecond

// Options say what a [Server] answers with.
type Options struct {
	Operations Operations
	Admits     func(config string) error // refuses whoever asks by another config; nil admits all, and who names none is admitted
	Healthy    func() []string           // what is broken and will not mend by itself; nil or none: healthy
	Ready      func() []string           // why the daemon does not do its whole work now; nil or none: ready
	Short      []string                  // folders for the socket if the data folder's path is too long, in order
	Logger     *slog.Logger
}

// A Server answers for [Operations] on the socket of one data folder.
type Server struct {
	o      Options
	l      *net.UnixListener
	remove func() error
	http   *http.Server
	cancel context.CancelFunc
	open   sync.WaitGroup
}

// Listen makes the socket in the data folder dir, whose lock the caller holds,
// and replaces one that was left. It answers once [Server.Serve] is called.
// Errors are of kind unavailable, or invalid if no path is short enough.
func Listen(dir string, o Options) (*Server, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("make socket: %w", err)
	}
	if o.Short == nil {
		o.Short = []string{os.TempDir()}
	}
	l, remove, err := bind(dir, o.Short)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	s := &Server{o: o, l: l, remove: remove, cancel: cancel}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /v1/{name}", s.answer)
	mux.HandleFunc("GET /healthz", state(o.Healthy))
	mux.HandleFunc("GET /readyz", state(o.Ready))
	s.http = &http.Server{
		Handler:           mux,
		ReadHeaderTimeout: 10 * time.Second,
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ErrorLog:          slog.NewLogLogger(o.Logger.Handler(), slog.LevelWarn),
	}
	return s, nil
}

// Serve answers until [Server.Close] is called, and then returns nil. An error
// is of kind unavailable.
func (s *Server) Serve() error {
	if err := s.http.Serve(s.l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("answer on socket: %w: %w", err, events.ErrUnavailable)
	}
	return nil
}

// Close takes no further question, waits for the running ones until ctx ends,
// then cuts them off and waits for their operations to return. It removes the
// socket.
func (s *Server) Close(ctx context.Context) error {
	gone := s.remove()
	err := s.http.Shutdown(ctx)
	s.cancel()
	if err != nil {
		err = s.http.Close()
	}
	s.open.Wait()
	return errors.Join(gone, err)
}

func state(reasons func() []string) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) {
		var why []string
		if reasons != nil {
			why = reasons()
		}
		w.Header().Set("Content-Type", "application/json")
		if len(why) > 0 {
			w.WriteHeader(http.StatusServiceUnavailable)
		}
		json.NewEncoder(w).Encode(struct {
			OK      bool     `json:"ok"`
			Reasons []string `json:"reasons,omitempty"`
		}{len(why) == 0, why})
	}
}

// line is one line of an answer.
type line struct {
	Item   json.RawMessage `json:"item,omitempty"`
	End    bool            `json:"end,omitempty"`
	Faults []Fault         `json:"faults,omitempty"`
}

func (s *Server) answer(w http.ResponseWriter, r *http.Request) {
	s.open.Add(1)
	defer s.open.Done()
	op, ok := s.o.Operations[r.PathValue("name")]
	if !ok {
		w.WriteHeader(http.StatusNotFound)
		return
	}
	in, err := io.ReadAll(io.LimitReader(r.Body, maxInput+1))
	if err != nil {
		return
	}
	a := &answer{w: w, flush: http.NewResponseController(w).Flush, flushed: time.Now()}
	w.Header().Set("Content-Type", "application/x-ndjson")
	if err = s.admits(r); err != nil {
		// that is the answer
	} else if len(in) > maxInput {
		err = &events.Fault{Kind: events.ErrInvalid, What: "input", Wanted: fmt.Sprintf("at most %d bytes", maxInput), Got: "more"}
	} else {
		err = s.do(r.Context(), op, in, a.emit)
	}
	last := line{End: err == nil, Faults: Faults(err)}
	if b, err := json.Marshal(last); err == nil {
		a.write(b)
	}
}

// configHeader names the config of who asks, as in a query of a URL: a header has no
// place for every path.
const configHeader = "Dewclaw-Config"

func (s *Server) admits(r *http.Request) error {
	h := r.Header.Get(configHeader)
	if h == "" || s.o.Admits == nil {
		return nil
	}
	config, err := url.QueryUnescape(h)
	if err != nil {
		return &events.Fault{Kind: events.ErrInvalid, What: "header " + configHeader, Cause: err}
	}
	return s.o.Admits(config)
}

// do runs an operation; a panic in it spoils its answer only.
func (s *Server) do(ctx context.Context, op Operation, in json.RawMessage, emit func(any) error) (err error) {
	defer func() {
		if v := recover(); v != nil {
			s.o.Logger.Error("operation panicked", "panic", v, "stack", string(debug.Stack()))
			err = fmt.Errorf("operation panicked: %v", v)
		}
	}()
	return op(ctx, in, emit)
}

// An answer writes the lines of one answer and sends them on when they wait too long.
type answer struct {
	w       io.Writer
	flush   func() error
	flushed time.Time
	buf     bytes.Buffer
}

func (a *answer) emit(item any) error {
	raw, err := json.Marshal(item)
	if err != nil {
		return fmt.Errorf("encode item: %w", err)
	}
	a.buf.Reset()
	a.buf.WriteString(`{"item":`)
	a.buf.Write(raw)
	a.buf.WriteByte('}')
	if err := a.write(a.buf.Bytes()); err != nil {
		return err
	}
	if now := time.Now(); now.Sub(a.flushed) > flushAfter {
		a.flushed = now
		return a.flush()
	}
	return nil
}

func (a *answer) write(b []byte) error {
	if _, err := a.w.Write(b); err != nil {
		return fmt.Errorf("answer: %w: %w", err, context.Canceled)
	}
	_, err := a.w.Write([]byte{'\n'})
	return err
}
