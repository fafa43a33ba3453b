package http

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"

	"dewclaw/adapters"
	"dewclaw/events"
)

// WebhookOptions say where a [Webhook] posts.
type WebhookOptions struct {
	Who      string // "feed vet": opens every message
	URL      string
	Secrets  func() ([][]byte, error) // the keys as they stand now, each "whsec_" and base64
	Attempts int                      // refusals of one event before it is parked; 0 means 8
	Timeout  time.Duration            // of one request; 0 means 20 s
	CA       string                   // PEM file that vouches for the receiver; "" for the system's
	Lanes    int                      // events on their way at once, of different animals; 0 means 4

	Now func() time.Time
}

// A Webhook posts the events of a batch, one a request: the beat "send". The
// events of one animal, or of one entity, leave in their order, each when the one before it was
// answered 2xx. For use by one goroutine at a time.
//
// It lives as long as its feed: it remembers, in memory, how often an event was
// refused, and which events of a batch that could not be finished have arrived.
type Webhook struct {
	o      WebhookOptions
	client *http.Client
	tls    *tls.Config

	mu       sync.Mutex
	refusals map[string]int  // by webhook-id
	arrived  map[string]bool // by webhook-id, until the batch is through
	until    time.Time       // when the receiver wants to hear of us again
}

var _ adapters.Sink = (*Webhook)(nil)

// NewWebhook connects to nothing. The error is of kind unavailable: a certificate
// that is not there may come.
func NewWebhook(o WebhookOptions) (*Webhook, error) {
	if o.Attempts <= 0 {
		o.Attempts = 8
	}
	if o.Timeout <= 0 {
		o.Timeout = 20 * time.Second
	}
	if o.Lanes <= 0 {
		o.Lanes = 4
	}
	t := &http.Transport{
		Proxy: http.ProxyFromEnvironment, MaxIdleConnsPerHost: o.Lanes, IdleConnTimeout: time.Minute, ForceAttemptHTTP2: true,
		TLSClientConfig: &tls.Config{MinVersion: tls.VersionTLS12},
	}
	if o.CA != "" {
		pem, err := os.ReadFile(o.CA)
		pool := x509.NewCertPool()
		if err != nil || !pool.AppendCertsFromPEM(pem) {
			return nil, &events.Fault{Kind: events.ErrUnavailable, Who: o.Who, Where: o.CA, What: "ca", Wanted: "certificates in PEM", Got: "none", Cause: err}
		}
		t.TLSClientConfig.RootCAs = pool
	}
	return &Webhook{
		o: o, tls: t.TLSClientConfig.Clone(), refusals: map[string]int{}, arrived: map[string]bool{},
		client: &http.Client{Transport: t, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }},
	}, nil
}

// Close lets go of connections that are idle; the Webhook can be used again.
func (w *Webhook) Close() error {
	w.client.CloseIdleConnections()
	return nil
}

// Probe reads the keys and opens a connection to the receiver; it posts nothing.
func (w *Webhook) Probe(ctx context.Context) error {
	if _, err := w.keys(); err != nil {
		return err
	}
	u, err := url.Parse(w.o.URL)
	if err != nil {
		return w.away("url", err)
	}
	port := u.Port()
	if port == "" {
		port = map[string]string{"http": "80", "https": "443"}[u.Scheme]
	}
	ctx, cancel := context.WithTimeout(ctx, w.o.Timeout)
	defer cancel()
	address := net.JoinHostPort(u.Hostname(), port)
	var c net.Conn
	if u.Scheme == "https" {
		c, err = (&tls.Dialer{Config: w.tls}).DialContext(ctx, "tcp", address)
	} else {
		c, err = new(net.Dialer).DialContext(ctx, "tcp", address)
	}
	if err != nil {
		return w.away("reach the receiver", err)
	}
	return c.Close()
}

