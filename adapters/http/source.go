package http

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

// SourceOptions say which bodies a [Source] takes.
type SourceOptions struct {
	ID      string // source id
	Format  string // csv, ndjson or json: what its mapping reads
	MaxBody int64  // bytes of one body, unpacked
	Spool   string // folder for bodies that wait and are large

	Waiting  int           // bodies at once; 0 means 64
	Collect  time.Duration // how long bodies are collected for one commit; 0 means 4 ms
	Patience time.Duration // how long a request waits for its commit; 0 means 30 s
	Stall    time.Duration // how long a client may send nothing; 0 means 30 s

	Now    func() time.Time
	Told   func(status int)                 // told of every answer; may be nil
	Sender func(ctx context.Context) string // who sends a request: each has idempotency keys of its own; nil: all are one
}

// A Source hands over request bodies: the beat "next". Its ServeHTTP takes them
// and waits until each is settled, the beat "acknowledge". ServeHTTP may be called
// by several goroutines at once, Next and NextBatch by one.
type Source struct {
	o      SourceOptions
	slots  chan struct{} // one for each body that was let in and is not settled
	queue  chan *request // as many
	closed chan struct{}
}

var (
	_ adapters.Source  = (*Source)(nil)
	_ adapters.Batcher = (*Source)(nil)
	_ http.Handler     = (*Source)(nil)
)

// NewSource returns a Source. MaxBody, Spool and Now must be set.
func NewSource(o SourceOptions) *Source {
	if o.Waiting <= 0 {
		o.Waiting = 64
	}
	if o.Collect <= 0 {
		o.Collect = 4 * time.Millisecond
	}
	if o.Patience <= 0 {
		o.Patience = 30 * time.Second
	}
	if o.Stall <= 0 {
		o.Stall = 30 * time.Second
	}
	if o.Told == nil {
		o.Told = func(int) {}
	}
	return &Source{
		o: o, slots: make(chan struct{}, o.Waiting), queue: make(chan *request, o.Waiting), closed: make(chan struct{}),
	}
}

// A request is one body on its way to the log.
type request struct {
	s        *Source
	body     *body
	delivery *adapters.Delivery
	account  adapters.Account
	settled  chan adapters.Verdict // one; whoever asked may have gone
}

// Waiting returns how many bodies were let in and are not settled.
func (s *Source) Waiting() int { return len(s.slots) }

// Close answers what waits with 503 and takes nothing more. Next returns io.EOF
// from then on.
func (s *Source) Close() error {
	close(s.closed)
	for {
		select {
		case r := <-s.queue:
			r.settle(adapters.NotTaken)
		default:
			return nil
		}
	}
}

// Next returns the next body. It blocks until there is one, ctx ends or the
// source is closed.
func (s *Source) Next(ctx context.Context) (*adapters.Delivery, error) {
	list, err := s.NextBatch(ctx, 1, 0)
	if err != nil {
		return nil, err
	}
	return list[0], nil
}

// maxBatchBytes ends a batch that has grown large.
const maxBatchBytes = 8 << 20

// NextBatch returns up to most bodies: the next one, as Next does, and what comes
// behind it within wait or the time of the options, whichever is shorter.
func (s *Source) NextBatch(ctx context.Context, most int, wait time.Duration) ([]*adapters.Delivery, error) {
	var list []*adapters.Delivery
	select {
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.closed:
		return nil, io.EOF
	case r := <-s.queue:
		list = append(list, r.delivery)
	}
	size := list[0].Size
	timer := time.NewTimer(min(wait, s.o.Collect))
	defer timer.Stop()
	for len(list) < most && size < maxBatchBytes {
		select {
		case r := <-s.queue:
			list = append(list, r.delivery)
			size += r.delivery.Size
		case <-timer.C:
			return list, nil
		case <-ctx.Done():
			return list, nil
		}
	}
	return list, nil
}

