package http

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	cloudevents "github.com/cloudevents/sdk-go/v2"
	standardwebhooks "github.com/standard-webhooks/standard-webhooks/libraries/go"

	"dewclaw/adapters"
	"dewclaw/events"
)

// The worked example of the reference library of Standard Webhooks, version 1.0.0
// (libraries/go/webhook_test.go, TestWebhookSign).
func TestSign_AgreesWithTheReferenceLibrary(t *testing.T) {
	const secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
	at := time.Unix(1614265330, 0)
	key, err := parseKey("feed", []byte(secret+"\n"))
	if err != nil {
		t.Fatal(err)
	}
	got := sign([][]byte{key}, "msg_p5jXN8AQM9LWM0D4loKWxJek", at, []byte(`{"test": 2432232314}`))
	if want := "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	for _, bad := range []string{"", "hunter2", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_aHVudGVyMg==", "whsec_" + base64.StdEncoding.EncodeToString(make([]byte, 65))} {
		if _, err := parseKey("feed", []byte(bad)); err == nil || strings.Contains(err.Error()+strings.Join(events.Hints(err), ""), "hunter2") {
			t.Errorf("%q: got %v", bad, err)
		}
	}
}

// secretOf makes a key.
func secretOf(b byte) []byte {
	return []byte(secretPrefix + base64.StdEncoding.EncodeToString([]byte(strings.Repeat(string(b), 32))))
}

// A receiver is a recipient that does what the test says, and checks every
// signature with the reference library.
type receiver struct {
	*httptest.Server
	t      *testing.T
	answer func(w http.ResponseWriter, id string) // nil: 204

	mu  sync.Mutex
	got []string // webhook-ids in their order
}

func newReceiver(t *testing.T, secret []byte) *receiver {
	r := &receiver{t: t}
	check, err := standardwebhooks.NewWebhook(string(secret))
	if err != nil {
		t.Fatal(err)
	}
	r.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		body, err := io.ReadAll(q.Body)
		if err == nil {
			err = check.Verify(body, q.Header)
		}
		if err != nil {
			t.Errorf("verify: %v", err)
		}
		id := q.Header.Get("webhook-id")
		q.Body = io.NopCloser(strings.NewReader(string(body)))
		e, err := cloudevents.NewEventFromHTTPRequest(q)
		if err != nil || e.Validate() != nil || e.ID() != strings.TrimSuffix(id, ".g2") || e.Type() != "dewclaw.lesion.v1" || e.Extensions()["farm"] != "larkfield" {
			t.Errorf("the CloudEvents SDK reads %v: %v", e, err)
		}
		r.mu.Lock()
		r.got = append(r.got, id)
		r.mu.Unlock()
		if r.answer != nil {
			r.answer(w, id)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	}))
	t.Cleanup(r.Close)
	return r
}

func (r *receiver) ids() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

func newWebhook(t *testing.T, url string, o WebhookOptions) *Webhook {
	t.Helper()
	o.Who, o.URL = "feed vet", url
	if o.Secrets == nil {
		o.Secrets = func() ([][]byte, error) { return [][]byte{secretOf('a')}, nil }
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	w, err := NewWebhook(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = w.Close() })
	return w
}

func lesionEvent(n int, animal string) events.Event {
	k := events.NewKeyer("larkfield", "chute")
	return events.Event{
		Kind: events.KindLesion, Entity: k.OwnKey(fmt.Sprint(n)).Entity(k.Slot(events.KindLesion, 0, "x")), Revision: 1, Change: events.Recorded,
		Source: "chute", Farm: "larkfield", Subject: "ear-tag:" + animal, Recorded: time.Unix(1_700_000_000, 0).UTC(),
		Data: []byte(`{"animal":[{"scheme":"ear-tag","value":"` + animal + `"}],"occurred":{"date":"2026-03-04","precision":"date"},"code":"SU","foot":"RH"}`),
	}
}

func batchOf(list ...events.Event) *adapters.Batch {
	return &adapters.Batch{Name: "b", Feed: "vet", Generation: 1, Events: list, Rows: len(list)}
}

