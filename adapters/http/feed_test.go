package http

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	cloudevents "github.com/cloudevents/sdk-go/v2"
	"github.com/cloudevents/sdk-go/v2/binding"
	cehttp "github.com/cloudevents/sdk-go/v2/protocol/http"

	"dewclaw/adapters"
	"dewclaw/events"
)

// A shelf is a log of one event an entry that grows; every third is not for the feed.
type shelf struct {
	mu     sync.Mutex
	last   events.Position
	grown  chan struct{}
	paused error
}

func (s *shelf) grow(n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.last += events.Position(n)
	close(s.grown)
	s.grown = make(chan struct{})
}

func (s *shelf) fetch(_ context.Context, from events.Place, most int) (adapters.Page, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p := adapters.Page{Next: from, Seen: s.last}
	switch {
	case s.paused != nil:
		return p, s.paused
	case from.Position > s.last+1:
		return p, &events.Fault{Kind: events.ErrInvalid, What: "after", Wanted: "less", Got: "more"}
	}
	for at := from.Position; at <= s.last && len(p.Events) < most; at++ {
		p.Next = events.Place{Position: at + 1}
		if at%3 != 0 {
			p.Events, p.After = append(p.Events, lesionEvent(int(at), "A")), append(p.After, p.Next)
		}
	}
	return p, nil
}

