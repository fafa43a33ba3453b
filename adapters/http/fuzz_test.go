package http

import (
	"bufio"
	"bytes"
	"errors"
	"io"
	"net/http"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"

	"dewclaw/events"
)

// wire answers a request with bytes as they come from a receiver.
type wire struct {
	bytes []byte
	asked int
}

func (w *wire) RoundTrip(r *http.Request) (*http.Response, error) {
	w.asked++
	if _, err := io.Copy(io.Discard, r.Body); err != nil {
		return nil, err
	}
	return http.ReadResponse(bufio.NewReader(bytes.NewReader(w.bytes)), r)
}

var statusLine = regexp.MustCompile(`^HTTP/\d\.\d +2\d\d(\s|$)`)

// FuzzWebhook_Answer gives a webhook whatever a receiver may answer: status lines,
// headers, bodies. An event counts as delivered only if the status line says 2xx;
// anything else is told in one line that people can read, and nobody is made to
// wait for longer than an hour, or not at all where the receiver asked for it.
func FuzzWebhook_Answer(f *testing.F) {
	for _, s := range []string{
		"HTTP/1.1 204 No Content\r\n\r\n",
		"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}",
		"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2\r\n{}\r\n0\r\n\r\n",
		"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nffffffffff\r\n",
		"HTTP/1.1 200 OK\r\nContent-Length: 10\r\n\r\ncut",
		"HTTP/1.0 429 Too Many Requests\r\nRetry-After: 120\r\n\r\n",
		"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 99999999999\r\n\r\n",
		"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 18446744074\r\n\r\n",
		"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 999999999999999999999\r\n\r\n",
		"HTTP/1.1 503 Service Unavailable\r\nRetry-After: -1\r\n\r\n",
		"HTTP/1.1 503 Service Unavailable\r\nRetry-After: Fri, 31 Dec 1999 23:59:59 GMT\r\n\r\n",
		"HTTP/1.1 301 Moved\r\nLocation: http://127.0.0.1:1/\r\n\r\n",
		"HTTP/1.1 307 Moved\r\nLocation: :\r\n\r\n",
		"HTTP/1.1 410 Gone\r\n\r\n",
		"HTTP/1.1 400 \x1b[2J\x9b\r\nContent-Type: text/html\r\n\r\n<html>\n\x1b]0;x\x07\u202e</html>",
		"HTTP/1.1 422 Unprocessable\r\n\r\n" + strings.Repeat("no ", 4000),
		"HTTP/1.1 500 " + strings.Repeat("x", 100_000) + "\r\n\r\n",
		"HTTP/1.1 1000 x\r\n\r\n",
		"HTTP/1.1 99 x\r\n\r\n",
		"HTTP/2 200\r\n\r\n",
		"ICY 200 OK\r\n\r\n",
		"",
	} {
		f.Add([]byte(s))
	}
	now := time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC)
	after := regexp.MustCompile(`^HTTP/1\.[01] (?:429|503) [^\r\n]*\r\nRetry-After: ([1-9]\d*)\r\n\r\n`)
	f.Fuzz(func(t *testing.T, answer []byte) {
		w, err := NewWebhook(WebhookOptions{
			Who: "feed vet", URL: "http://127.0.0.1:1/", Now: func() time.Time { return now }, Attempts: 2,
			Secrets: func() ([][]byte, error) { return [][]byte{secretOf('a')}, nil },
		})
		if err != nil {
			t.Fatal(err)
		}
		from := &wire{bytes: answer}
		w.client.Transport = from
		e := lesionEvent(1, "A")
		err = w.Send(t.Context(), batchOf(e))
		if from.asked != 1 {
			t.Fatalf("asked %d times", from.asked)
		}
		if err == nil {
			if !statusLine.Match(answer) {
				t.Errorf("%.80q counts as delivered", answer)
			}
			return
		}
		if !errors.Is(err, events.ErrUnavailable) {
			t.Errorf("%.80q: an event is given up at the first answer: %v", answer, err)
		}
		if s := err.Error(); len(s) > 1000 || strings.ContainsFunc(s, unicode.IsControl) {
			t.Errorf("%.80q is told in %d bytes: %.2000q", answer, len(s), s)
		}
		wait := w.until.Sub(now)
		if w.until.IsZero() {
			wait = 0
		}
		if wait < 0 || wait > time.Hour {
			t.Errorf("%.80q: waits %v", answer, wait)
		}
		if m := after.FindSubmatch(answer); m != nil {
			want := time.Hour
			if len(m[1]) < 5 {
				s, _ := strconv.Atoi(string(m[1])) // digits only
				want = min(time.Duration(s)*time.Second, want)
			}
			if wait != want {
				t.Errorf("%.80q: waits %v, wanted %v", answer, wait, want)
			}
		}
		now := now.Add(2 * time.Hour)
		w.o.Now = func() time.Time { return now }
		if err := w.Send(t.Context(), batchOf(e)); err == nil || from.asked != 2 {
			t.Errorf("%.80q: the second time: %v, asked %d times", answer, err, from.asked)
		}
	})
}
