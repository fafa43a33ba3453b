package http

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

func newSource(t *testing.T, change func(*SourceOptions)) (*Source, *httptest.Server) {
	t.Helper()
	o := SourceOptions{ID: "chute", Format: "ndjson", MaxBody: 1 << 20, Spool: t.TempDir(), Now: time.Now, Patience: 10 * time.Second}
	if change != nil {
		change(&o)
	}
	s := NewSource(o)
	srv := httptest.NewServer(s)
	t.Cleanup(srv.Close)
	return s, srv
}

// post sends a body and returns the answer with its problem, if it is one.
func post(t *testing.T, url string, body io.Reader, header ...string) (*http.Response, Problem, Receipt) {
	t.Helper()
	r, err := http.NewRequest("POST", url, body)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-ndjson")
	for i := 0; i < len(header); i += 2 {
		r.Header.Add(header[i], header[i+1])
	}
	w, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Error(err)
		return &http.Response{}, Problem{}, Receipt{}
	}
	defer w.Body.Close()
	var p Problem
	var ok Receipt
	into := any(&p)
	if w.StatusCode == http.StatusOK {
		into = &ok
	} else if got := w.Header.Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("answer %d is %q", w.StatusCode, got)
	}
	if err := json.NewDecoder(w.Body).Decode(into); err != nil {
		t.Error(err)
	}
	if w.StatusCode != http.StatusOK && (p.Status != w.StatusCode || !strings.HasPrefix(p.Type, ProblemBase) || p.Title == "" || p.Detail == "") {
		t.Errorf("answer %d says %+v", w.StatusCode, p)
	}
	return w, p, ok
}

// takeAll takes what comes, until the test ends.
func takeAll(t *testing.T, s *Source, v adapters.Verdict, commits func([]string)) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() {
		for {
			list, err := s.NextBatch(ctx, 100, time.Second)
			if err != nil {
				return
			}
			var texts []string
			for _, d := range list {
				rc, err := d.Open(ctx)
				if err != nil {
					t.Error(err)
				}
				b, err := io.ReadAll(rc)
				if err != nil || int64(len(b)) != d.Size || !d.Body {
					t.Errorf("body of %d bytes says %d: %v", len(b), d.Size, err)
				}
				texts = append(texts, string(b))
				if v == adapters.Taken {
					d.Tell(adapters.Account{Counts: events.Counts{Read: 1, Accepted: 1}, Last: 7})
				}
			}
			if commits != nil {
				commits(texts)
			}
			for _, d := range list {
				if err := d.Settle(ctx, v); err != nil {
					t.Error(err)
				}
			}
		}
	})
	t.Cleanup(func() { cancel(); wg.Wait() })
}

func zipped(b []byte) *bytes.Buffer {
	var out bytes.Buffer
	w := gzip.NewWriter(&out)
	_, _ = w.Write(b)
	_ = w.Close()
	return &out
}

// noneWaits wants every body forgotten: which is so just after it was answered.
func noneWaits(t *testing.T, s *Source) {
	t.Helper()
	for end := time.Now().Add(10 * time.Second); s.Waiting() != 0; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d bodies still wait", s.Waiting())
		}
	}
}

func TestSource_AnswersWhenTheBodyIsSettled(t *testing.T) {
	s, srv := newSource(t, nil)
	var got []string
	takeAll(t, s, adapters.Taken, func(texts []string) { got = append(got, texts...) })
	large := bytes.Repeat([]byte("x"), memoryBody+1)
	for _, body := range []io.Reader{strings.NewReader("a"), bytes.NewReader(large), zipped(large)} {
		h := []string{}
		if _, ok := body.(*bytes.Buffer); ok {
			h = []string{"Content-Encoding", "gzip"}
		}
		w, _, ok := post(t, srv.URL, body, h...)
		if w.StatusCode != 200 || ok.Position != 7 || ok.Counts.Accepted != 1 || ok.Source != "chute" || ok.Records == nil {
			t.Errorf("got %d %+v", w.StatusCode, ok)
		}
	}
	if len(got) != 3 || got[0] != "a" || got[1] != string(large) || got[2] != string(large) {
		t.Errorf("handed over %d bodies of other bytes", len(got))
	}
	noneWaits(t, s)
}

func TestSource_CollectsBodiesOfTheSameMoment(t *testing.T) {
	s, srv := newSource(t, func(o *SourceOptions) { o.Collect = 500 * time.Millisecond })
	const n = 20
	var commits [][]string
	takeAll(t, s, adapters.Taken, func(texts []string) { commits = append(commits, texts) })
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() { post(t, srv.URL, strings.NewReader(fmt.Sprint(i))) })
	}
	wg.Wait()
	sum := 0
	for _, c := range commits {
		sum += len(c)
	}
	if sum != n || len(commits) > n/2 {
		t.Errorf("%d bodies in %d commits, want %d in few", sum, len(commits), n)
	}
}