func (s *shelf) wait(ctx context.Context, after events.Position) error {
	for {
		s.mu.Lock()
		last, grown := s.last, s.grown
		s.mu.Unlock()
		if last > after {
			return nil
		}
		select {
		case <-grown:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func newFeed(t *testing.T, s *shelf, change func(*Feed)) (string, chan struct{}) {
	t.Helper()
	done := make(chan struct{})
	f := Feed{
		ID: "vet", Log: "log1234567", Page: 10, Fetch: s.fetch, Wait: s.wait, Done: done,
		Refuse: func(err error) Problem { return NewProblem("paused", err.Error()) },
	}
	if change != nil {
		change(&f)
	}
	srv := httptest.NewServer(NewFeed(f))
	t.Cleanup(srv.Close)
	return srv.URL + "/v1/feeds/vet/events", done
}

func newShelf(n int) *shelf { return &shelf{last: events.Position(n), grown: make(chan struct{})} }

func get(t *testing.T, target string, header ...string) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), "GET", target, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Body.Close()
	b, err := io.ReadAll(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	return w, string(b)
}

// The CloudEvents SDK for Go reads every page as a batch of whole events.
func TestFeed_GivesPagesThatLeadOn(t *testing.T) {
	s := newShelf(100)
	target, _ := newFeed(t, s, nil)
	seen, pages := map[string]bool{}, 0
	for at := target; ; {
		w, body := get(t, at)
		if w.StatusCode != 200 || w.Header.Get("Content-Type") != "application/cloudevents-batch+json" {
			t.Fatalf("got %d %s %s", w.StatusCode, w.Header, body)
		}
		w.Body = io.NopCloser(strings.NewReader(body))
		m := cehttp.NewMessageFromHttpResponse(w)
		if m.ReadEncoding() != binding.EncodingBatch {
			t.Fatalf("the SDK sees encoding %v", m.ReadEncoding())
		}
		list, err := binding.ToEvents(t.Context(), m, io.NopCloser(strings.NewReader(body)))
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range list {
			if err := e.Validate(); err != nil || seen[e.ID()] {
				t.Errorf("%s: %v, seen before: %v", e.ID(), err, seen[e.ID()])
			}
			seen[e.ID()] = true
		}
		next := regexp.MustCompile(`^<(.*)>; rel="next"$`).FindStringSubmatch(w.Header.Get("Link"))
		u, err := url.Parse(target)
		if err != nil || next == nil || u.Path+"?after="+w.Header.Get(NextHeader) != next[1] {
			t.Fatalf("Link is %q, %s %q", w.Header.Get("Link"), NextHeader, w.Header.Get(NextHeader))
		}
		if len(list) == 0 {
			break
		}
		if len(list) > 10 {
			t.Errorf("a page of %d", len(list))
		}
		pages++
		at = u.Scheme + "://" + u.Host + next[1]
	}
	if len(seen) != 67 || pages != 7 {
		t.Errorf("%d events in %d pages, want 67 in 7", len(seen), pages)
	}
	w, body := get(t, target+"?limit=3", "Accept", "application/x-ndjson")
	if lines := strings.Count(body, "\n"); lines != 3 || w.Header.Get("Content-Type") != "application/x-ndjson" || !json.Valid([]byte(strings.SplitN(body, "\n", 2)[0])) {
		t.Errorf("got %d lines, %s", lines, w.Header)
	}
}

func TestFeed_RefusesWithAReason(t *testing.T) {
	s := newShelf(3)
	target, _ := newFeed(t, s, nil)
	for _, tt := range []struct {
		query, accept string
		status        int
		says          string
	}{
		{"?after=1", "", 400, "a cursor as the answer before had it"},
		{"?after=log12345.0.0", "", 400, "a cursor as"},
		{"?after=log12345.1.-1", "", 400, "a cursor as"},
		{"?after=other123.1.0", "", 400, "this log is not the one you fetched from before"},
		{"?after=log12345.99.0", "", 400, "got more"},
		{"?after=a&after=b", "", 400, "each once"},
		{"?from=3", "", 400, "after, limit and wait"},
		{"?limit=0", "", 400, "limit"},
		{"?wait=soon", "", 400, "wait"},
		{"", "text/html", 406, "text/event-stream"},
		{"", "application/x-ndjson;q=0", 406, "wanted"},
	} {
		w, body := get(t, target+tt.query, "Accept", tt.accept)
		if tt.accept == "" {
			w, body = get(t, target+tt.query)
		}
		if w.StatusCode != tt.status || !strings.Contains(body, tt.says) || w.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s: got %d %s", tt.query, tt.accept, w.StatusCode, body)
		}
	}
	s.paused = errors.New("no grant")
	for _, accept := range []string{"*/*", "text/event-stream"} {
		if w, body := get(t, target, "Accept", accept); w.StatusCode != 403 || !strings.Contains(body, "no grant") {
			t.Errorf("paused: got %d %s", w.StatusCode, body)
		}
	}
}

func TestFeed_WaitsForEvents(t *testing.T) {
	s := newShelf(2)
	target, done := newFeed(t, s, nil)
	w, _ := get(t, target)
	next := w.Header.Get(NextHeader)
	start := time.Now()
	time.AfterFunc(50*time.Millisecond, func() { s.grow(1) }) // nothing for the feed
	time.AfterFunc(100*time.Millisecond, func() { s.grow(1) })
	w, body := get(t, target+"?wait=20s&after="+next)
	if !strings.Contains(body, lesionEvent4()) || w.Header.Get(NextHeader) != "log12345.5.0" {
		t.Errorf("got %s, next %s", body, w.Header.Get(NextHeader))
	}
	if d := time.Since(start); d > 10*time.Second {
		t.Errorf("waited %v", d)
	}
	if w, body := get(t, target+"?wait=20ms&after=log12345.5.0"); w.StatusCode != 200 || strings.TrimSpace(body) != "[]" {
		t.Errorf("nothing came: got %d %s", w.StatusCode, body)
	}
	time.AfterFunc(50*time.Millisecond, func() { close(done) })
	if _, body := get(t, target+"?wait=20s&after=log12345.5.0"); strings.TrimSpace(body) != "[]" {
		t.Errorf("the daemon stops: got %s", body)
	}
}

func lesionEvent4() string { e := lesionEvent(4, "A"); return e.ID() }

// A client of server-sent events that loses the connection goes on behind what it
// had (HTML Living Standard, section 9.2.4, Last-Event-ID).
func TestFeed_StreamsAndGoesOnBehindTheLastEventID(t *testing.T) {
	s := newShelf(4)
	target, _ := newFeed(t, s, func(f *Feed) { f.Beat = 20 * time.Millisecond })
	last, had := "", []string{}
	read := func(until int) {
		t.Helper()
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		r, err := http.NewRequestWithContext(ctx, "GET", target, nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Accept", "text/event-stream")
		if last != "" {
			r.Header.Set("Last-Event-ID", last)
		}
		w, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer w.Body.Close()
		if got := w.Header.Get("Content-Type"); got != "text/event-stream" {
			t.Fatalf("got %s", got)
		}
		lines := bufio.NewScanner(w.Body)
		for len(had) < until && lines.Scan() {
			field, value, _ := strings.Cut(lines.Text(), ": ")
			switch field {
			case "id":
				last = value
			case "data":
				e := cloudevents.NewEvent()
				if err := json.Unmarshal([]byte(value), &e); err != nil || e.Validate() != nil {
					t.Fatalf("%v in %s", err, value)
				}
				had = append(had, e.ID())
			}
		}
	}
	read(2)
	if last != "log12345.3.0" {
		t.Errorf("last id is %s", last)
	}
	time.AfterFunc(60*time.Millisecond, func() { s.grow(4) })
	read(6)
	want := []string{}
	for _, n := range []int{1, 2, 4, 5, 7, 8} {
		e := lesionEvent(n, "A")
		want = append(want, e.ID())
	}
	if strings.Join(had, " ") != strings.Join(want, " ") {
		t.Errorf("got %v, want %v", had, want)
	}
}

func TestFeed_LetsOnlySoManyWait(t *testing.T) {
	s := newShelf(0)
	target, done := newFeed(t, s, nil)
	var wg sync.WaitGroup
	statuses := make(chan int, maxWaiting+8)
	for range maxWaiting + 8 {
		wg.Go(func() {
			w, err := http.Get(target + "?wait=30s")
			if err != nil {
				t.Error(err)
				return
			}
			w.Body.Close()
			statuses <- w.StatusCode
		})
	}
	for range 8 {
		if got := <-statuses; got != 429 {
			t.Errorf("got %d, want 429 for those that are too many", got)
		}
	}
	close(done)
	wg.Wait()
	for range maxWaiting {
		if got := <-statuses; got != 200 {
			t.Errorf("got %d", got)
		}
	}
}