func TestWebhook_PostsSignedEventsInTheOrderOfEachAnimal(t *testing.T) {
	r := newReceiver(t, secretOf('b'))
	w := newWebhook(t, r.URL, WebhookOptions{Secrets: func() ([][]byte, error) { return [][]byte{secretOf('a'), secretOf('b')}, nil }})
	var list []events.Event
	byAnimal := map[string][]string{}
	for i := range 60 {
		e := lesionEvent(i, string(rune('A'+i%7)))
		list = append(list, e)
		byAnimal[e.Subject] = append(byAnimal[e.Subject], e.ID())
	}
	if err := w.Send(t.Context(), batchOf(list...)); err != nil {
		t.Fatal(err)
	}
	got := r.ids()
	if len(got) != len(list) {
		t.Errorf("%d posted, want %d", len(got), len(list))
	}
	for animal, want := range byAnimal {
		own := slices.DeleteFunc(slices.Clone(got), func(id string) bool { return !slices.Contains(want, id) })
		if !slices.Equal(own, want) {
			t.Errorf("%s: got %v, want %v", animal, own, want)
		}
	}
	moved := []events.Event{lesionEvent(90, "A"), lesionEvent(91, "B"), lesionEvent(90, "A"), lesionEvent(90, "B"), lesionEvent(92, "B")}
	moved[2].Moved, moved[3].Revision = true, 2
	for range 20 { // of one entity in order too, whatever animal it is of
		before := len(r.ids())
		if err := w.Send(t.Context(), batchOf(moved...)); err != nil {
			t.Fatal(err)
		}
		for i, id := range r.ids()[before:] {
			if id != moved[i].ID() {
				t.Fatalf("%d: got %s, want %s", i, id, moved[i].ID())
			}
		}
	}
	again := batchOf(list[0])
	again.Generation = 2 // a receiver that drops what it had must get what a person sends again
	if err := w.Send(t.Context(), again); err != nil || r.ids()[160] != list[0].ID()+".g2" {
		t.Errorf("got %v, %v", r.ids()[160], err)
	}
}

func TestWebhook_TellsWhatPassesFromWhatIsRefused(t *testing.T) {
	for _, tt := range []struct {
		status  int
		refusal bool // of the event, after so many times
	}{
		{200, false}, {301, false}, {400, true}, {401, false}, {403, false}, {404, false}, {408, false}, {409, true}, {410, false}, {413, true},
		{415, true}, {422, true}, {429, false}, {500, true}, {501, true}, {502, false}, {503, false}, {504, false},
	} {
		t.Run(fmt.Sprint(tt.status), func(t *testing.T) {
			r := newReceiver(t, secretOf('a'))
			r.answer = func(w http.ResponseWriter, _ string) { http.Error(w, "why \x1b[31m not", tt.status) }
			w := newWebhook(t, r.URL, WebhookOptions{Attempts: 3})
			b := batchOf(lesionEvent(1, "A"))
			for i := range 5 {
				err := w.Send(t.Context(), b)
				switch {
				case tt.status == 200:
					if err != nil {
						t.Fatal(err)
					}
				case tt.refusal && i%3 == 2: // and a replay begins anew
					if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), b.Events[0].ID()) || strings.Contains(err.Error(), "\x1b") {
						t.Errorf("time %d: got %v", i+1, err)
					}
				case !errors.Is(err, events.ErrUnavailable):
					t.Errorf("time %d: got %v", i+1, err)
				}
			}
		})
	}
}

// What has arrived of a batch is not posted again when the batch is, whole or in
// smaller ones.
func TestWebhook_PostsWhatArrivedOnce(t *testing.T) {
	r := newReceiver(t, secretOf('a'))
	list := []events.Event{lesionEvent(1, "A"), lesionEvent(2, "B"), lesionEvent(3, "A"), lesionEvent(4, "C")}
	bad := list[2].ID()
	r.answer = func(w http.ResponseWriter, id string) {
		if id == bad {
			http.Error(w, "no", http.StatusUnprocessableEntity)
		}
	}
	w := newWebhook(t, r.URL, WebhookOptions{Attempts: 2})
	for i := range 2 {
		if err := w.Send(t.Context(), batchOf(list...)); err == nil || errors.Is(err, events.ErrInvalid) != (i == 1) {
			t.Fatalf("time %d: got %v", i+1, err)
		}
	}
	if err := w.Send(t.Context(), batchOf(list[:2]...)); err != nil {
		t.Fatal(err)
	}
	if err := w.Send(t.Context(), batchOf(list[2])); !errors.Is(err, events.ErrInvalid) {
		t.Fatalf("alone: got %v", err)
	}
	if err := w.Send(t.Context(), batchOf(list[3])); err != nil {
		t.Fatal(err)
	}
	times := map[string]int{}
	for _, id := range r.ids() {
		times[id]++
	}
	for _, e := range list {
		if e.ID() != bad && times[e.ID()] != 1 {
			t.Errorf("%s was posted %d times", e.ID(), times[e.ID()])
		}
	}
}

