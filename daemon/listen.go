package main

import (
	"context"
	"errors"
	"maps"
	"net/http"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	httpx "dewclaw/adapters/http"
	"dewclaw/daemon/internal/config"
)

// spoolFolder is where request bodies wait that are too large for memory; their
// files have no name and go with the process.
const spoolFolder = "spool"

// openBodies makes the sources whose records come as request bodies. They hand
// over what the server lets in, once that runs.
func (e *engine) openBodies() error {
	e.bodies = map[string]*httpx.Source{}
	for i := range e.project.config.Sources {
		s := &e.project.config.Sources[i]
		if s.HTTP == nil {
			continue
		}
		if err := os.MkdirAll(e.data(spoolFolder), 0o700); err != nil {
			return err
		}
		e.bodies[s.ID] = httpx.NewSource(httpx.SourceOptions{
			ID: s.ID, Format: e.project.in[s.ID].Layout().Format, MaxBody: int64(s.HTTP.MaxBody), Spool: e.data(spoolFolder), Now: e.now,
			Sender: func(ctx context.Context) string { name, _ := ctx.Value(tokenName{}).(string); return name },
		})
		e.closes("source "+s.ID, e.bodies[s.ID].Close)
	}
	return nil
}

// guard lets in who has a token of the config.
func (e *engine) guard() *httpx.Guard {
	g := &httpx.Guard{Passes: map[string]httpx.Pass{}, Now: e.now}
	c := e.project.config
	for i := range c.Tokens {
		t := &c.Tokens[i]
		g.Passes[t.Hash] = httpx.Pass{Name: t.Name, Expired: t.Expired, May: func(what, id string) bool { return mayAsk(c, t, what, id) }}
	}
	return g
}

// mayAsk reports whether a token is for something, in the words of the guard.
func mayAsk(c *config.Config, t *config.Token, what, id string) bool {
	switch what {
	case "source":
		s := c.Source(id)
		return s != nil && t.MaySend(s)
	case "feed":
		f := c.Feed(id)
		return f != nil && t.MayFetch(f)
	case "metrics":
		return t.Metrics
	case "ade":
		return slices.ContainsFunc(c.Feeds, func(f config.Feed) bool { return isADE(&f) && t.MayFetch(&f) })
	}
	return false
}

// A route is something that can be asked from outside.
type route struct {
	method, path string
	what         string // what a token must be for, in the words of the guard; "" if none is needed
	id           string // part of the path that names which
	handler      http.Handler
}

// routes lists everything that can be asked. What waits ends when done is closed.
func (e *engine) routes(g *httpx.Guard, done <-chan struct{}) []route {
	fetched, standard := e.fetchedFeeds(done), e.adeFeeds()
	metrics := route{"GET", "/metrics", "metrics", "", e.metrics.Handler()}
	if e.project.config.Listen.OpenMetrics {
		metrics.what = ""
	}
	return []route{
		{"POST", "/v1/records/{source}", "source", "source", e.held("source", byID("source", e.bodies))},
		{"GET", "/v1/feeds/{feed}/events", "feed", "feed", e.held("feed", byID("feed", fetched))},
		{"POST", "/v1/feeds/{feed}/replies", "feed", "feed", e.held("feed", byID("feed", e.replyFeeds()))},
		{"GET", "/ade/datasets", "ade", "", standard},
		{"GET", "/ade/datasets/{feed}", "feed", "feed", standard},
		{"GET", "/ade/datasets/{feed}/changes", "feed", "feed", standard},
		{"GET", "/v1/openapi.json", "", "", http.HandlerFunc(httpx.OpenAPI)},
		{"GET", "/v1/asyncapi.json", "", "", http.HandlerFunc(httpx.AsyncAPI)},
		{"GET", "/healthz", "", "", e.state(g, e.health.healthy)},
		{"GET", "/readyz", "", "", e.state(g, e.health.ready)},
		metrics,
	}
}

// held answers only for what is this daemon's: of several daemons on one log, one
// reads a source and one runs a feed.
func (e *engine) held(kind string, h http.Handler) http.Handler {
	if e.leases == nil {
		return h
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		id := r.PathValue(kind)
		if who, err := e.leases.elsewhere(r.Context(), kind+"."+id); err != nil || who != "" {
			httpx.NewProblem("unavailable", kind+" "+id+" is another daemon's now", "send it to that one, or again").Write(w)
			return
		}
		h.ServeHTTP(w, r)
	})
}

