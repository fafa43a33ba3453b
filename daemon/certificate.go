package main

import (
	"crypto/tls"
	"fmt"
	"os"
	"sync"
	"time"

	"dewclaw/events"
)

// A certificate is a pair of PEM files that connections from outside are answered
// with. A renewed pair under the same names is taken up by itself. Safe for use by
// several goroutines at once.
type certificate struct {
	cert, key string
	health    *health
	now       func() time.Time

	mu     sync.Mutex
	pair   *tls.Certificate
	marks  [2]fileMark
	looked time.Time
}

// A fileMark tells a file from what it was.
type fileMark struct {
	size     int64
	modified time.Time
}

// lookEvery bounds how often the files are looked at.
const lookEvery = time.Second

// certificate returns what reads a pair of files, nil for no TLS.
func (e *engine) certificate(cert, key string) func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	if cert == "" {
		return nil
	}
	c := &certificate{cert: cert, key: key, health: e.health, now: e.now}
	return c.get
}

// get returns the pair as the files have it. While they hold no pair, as in the
// middle of a renewal, it returns the one before.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.now()
	if c.pair != nil && now.Sub(c.looked).Abs() < lookEvery {
		return c.pair, nil
	}
	c.looked = now
	marks, err := c.stat()
	if err == nil && c.pair != nil && marks == c.marks {
		return c.pair, nil
	}
	var pair tls.Certificate
	if err == nil {
		pair, err = tls.LoadX509KeyPair(c.cert, c.key)
	}
	part := "certificate " + c.cert
	if err != nil {
		err = &events.Fault{
			Kind: events.ErrUnavailable, What: "read it anew", Cause: err, Hints: []string{"connections are answered with the one before; put a pair in PEM there that belongs together"},
		}
		c.health.say(part, err)
		if c.pair != nil {
			return c.pair, nil
		}
		return nil, fmt.Errorf("%s: %w", part, err)
	}
	c.health.say(part, nil)
	c.pair, c.marks = &pair, marks
	return c.pair, nil
}

func (c *certificate) stat() (marks [2]fileMark, err error) {
	for i, name := range []string{c.cert, c.key} {
		info, err := os.Stat(name)
		if err != nil {
			return marks, err
		}
		marks[i] = fileMark{info.Size(), info.ModTime()}
	}
	return marks, nil
}
