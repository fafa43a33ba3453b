package api

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"time"

	"dewclaw/events"
)

// dialTime bounds how long a daemon may take to accept a connection.
const dialTime = 5 * time.Second

// A Client asks the daemon of one data folder.
type Client struct {
	http   *http.Client
	config string // what the caller goes by; "" says nothing
}

// As returns a client that says by which config it asks, an absolute path: a daemon
// that works by another one answers nothing, see [Options].
func (c *Client) As(config string) *Client { return &Client{c.http, config} }

// Dial finds the daemon of the data folder dir. The error is of kind
// unavailable if none answers on its socket.
func Dial(ctx context.Context, dir string) (*Client, error) {
	ctx, cancel := context.WithTimeout(ctx, dialTime)
	defer cancel()
	conn, err := dial(ctx, dir)
	if err != nil {
		return nil, fmt.Errorf("ask the daemon of %s: %w: %w", dir, err, events.ErrUnavailable)
	}
	conn.Close()
	t := &http.Transport{
		DialContext:       func(ctx context.Context, _, _ string) (net.Conn, error) { return dial(ctx, dir) },
		DisableKeepAlives: true,
	}
	return &Client{http: &http.Client{Transport: t}}, nil
}

// Ask implements [Caller]. An answer that is cut off is an error of kind
// unavailable: what was asked for may have been done.
func (c *Client) Ask(ctx context.Context, name string, in any, each func(json.RawMessage) error) error {
	body, err := json.Marshal(in)
	if err != nil {
		return fmt.Errorf("encode input of %s: %w", name, err)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://dewclaw/v1/"+name, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("ask for %s: %w", name, err)
	}
	if c.config != "" {
		req.Header.Set(configHeader, url.QueryEscape(c.config))
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return cut(ctx, name, err)
	}
	defer resp.Body.Close()
	switch resp.StatusCode {
	case http.StatusOK:
	case http.StatusNotFound:
		return unknown(name)
	default:
		return fmt.Errorf("ask for %s: the daemon answered with status %d", name, resp.StatusCode)
	}
	r := bufio.NewReaderSize(resp.Body, 64<<10)
	for {
		b, err := r.ReadBytes('\n')
		if err != nil {
			return cut(ctx, name, err)
		}
		var l line
		if err := json.Unmarshal(b, &l); err != nil {
			return fmt.Errorf("read answer to %s: %w", name, err)
		}
		switch {
		case len(l.Faults) > 0:
			return Error(l.Faults)
		case l.End:
			return nil
		}
		if err := each(l.Item); err != nil {
			return err
		}
	}
}

func cut(ctx context.Context, name string, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	return &events.Fault{
		Kind: events.ErrUnavailable, What: "the daemon ended its answer to " + name + " early", Cause: err,
		Hints: []string{"see whether the daemon still runs, and ask again; what it had committed stands"},
	}
}

// State asks for /healthz or /readyz (name without the slash) and returns the
// reasons the daemon gives, none if it is fine.
func (c *Client) State(ctx context.Context, name string) ([]string, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://dewclaw/"+name, nil)
	if err != nil {
		return nil, fmt.Errorf("ask for %s: %w", name, err)
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return nil, cut(ctx, name, err)
	}
	defer resp.Body.Close()
	var s struct {
		OK      bool     `json:"ok"`
		Reasons []string `json:"reasons"`
	}
	if err := json.NewDecoder(resp.Body).Decode(&s); err != nil {
		return nil, cut(ctx, name, err)
	}
	return s.Reasons, nil
}