// Send posts the events of a batch and returns when each was answered 2xx. Errors:
// of kind unavailable if the receiver does not answer, or wants nothing at the
// moment; of kind invalid if it has refused one event too often. An event that
// was answered 2xx is not posted again while the daemon runs, however the batch
// is cut.
func (w *Webhook) Send(ctx context.Context, b *adapters.Batch) error {
	if wait := w.until.Sub(w.o.Now()); wait > 0 {
		return w.away(fmt.Sprintf("the receiver wants to hear nothing before %s", events.FormatTime(w.until)), nil)
	}
	keys, err := w.keys()
	if err != nil {
		return err
	}
	lanes := make([][]*events.Event, w.o.Lanes)
	for i, n := range b.Lanes() {
		n %= len(lanes)
		lanes[n] = append(lanes[n], &b.Events[i])
	}
	errs := make([]error, len(lanes))
	var wg sync.WaitGroup
	for i := range lanes {
		wg.Go(func() { errs[i] = w.post(ctx, b, keys, lanes[i]) })
	}
	wg.Wait()
	err = worst(errs)
	switch {
	case err == nil: // the cursor moves behind all of them
		for i := range b.Events {
			delete(w.arrived, webhookID(b, &b.Events[i]))
		}
	case errors.Is(err, events.ErrInvalid) && alone(b): // it is parked now; a replay begins anew
		for i := range b.Events {
			delete(w.refusals, webhookID(b, &b.Events[i]))
		}
	}
	return err
}

// alone reports whether the batch is one event, with what is deleted because of it.
func alone(b *adapters.Batch) bool {
	for i := range b.Events[1:] {
		if !b.Events[i].Moved || b.Events[i].Entity != b.Events[i+1].Entity {
			return false
		}
	}
	return true
}

// worst returns the error that must be seen to first: what does not answer before
// what is refused.
func worst(errs []error) error {
	var invalid error
	for _, err := range errs {
		switch {
		case err == nil:
		case errors.Is(err, events.ErrInvalid):
			invalid = err
		default:
			return err
		}
	}
	return invalid
}

func (w *Webhook) keys() ([][]byte, error) {
	secrets, err := w.o.Secrets()
	if err != nil {
		return nil, err
	}
	keys := make([][]byte, len(secrets))
	for i := range secrets {
		if keys[i], err = parseKey(w.o.Who, secrets[i]); err != nil {
			return nil, err
		}
	}
	return keys, nil
}

// webhookID names an event towards the receiver, which drops what it has had under
// the same name. A feed that was rewound sends again on purpose: its generation is
// part of the name.
func webhookID(b *adapters.Batch, e *events.Event) string {
	if b.Generation <= 1 {
		return e.ID()
	}
	return e.ID() + ".g" + strconv.Itoa(b.Generation)
}

// post posts the events of one lane, one behind the other.
func (w *Webhook) post(ctx context.Context, b *adapters.Batch, keys [][]byte, lane []*events.Event) error {
	for _, e := range lane {
		id := webhookID(b, e)
		w.mu.Lock()
		done, refused := w.arrived[id], w.refusals[id] >= w.o.Attempts
		w.mu.Unlock()
		if done {
			continue
		}
		if refused && !alone(b) { // the feed looks for it by smaller batches
			return w.refused(id, "it was refused before")
		}
		if err := w.one(ctx, b, keys, e, id); err != nil {
			return err
		}
		w.mu.Lock()
		w.arrived[id] = true
		delete(w.refusals, id)
		w.mu.Unlock()
	}
	return nil
}

