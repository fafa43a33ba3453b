package http

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

// A Feed answers a recipient that fetches its events: GET of a page, waiting for
// one, or server-sent events. Its fields must be set and do not change. It may be
// used by several goroutines at once.
type Feed struct {
	ID   string
	Log  string // id of the log, so that a cursor of another one is known for what it is
	Page int    // events in one answer, at most

	// Fetch returns a page; an error is of kind invalid if the place is not one of
	// the log, and anything else is told by Refuse.
	Fetch  func(ctx context.Context, from events.Place, most int) (adapters.Page, error)
	Wait   func(ctx context.Context, after events.Position) error // until the log has grown
	Refuse func(error) Problem                                    // for errors of Fetch
	Done   <-chan struct{}                                        // closed when the daemon stops

	Beat time.Duration // a stream says this often that it is there; 0 means 15 s
	Life time.Duration // after which a stream ends, to begin anew with a look at the token; 0 means 1 h

	slots chan struct{} // of those that wait
}

// maxWaiting is how many may wait for events of one feed at once.
const maxWaiting = 32

// longestWait is how long a request may wait for events.
const longestWait = 60 * time.Second

// writeTime is how long a client may take for what is written to it at once.
const writeTime = 30 * time.Second

// NewFeed returns f, ready to answer.
func NewFeed(f Feed) *Feed {
	if f.Beat <= 0 {
		f.Beat = 15 * time.Second
	}
	if f.Life <= 0 {
		f.Life = time.Hour
	}
	f.slots = make(chan struct{}, maxWaiting)
	return &f
}

// The forms of an answer: CloudEvents JSON event format 1.0, section 4 (batches);
// one event a line, which is common practice, no source; HTML Living Standard,
// section 9.2 (server-sent events).
const (
	mediaBatch  = "application/cloudevents-batch+json"
	mediaLines  = "application/x-ndjson"
	mediaStream = "text/event-stream"
)

// NextHeader has the cursor to ask with for what comes behind an answer.
const NextHeader = "Dewclaw-Next"

// An asking is what a request asks for.
type asking struct {
	media string
	from  events.Place
	limit int
	wait  time.Duration
}

// ServeHTTP answers GET …/events?after=CURSOR&limit=N&wait=DURATION.
func (f *Feed) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	a, refused := f.asking(r)
	if refused != nil {
		refused.Write(w)
		return
	}
	if a.wait > 0 || a.media == mediaStream {
		select {
		case f.slots <- struct{}{}:
			defer func() { <-f.slots }()
		default:
			NewProblem("busy", fmt.Sprintf("feed %s: %d requests wait for its events", f.ID, maxWaiting)).Write(w)
			return
		}
	}
	if a.media == mediaStream {
		f.stream(w, r, a)
		return
	}
	p, err := f.page(r.Context(), a)
	if err != nil {
		f.refusal(err).Write(w)
		return
	}
	f.write(w, r, a, &p)
}

func (f *Feed) refusal(err error) Problem {
	if errors.Is(err, events.ErrInvalid) {
		return NewProblem("request", err.Error(), events.Hints(err)...)
	}
	return f.Refuse(err)
}

// asking reads what a request asks for.
func (f *Feed) asking(r *http.Request) (asking, *Problem) {
	a := asking{from: events.Place{Position: 1}, limit: f.Page}
	if a.media = pick(r.Header.Values("Accept")); a.media == "" {
		return a, problem("not-prepared", fmt.Sprintf("Accept: wanted %s, %s or %s, got %q", mediaBatch, mediaLines, mediaStream, r.Header.Get("Accept")))
	}
	q := r.URL.Query()
	for k := range q {
		if k != "after" && k != "limit" && k != "wait" || len(q[k]) != 1 {
			return a, problem("request", fmt.Sprintf("wanted after, limit and wait, each once, got %q", k))
		}
	}
	cursor := q.Get("after")
	if last := r.Header.Get("Last-Event-ID"); last != "" && a.media == mediaStream {
		cursor = last // what a client knows of its own stream is newer than the URL it began with
	}
	if cursor != "" {
		var err error
		if a.from, err = ReadCursor(f.Log, cursor); err != nil {
			return a, problem("request", err.Error(), events.Hints(err)...)
		}
	}
	if s := q.Get("limit"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 {
			return a, problem("request", fmt.Sprintf("limit: wanted a number from 1, got %q", s))
		}
		a.limit = min(n, f.Page)
	}
	if s := q.Get("wait"); s != "" {
		d, err := time.ParseDuration(s)
		if err != nil || d < 0 {
			return a, problem("request", fmt.Sprintf("wait: wanted a time such as 30s, got %q", s))
		}
		a.wait = min(d, longestWait)
	}
	return a, nil
}

// pick returns the form of the answer: the first of ours that the client names,
// whatever its weight says; the batch if it takes anything; "" if none.
func pick(accept []string) string {
	if len(accept) == 0 {
		return mediaBatch
	}
	for part := range strings.SplitSeq(strings.Join(accept, ","), ",") {
		media, params, err := mime.ParseMediaType(strings.TrimSpace(part))
		if err != nil || params["q"] == "0" {
			continue
		}
		switch media {
		case mediaBatch, "*/*", "application/*", "application/json":
			return mediaBatch
		case mediaLines, "application/jsonl":
			return mediaLines
		case mediaStream, "text/*":
			return mediaStream
		}
	}
	return ""
}

// page returns the next page; it waits for one that is not empty if it is asked to.
func (f *Feed) page(ctx context.Context, a asking) (adapters.Page, error) {
	ctx, cancel := f.alive(ctx)
	defer cancel()
	wait, stop := context.WithTimeout(ctx, a.wait)
	defer stop()
	for {
		p, err := f.Fetch(ctx, a.from, a.limit)
		if err != nil || len(p.Events) > 0 || wait.Err() != nil {
			return p, err
		}
		a.from = p.Next
		if f.Wait(wait, p.Seen) != nil {
			return p, nil // it has waited long enough, or the daemon stops
		}
	}
}

// alive is ctx until the daemon stops.
func (f *Feed) alive(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	go func() {
		select {
		case <-f.Done:
			cancel()
		case <-ctx.Done():
		}
	}()
	return ctx, cancel
}

func (f *Feed) write(w http.ResponseWriter, r *http.Request, a asking, p *adapters.Page) {
	next := WriteCursor(f.Log, p.Next)
	h := w.Header()
	h.Set("Content-Type", a.media)
	h.Set("Cache-Control", "no-store")
	h.Set(NextHeader, next)
	h.Set("Link", fmt.Sprintf(`<%s?after=%s>; rel="next"`, r.URL.Path, next)) // RFC 8288
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(writeTime))
	out := bufio.NewWriterSize(w, 64<<10)
	var b []byte
	open, between, end := "[", ",\n", "]\n"
	if a.media == mediaLines {
		open, between, end = "", "", ""
	}
	_, _ = out.WriteString(open)
	for i := range p.Events {
		if i > 0 {
			_, _ = out.WriteString(between)
		}
		b = p.Events[i].AppendCloudEvent(b[:0])
		if a.media == mediaLines {
			b = append(b, '\n')
		}
		_, _ = out.Write(b)
	}
	_, _ = out.WriteString(end)
	_ = out.Flush() // who does not read it asks again
}
