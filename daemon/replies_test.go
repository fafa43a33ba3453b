package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/daemon/internal/delivery"
)

// A clerk is a recipient that has a herd book of its own: it takes events in, and
// replies to each; cows it does not know it refuses. To lose what it does not have
// is nothing to it. It replies while it is being
// posted to, as some do.
type clerk struct {
	t     *testing.T
	p     *httpProject
	knows func(cow string) bool
	files string              // folder for replies; "" for HTTP or a stream
	js    jetstream.JetStream // nil for HTTP or files

	mu  sync.Mutex
	got int
}

func (c *clerk) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	b, err := io.ReadAll(r.Body)
	var e struct{ ID, Subject, Change string }
	if err == nil {
		err = json.Unmarshal(b, &e)
	}
	if err != nil {
		c.t.Error(err)
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	reply := delivery.Reply{ID: e.ID, Outcome: delivery.Confirmed, Reference: "hb-" + e.ID[:4]}
	if e.Change != "retracted" && !c.knows(e.Subject) {
		reply = delivery.Reply{ID: e.ID, Outcome: delivery.Refused, Reason: "no cow " + e.Subject + " in this herd"}
	}
	body, err := json.Marshal(reply)
	if err == nil {
		err = c.send(body, e.ID)
	}
	if err != nil {
		c.t.Error(err)
	}
	c.mu.Lock()
	c.got++
	c.mu.Unlock()
}

func (c *clerk) send(body []byte, id string) error {
	if c.files != "" {
		return os.WriteFile(filepath.Join(c.files, id+".json"), body, 0o644)
	}
	if c.js != nil {
		_, err := c.js.Publish(c.t.Context(), "replies.vet", body)
		return err
	}
	r, err := http.NewRequest("POST", c.p.url+"/v1/feeds/vet/replies", bytes.NewReader(body))
	if err != nil {
		return err
	}
	r.Header.Set("Authorization", "Bearer "+c.p.token)
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		return err
	}
	defer a.Body.Close()
	said, err := io.ReadAll(a.Body)
	if err == nil && !strings.Contains(string(said), `"result":"noted"`) {
		err = fmt.Errorf("%s: %s", a.Status, said)
	}
	return err
}

// untilReplies waits until the feed has so many confirmed and refused.
func untilReplies(t *testing.T, p httpProject, confirmed, refused int) (s delivery.State) {
	t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
		s = delivery.State{}
		if err := json.Unmarshal((&killer{t: t}).dewclaw(p.dir, "feed", "show", "vet", "--json"), &s); err != nil {
			t.Fatal(err)
		}
		if s.Confirmed == confirmed && s.Refused == refused {
			return s
		}
		if time.Now().After(end) {
			t.Fatalf("%d confirmed and %d refused, want %d and %d", s.Confirmed, s.Refused, confirmed, refused)
		}
	}
}

// TestReplies_OfARecipientThatRefusesOneInTen: what is refused is shown with its
// reason, put right, sent again, and confirmed.
func TestReplies_OfARecipientThatRefusesOneInTen(t *testing.T) {
	for _, way := range []string{"HTTP", "files", "stream"} {
		if testing.Short() && way != "stream" {
			continue // the race detector has most to see there
		}
		t.Run(way, func(t *testing.T) {
			var p httpProject
			c := &clerk{t: t, p: &p, knows: func(cow string) bool { return !strings.HasSuffix(cow, "0") }}
			s := httptest.NewServer(c)
			t.Cleanup(s.Close)
			more := ""
			if way == "files" {
				c.files = t.TempDir()
				more = fmt.Sprintf(", replies: {folder: %q, files: \"*.json\"}", c.files)
			}
			if way == "stream" {
				var url string
				url, _, c.js = startJetStream(t)
				if _, err := c.js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "REPLIES", Subjects: []string{"replies.>"}}); err != nil {
					t.Fatal(err)
				}
				if _, err := c.js.Publish(t.Context(), "replies.vet", []byte("{no reply")); err != nil { // costs nothing but itself
					t.Fatal(err)
				}
				more = fmt.Sprintf(", replies: {nats: {url: %q, subject: replies.vet}}", url)
			}
			p = fedProject(t, fmt.Sprintf("  vet: {recipient: vet, farms: [hilltop], kinds: [locomotion], to: {webhook: {url: %q, secrets: [{file: hook.key}]}}%s}\n", s.URL, more))
			said := p.run(t)
			defer func() {
				if t.Failed() {
					t.Log(said)
				}
			}()
			p.send(t, 1, 30)
			k := &killer{t: t}
			show := untilReplies(t, p, 27, 3)
			for _, x := range show.Refusals {
				if !strings.HasPrefix(x.Reason, "no cow transponder:2760003120000") || x.State != "open" || x.Newer != "" {
					t.Errorf("got %+v", x)
				}
			}
			text := string(k.dewclaw(p.dir, "feed", "show", "vet"))
			if !strings.Contains(text, "27 confirmed, 3 refused by the recipient") || !strings.Contains(text, "to be corrected: ") {
				t.Errorf("feed show says\n%s", text)
			}
			if said := string(k.dewclaw(p.dir, "trace", show.Refusals[0].ID)); !strings.Contains(said, "refused: no cow") {
				t.Errorf("trace says\n%s", said)
			}
			k.dewclaw(p.dir, "correct", show.Refusals[0].ID, "--animal", "transponder:276000312000011", "--who", "anna", "--why", "misread")
			show = untilReplies(t, p, 29, 3) // the event, and the delete of what it was
			if x := show.Refusals[0]; x.State != delivery.Confirmed || !strings.HasSuffix(x.Newer, ".2") {
				t.Errorf("after the correction: got %+v", x)
			}
			k.dewclaw(p.dir, "verify")
		})
	}
}