func TestSource_RefusesWithAReason(t *testing.T) {
	s, srv := newSource(t, func(o *SourceOptions) { o.MaxBody = 300_000 })
	takeAll(t, s, adapters.Taken, nil)
	tests := []struct {
		name   string
		body   io.Reader
		header []string
		status int
		kind   string
	}{
		{"nothing", strings.NewReader(""), nil, 400, "request"},
		{"another media type", strings.NewReader("a"), []string{"Content-Type", "application/json"}, 415, "media-type"},
		{"an unknown coding", strings.NewReader("a"), []string{"Content-Encoding", "br"}, 415, "media-type"},
		{"no gzip", strings.NewReader("hello"), []string{"Content-Encoding", "gzip"}, 400, "request"},
		{"half of a gzip", bytes.NewReader(zipped(bytes.Repeat([]byte("abcdefg"), 1000)).Bytes()[:20]), []string{"Content-Encoding", "gzip"}, 400, "request"},
		{"too large", bytes.NewReader(make([]byte, 300_001)), nil, 413, "too-large"},
		{"too large and does not say so", io.MultiReader(bytes.NewReader(make([]byte, 300_001))), nil, 413, "too-large"},
		{"too large unpacked", zipped(make([]byte, 8<<20)), []string{"Content-Encoding", "gzip"}, 413, "too-large"},
		{"two keys", strings.NewReader("a"), []string{"Idempotency-Key", "a", "Idempotency-Key", "b"}, 400, "request"},
		{"a key of letters from elsewhere", strings.NewReader("a"), []string{"Idempotency-Key", "\u00e4"}, 400, "request"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if len(tt.header) > 0 && tt.header[0] == "Content-Type" {
				w, err := http.Post(srv.URL, tt.header[1], tt.body)
				if err != nil || w.StatusCode != tt.status || w.Header.Get("Accept") != "application/x-ndjson" {
					t.Errorf("got %v, %v", w, err)
				}
				return
			}
			w, p, _ := post(t, srv.URL, tt.body, tt.header...)
			if w.StatusCode != tt.status || p.Type != ProblemBase+tt.kind {
				t.Errorf("got %d %+v", w.StatusCode, p)
			}
		})
	}
	noneWaits(t, s)
}

// What is more than it may hold is turned away before it is read, and taken later.
func TestSource_TurnsAwayWhatIsTooMuchAtOnce(t *testing.T) {
	s, srv := newSource(t, func(o *SourceOptions) { o.Waiting = 2 })
	var wg sync.WaitGroup
	for i := range 2 {
		wg.Go(func() {
			if w, _, _ := post(t, srv.URL, strings.NewReader(fmt.Sprint(i))); w.StatusCode != 200 {
				t.Errorf("one that was let in is answered %d", w.StatusCode)
			}
		})
	}
	for s.Waiting() < 2 {
		time.Sleep(time.Millisecond)
	}
	w, p, _ := post(t, srv.URL, strings.NewReader("too much"))
	if w.StatusCode != 429 || w.Header.Get("Retry-After") != "1" || p.Type != ProblemBase+"busy" {
		t.Errorf("got %d %+v, Retry-After %q", w.StatusCode, p, w.Header.Get("Retry-After"))
	}
	takeAll(t, s, adapters.Taken, nil)
	wg.Wait()
	if w, _, _ := post(t, srv.URL, strings.NewReader("later")); w.StatusCode != 200 {
		t.Errorf("later: got %d", w.StatusCode)
	}
}

func TestSource_NeverSaysThatItTookWhatItDidNot(t *testing.T) {
	s, srv := newSource(t, nil)
	takeAll(t, s, adapters.NotTaken, nil)
	if w, p, _ := post(t, srv.URL, strings.NewReader("a")); w.StatusCode != 503 || w.Header.Get("Retry-After") == "" || p.Type != ProblemBase+"unavailable" {
		t.Errorf("not committed: got %d %+v", w.StatusCode, p)
	}
	idle, srv := newSource(t, func(o *SourceOptions) { o.Patience = 20 * time.Millisecond })
	if w, _, _ := post(t, srv.URL, strings.NewReader("a")); w.StatusCode != 503 {
		t.Errorf("nobody commits: got %d", w.StatusCode)
	}
	if idle.Waiting() != 1 {
		t.Errorf("%d bodies wait, want the one nobody settled", idle.Waiting())
	}
	if err := idle.Close(); err != nil || idle.Waiting() != 0 {
		t.Errorf("closed: %d bodies wait, %v", idle.Waiting(), err)
	}
	if _, err := idle.Next(t.Context()); err != io.EOF {
		t.Errorf("closed: got %v", err)
	}
	if w, _, _ := post(t, srv.URL, strings.NewReader("a")); w.StatusCode != 503 {
		t.Errorf("closed: got %d", w.StatusCode)
	}
}

// A client that sends half a body and then nothing costs its place for so long and
// no longer.
func TestSource_LetsGoOfAClientThatStalls(t *testing.T) {
	s, srv := newSource(t, func(o *SourceOptions) { o.Stall = 50 * time.Millisecond })
	r, w := io.Pipe()
	defer w.Close()
	go func() { _, _ = w.Write([]byte("half")) }()
	if a, p, _ := post(t, srv.URL, r); a.StatusCode != 400 || !strings.Contains(p.Detail, "timeout") {
		t.Errorf("got %d %+v", a.StatusCode, p)
	}
	if s.Waiting() != 0 {
		t.Error("it still has its place")
	}
}