// ServeHTTP takes one body, waits until it is in the log and answers what became
// of its records.
func (s *Source) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	head, refused := s.head(r)
	if refused == nil {
		refused = s.take(w, r, head)
	}
	if refused != nil {
		s.o.Told(refused.Status)
		refused.Write(w)
	}
}

// take takes the body of a request whose head is in order; the answer is written
// unless it returns a problem.
func (s *Source) take(w http.ResponseWriter, r *http.Request, h head) *Problem {
	select {
	case s.slots <- struct{}{}:
	default:
		return problem("busy", fmt.Sprintf("%d requests wait for their commit", cap(s.slots)), "send it again a little later; nothing of it was read")
	}
	b, refused := s.read(w, r, h)
	if refused != nil {
		<-s.slots
		return refused
	}
	if h.key != "" && s.o.Sender != nil {
		h.key = s.o.Sender(r.Context()) + "\t" + h.key // a tab is in no key
	}
	req := s.request(b, h.key)
	select {
	case <-s.closed:
		req.settle(adapters.NotTaken)
	case s.queue <- req: // has room: as many slots as places
	}
	patience := time.NewTimer(s.o.Patience)
	defer patience.Stop()
	select {
	case v := <-req.settled:
		if v == adapters.NotTaken {
			return req.refusal()
		}
		s.answer(w, &req.account)
		return nil
	case <-patience.C:
	case <-r.Context().Done():
	}
	return problem("unavailable", "the log has not taken it yet", resend)
}

// resend is safe: see the package comment.
const resend = "send the same bytes again: what was taken is known again and counts once"

func (s *Source) request(b *body, key string) *request {
	r := &request{s: s, body: b, settled: make(chan adapters.Verdict, 1)}
	r.delivery = &adapters.Delivery{
		Name: "body " + b.sha256[:12], Received: s.o.Now(), Size: b.size, Body: true, Key: key,
		Open: func(ctx context.Context) (io.ReadCloser, error) { return io.NopCloser(b.reader()), ctx.Err() },
		Tell: func(a adapters.Account) { r.account = a },
		Settle: func(_ context.Context, v adapters.Verdict) error {
			return r.settle(v)
		},
	}
	return r
}

func (r *request) settle(v adapters.Verdict) error {
	err := r.body.close()
	r.settled <- v
	<-r.s.slots
	return err
}

// refusal is why a body was not taken.
func (r *request) refusal() *Problem {
	if f := r.account.Refused; f != nil {
		return problem("key-reused", f.Error(), f.Hints...)
	}
	return problem("unavailable", "the log does not take anything now", resend)
}

// A Receipt is the answer to a body that is in the log.
type Receipt struct {
	Source   string          `json:"source"`
	SHA256   string          `json:"sha256"`         // of the body, unpacked
	Known    bool            `json:"known"`          // these bytes were read before and changed nothing
	Position events.Position `json:"position"`       // of the log, at which all of it is there
	Counts   events.Counts   `json:"counts"`         // read = accepted + duplicate + amended + held + ignored
	Records  []adapters.Fate `json:"records"`        // in their order
	More     bool            `json:"more,omitempty"` // there are more than records tells of
	Notices  []string        `json:"notices,omitempty"`
}

func (s *Source) answer(w http.ResponseWriter, a *adapters.Account) {
	out := Receipt{
		Source: s.o.ID, SHA256: a.SHA256, Known: a.Known, Position: a.Last, Counts: a.Counts, Records: a.Fates, More: a.More, Notices: a.Notices,
	}
	if out.Records == nil {
		out.Records = []adapters.Fate{}
	}
	var b bytes.Buffer
	if err := json.NewEncoder(&b).Encode(out); err != nil {
		NewProblem("internal", err.Error()).Write(w)
		return
	}
	s.o.Told(http.StatusOK)
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(b.Bytes()) // who does not read it sends the same bytes again
}

func problem(kind, detail string, hints ...string) *Problem {
	p := NewProblem(kind, detail, hints...)
	return &p
}