func TestWebhook_WaitsForAReceiverThatHangsOrCuts(t *testing.T) {
	for name, serve := range map[string]func(net.Conn){
		"hangs":  func(c net.Conn) { _, _ = io.Copy(io.Discard, c) },
		"resets": func(c net.Conn) { _ = c.(*net.TCPConn).SetLinger(0); c.Close() },
		"half answer": func(c net.Conn) {
			_, _ = io.WriteString(c, "HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\nhalf")
			c.Close()
		},
		"no HTTP": func(c net.Conn) { _, _ = io.WriteString(c, "220 hello\r\n"); c.Close() },
	} {
		t.Run(name, func(t *testing.T) {
			l, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Fatal(err)
			}
			var open sync.WaitGroup
			open.Go(func() {
				for {
					c, err := l.Accept()
					if err != nil {
						return
					}
					open.Go(func() { serve(c); c.Close() })
				}
			})
			defer open.Wait()
			defer l.Close()
			w := newWebhook(t, "http://"+l.Addr().String(), WebhookOptions{Timeout: 100 * time.Millisecond, Attempts: 1})
			if err := w.Send(t.Context(), batchOf(lesionEvent(1, "A"))); !errors.Is(err, events.ErrUnavailable) {
				t.Errorf("got %v", err)
			}
			_ = w.Close()
		})
	}
}

func TestWebhook_RestsAsLongAsTheReceiverAsks(t *testing.T) {
	r := newReceiver(t, secretOf('a'))
	r.answer = func(w http.ResponseWriter, _ string) { w.Header().Set("Retry-After", "120"); w.WriteHeader(503) }
	now := time.Now()
	w := newWebhook(t, r.URL, WebhookOptions{Now: func() time.Time { return now }})
	b := batchOf(lesionEvent(1, "A"))
	for range 3 {
		if err := w.Send(t.Context(), b); !errors.Is(err, events.ErrUnavailable) {
			t.Fatal(err)
		}
	}
	r.answer = nil
	now = now.Add(121 * time.Second)
	if err := w.Send(t.Context(), b); err != nil || len(r.ids()) != 2 {
		t.Errorf("%v; posted %d times, want once before the rest and once behind it", err, len(r.ids()))
	}
}

func TestWebhook_EndsWithItsContext(t *testing.T) {
	r := newReceiver(t, secretOf('a'))
	release := make(chan struct{})
	r.answer = func(http.ResponseWriter, string) { <-release }
	defer close(release)
	w := newWebhook(t, r.URL, WebhookOptions{})
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := w.Send(ctx, batchOf(lesionEvent(1, "A"))); err == nil {
		t.Error("sent")
	}
}

func TestWebhook_ProbeReachesTheReceiverAndPostsNothing(t *testing.T) {
	r := newReceiver(t, secretOf('a'))
	if err := newWebhook(t, r.URL, WebhookOptions{}).Probe(t.Context()); err != nil || len(r.ids()) != 0 {
		t.Errorf("got %v, %d posted", err, len(r.ids()))
	}
	s := httptest.NewTLSServer(http.NotFoundHandler())
	defer s.Close()
	if err := newWebhook(t, s.URL, WebhookOptions{}).Probe(t.Context()); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("nobody vouches for it: got %v", err)
	}
	bad := WebhookOptions{Secrets: func() ([][]byte, error) { return [][]byte{[]byte("no key")}, nil }}
	if err := newWebhook(t, r.URL, bad).Probe(t.Context()); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("no key: got %v", err)
	}
	r.Close()
	if err := newWebhook(t, r.URL, WebhookOptions{}).Probe(t.Context()); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("away: got %v", err)
	}
}