// one posts one event.
func (w *Webhook) one(ctx context.Context, b *adapters.Batch, keys [][]byte, e *events.Event, id string) error {
	ctx, cancel := context.WithTimeout(ctx, w.o.Timeout)
	defer cancel()
	body := e.AppendCloudEvent(nil)
	now := w.o.Now()
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, w.o.URL, bytes.NewReader(body))
	if err != nil {
		return &events.Fault{Kind: events.ErrUnavailable, Who: w.o.Who, Where: w.o.URL, What: "url", Cause: err}
	}
	r.Header.Set("Content-Type", "application/cloudevents+json")
	r.Header.Set("User-Agent", "dewclaw")
	r.Header.Set("webhook-id", id)
	r.Header.Set("webhook-timestamp", strconv.FormatInt(now.Unix(), 10))
	r.Header.Set("webhook-signature", sign(keys, id, now, body))
	if b.Late {
		r.Header.Set("dewclaw-late", "true")
	}
	a, err := w.client.Do(r)
	if err != nil {
		return w.away("post "+id, err)
	}
	defer a.Body.Close()
	said, err := io.ReadAll(io.LimitReader(a.Body, 2048))
	if err != nil {
		return w.away("read the answer to "+id, err)
	}
	return w.judge(id, a, oneLine(said))
}

// judge says what an answer means. What may pass by itself, or concerns every
// event, is no refusal of this one.
func (w *Webhook) judge(id string, a *http.Response, said string) error {
	got := oneLine([]byte(a.Status)) // its words are the receiver's
	if said != "" {
		got += ": " + said
	}
	switch c := a.StatusCode; {
	case c/100 == 2:
		return nil
	case c == http.StatusGone: // Standard Webhooks 1.0.0: the receiver wants no more
		return w.away("the receiver has gone for good: "+got, nil)
	case c/100 == 3, c == http.StatusUnauthorized, c == http.StatusForbidden, c == http.StatusNotFound, c == http.StatusMethodNotAllowed,
		c == http.StatusRequestTimeout, c == http.StatusTooEarly, c == http.StatusTooManyRequests,
		c == http.StatusBadGateway, c == http.StatusServiceUnavailable, c == http.StatusGatewayTimeout:
		w.rest(a.Header.Get("Retry-After"))
		return w.away("the receiver answers "+got, nil)
	}
	w.mu.Lock()
	w.refusals[id]++
	n := w.refusals[id]
	w.mu.Unlock()
	if n < w.o.Attempts {
		return w.away(fmt.Sprintf("the receiver answers %s to event %s, %d of %d times before it is parked", got, id, n, w.o.Attempts), nil)
	}
	return w.refused(id, fmt.Sprintf("the receiver answered %s, %d times", got, n))
}

// rest notes when the receiver wants to hear of us again; at most an hour is
// believed.
func (w *Webhook) rest(after string) {
	s, err := strconv.Atoi(strings.TrimSpace(after))
	if s <= 0 || err != nil && !errors.Is(err, strconv.ErrRange) {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.until = w.o.Now().Add(time.Duration(min(s, 3600)) * time.Second)
}

// A brief error is told in one short line: what a receiver sent may be part of it.
type brief struct{ error }

func (e brief) Error() string { return oneLine([]byte(e.error.Error())) }
func (e brief) Unwrap() error { return e.error }

func (w *Webhook) away(what string, cause error) error {
	var u *url.Error
	if errors.As(cause, &u) { // its url stands in the fault
		cause = u.Err
	}
	if cause != nil {
		cause = brief{cause}
	}
	return &events.Fault{Kind: events.ErrUnavailable, Who: w.o.Who, Where: w.o.URL, What: what, Cause: cause}
}

func (w *Webhook) refused(id, why string) error {
	return &events.Fault{Kind: events.ErrInvalid, Who: w.o.Who, Where: w.o.URL, What: "event " + id + ": " + why}
}

// oneLine makes what a receiver says fit for one line of a log.
func oneLine(b []byte) string {
	s := strings.Map(func(c rune) rune {
		if !unicode.IsPrint(c) {
			return ' '
		}
		return c
	}, strings.ToValidUTF8(string(b), "?"))
	s = strings.TrimSpace(s)
	if len(s) > 200 {
		s = strings.ToValidUTF8(s[:200], "") + "…"
	}
	return s
}
