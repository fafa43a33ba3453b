package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/goccy/go-yaml/ast"

	"dewclaw/events"
)

// Load reads the config at path. getenv gives the environment, whose variables
// replace a few values (see the package comment); nil means none.
//
// The error joins every mistake, each an [events.Fault] of kind invalid, in the
// order of the file; [Faults] lists them. A file that is not there is of kind
// not found. With an error the config is nil.
func Load(path string, getenv func(string) string) (*Config, error) {
	full, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("find config %s: %w", path, err)
	}
	f, err := os.Open(full)
	if err != nil {
		kind := events.ErrUnavailable
		if errors.Is(err, os.ErrNotExist) {
			kind = events.ErrNotFound
		}
		return nil, &events.Fault{
			Kind: kind, Where: path, What: "config", Wanted: "a file that can be read", Got: reason(err),
			Hints: []string{"name another with --config FILE"},
		}
	}
	defer f.Close()
	src, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, &events.Fault{Kind: events.ErrUnavailable, Where: path, What: "config", Wanted: "a file that can be read", Got: reason(err)}
	}
	return parse(path, filepath.Dir(full), src, getenv)
}

// reason returns what the system says, without the path it repeats.
func reason(err error) string {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err.Error()
	}
	return err.Error()
}

// Parse is [Load] of a text: name stands in messages, and its folder is what
// paths are relative to.
func Parse(name string, src []byte, getenv func(string) string) (*Config, error) {
	return parse(name, filepath.Dir(name), src, getenv)
}

func parse(name, dir string, src []byte, getenv func(string) string) (*Config, error) {
	r := &reader{name: name, dir: dir, anchors: map[string]ast.Node{}, places: map[string]place{}}
	c := &Config{Path: name, Data: r.resolvePath(defaultData)}
	switch {
	case len(src) > maxBytes:
		r.faultAt(place{1, 1}, &events.Fault{Wanted: "a config of at most 4 MiB", Got: "a larger file"})
		return nil, r.err()
	case bytes.IndexByte(src, 0) >= 0:
		r.faultAt(place{1, 1}, &events.Fault{Wanted: "a text file", Got: "bytes that are no text"})
		return nil, r.err()
	}
	if top := r.parse(src); top.node != nil {
		object(r, top, topMembers, c)
		r.environment(c, getenv)
		if c.Log.URL != "" && c.Log.Lease == 0 {
			c.Log.Lease = defaultLease
		}
		r.check(c)
		if len(r.faults) == 0 {
			r.checkShape(top)
		}
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	return c, nil
}

// environment replaces values of the file by those of the environment.
func (r *reader) environment(c *Config, getenv func(string) string) {
	if getenv == nil {
		return
	}
	if s := getenv("DEWCLAW_DATA"); s != "" {
		c.Data = r.resolvePath(s)
	}
	e := &reader{name: "environment"}
	if s := getenv("DEWCLAW_LOG_URL"); s != "" {
		c.Log.URL = e.server(value{node: textNode(s), path: "DEWCLAW_LOG_URL"})
	}
	if s := getenv("DEWCLAW_LOG_STREAM"); s != "" {
		c.Log.Stream = e.streamName(value{node: textNode(s), path: "DEWCLAW_LOG_STREAM"})
	}
	if s := getenv("DEWCLAW_DAEMON"); s != "" && c.Log.URL != "" {
		c.Log.Daemon = e.text(value{node: textNode(s), path: "DEWCLAW_DAEMON"})
	}
	for _, f := range e.faults {
		f.Where = e.name
		r.faults = append(r.faults, f)
	}
}

func textNode(s string) ast.Node { return &ast.StringNode{BaseNode: &ast.BaseNode{}, Value: s} }

// Faults lists the mistakes in an error of [Load] or [Parse].
func Faults(err error) []*events.Fault {
	var out []*events.Fault
	var list interface{ Unwrap() []error }
	if f, ok := err.(*events.Fault); ok {
		return []*events.Fault{f}
	}
	if errors.As(err, &list) {
		for _, e := range list.Unwrap() {
			out = append(out, Faults(e)...)
		}
	}
	return out
}
