package main

import (
	"context"
	"errors"
	"net/http"
	"os"
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
	}
	return false
}

// routes is everything that can be asked from outside.
func (e *engine) routes() http.Handler {
	mux, g := http.NewServeMux(), e.guard()
	mux.HandleFunc("POST /v1/records/{source}", func(w http.ResponseWriter, r *http.Request) {
		id := r.PathValue("source")
		name, refused := g.Check(r, "source", id)
		switch s := e.bodies[id]; {
		case refused != nil:
			e.logger.Debug("refused a request", "path", r.URL.Path, "from", r.RemoteAddr, "token", name, "why", refused.Detail)
			refused.Write(w)
		case s == nil:
			httpx.NewProblem("not-found", "no source "+id+" that takes requests").Write(w)
		default:
			s.ServeHTTP(w, r)
		}
	})
	mux.HandleFunc("/v1/records/{source}", onlyBy("POST"))
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		httpx.NewProblem("not-found", "nothing is at "+r.URL.Path).Write(w)
	})
	return mux
}

// onlyBy answers what was asked by another method.
func onlyBy(method string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		p := httpx.NewProblem("method", r.Method+" "+r.URL.Path+": wanted "+method)
		p.Header = http.Header{"Allow": {method}} // RFC 9110, section 15.5.6
		p.Write(w)
	}
}

// drain is how long requests that run may take when the daemon stops.
const drain = 5 * time.Second

// listen answers requests from outside until ctx ends.
func (d *daemon) listen(ctx context.Context) error {
	c := &d.e.project.config.Listen
	if c.Address == "" {
		<-ctx.Done()
		return nil
	}
	s, err := httpx.Listen(httpx.ServerOptions{Address: c.Address, Cert: c.Cert, Key: c.Key, Handler: d.e.routes(), Logger: d.e.logger})
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