// byID finds the handler of the id in the path.
func byID[H http.Handler](kind string, list map[string]H) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h, ok := list[r.PathValue(kind)]
		if !ok {
			httpx.NewProblem("not-found", "no "+kind+" "+r.PathValue(kind)+" that is asked over HTTP").Write(w)
			return
		}
		h.ServeHTTP(w, r)
	})
}

// state answers whether all is well. Why not is told to whoever may read metrics.
func (e *engine) state(g *httpx.Guard, reasons func() []string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		why := reasons()
		told := why
		if _, refused := g.Check(r, "metrics", ""); refused != nil && !e.project.config.Listen.OpenMetrics {
			told = nil
		}
		httpx.WriteState(w, len(why) == 0, told)
	})
}

// handler makes one handler of the routes: a token is asked for, answers are
// counted and told to the log, and whatever else is asked is a problem.
func (e *engine) handler(done <-chan struct{}) http.Handler {
	mux, g := http.NewServeMux(), e.guard()
	methods := map[string][]string{}
	for _, rt := range e.routes(g, done) {
		mux.Handle(rt.method+" "+rt.path, e.told(rt.path, guarded(g, rt)))
		methods[rt.path] = append(methods[rt.path], rt.method)
	}
	for _, path := range slices.Sorted(maps.Keys(methods)) {
		mux.Handle(path, e.told(path, onlyBy(methods[path])))
	}
	mux.Handle("/", e.told("", http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		httpx.NewProblem("not-found", "nothing is at "+r.URL.Path, "see /v1/openapi.json").Write(w)
	})))
	return mux
}

// tokenName is the key of the name of the token in the context of a request.
type tokenName struct{}

func guarded(g *httpx.Guard, rt route) http.Handler {
	if rt.what == "" {
		return rt.handler
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		name, refused := g.Check(r, rt.what, r.PathValue(rt.id))
		if refused != nil {
			refused.Write(w)
			return
		}
		rt.handler.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), tokenName{}, name)))
	})
}

// onlyBy answers what was asked by another method.
func onlyBy(methods []string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p := httpx.NewProblem("method", r.Method+" "+r.URL.Path+": wanted "+strings.Join(methods, " or "))
		p.Header = http.Header{"Allow": {strings.Join(methods, ", ")}} // RFC 9110, section 15.5.6
		p.Write(w)
	})
}

// told counts the answers of a route. A panic spoils one answer only.
func (e *engine) told(path string, h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		start := e.now()
		s := &statusWriter{ResponseWriter: w}
		defer func() {
			if v := recover(); v != nil {
				e.logger.Error("a request panicked", "path", path, "panic", v, "stack", string(debug.Stack()))
				if s.status == 0 {
					httpx.NewProblem("internal", "see the daemon's log").Write(s)
				}
			}
			took := e.now().Sub(start)
			e.metrics.Request(path, s.status, took)
			e.logger.Debug("answered", "method", r.Method, "path", r.URL.Path, "from", r.RemoteAddr, "status", s.status, "took", took)
		}()
		h.ServeHTTP(s, r)
	})
}

// A statusWriter notes the status of an answer.
type statusWriter struct {
	http.ResponseWriter
	status int
}

func (s *statusWriter) WriteHeader(code int) {
	if s.status == 0 {
		s.status = code
	}
	s.ResponseWriter.WriteHeader(code)
}

func (s *statusWriter) Write(b []byte) (int, error) {
	if s.status == 0 {
		s.status = http.StatusOK
	}
	return s.ResponseWriter.Write(b)
}

// Unwrap lets deadlines and flushing through.
func (s *statusWriter) Unwrap() http.ResponseWriter { return s.ResponseWriter }

// drain is how long requests that run may take when the daemon stops.
const drain = 5 * time.Second

// listen answers requests from outside until ctx ends.
func (d *daemon) listen(ctx context.Context) error {
	c := &d.e.project.config.Listen
	if c.Address == "" {
		<-ctx.Done()
		return nil
	}
	s, err := httpx.Listen(httpx.ServerOptions{
		Address: c.Address, Cert: c.Cert, Key: c.Key, Certificate: d.e.certificate(c.Cert, c.Key), Handler: d.e.handler(ctx.Done()), Logger: d.e.logger,
	})
	if err != nil {
		return err
	}
	d.e.logger.Info("listening", "address", s.Address(), "tls", c.Cert != "")
	served := make(chan error, 1)
	go func() { served <- s.Serve() }()
	select {
	case err = <-served:
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), drain)
	defer cancel()
	cerr := s.Close(stop)
	if err == nil && ctx.Err() != nil {
		err = <-served
	}
	return errors.Join(err, cerr)
}
