package mqtt

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	cloudevents "github.com/cloudevents/sdk-go/v2"
	"github.com/cloudevents/sdk-go/v2/binding/spec"
	"github.com/eclipse/paho.golang/paho"
	"github.com/google/go-cmp/cmp"
)

func lesion(animal string, n int) events.Event {
	return events.Event{
		Kind: events.KindLesion, Entity: events.Entity(fmt.Sprintf("%s-%d", strings.ReplaceAll(animal, ":", "-"), n)), Revision: 1,
		Change: events.Recorded, Farm: "larkfield", Source: "chute", Subject: animal,
		Recorded: time.Date(2026, 3, 4, 8, 0, 0, 0, time.UTC),
		Data:     json.RawMessage(fmt.Sprintf(`{"code":"SU","foot":"RH","occurred":{"date":"2026-03-04"},"remarks":[{"text":"%d ü"}]}`, n)),
	}
}

func batchOf(list ...events.Event) *adapters.Batch { return &adapters.Batch{Name: "b", Events: list} }

func newSink(t testing.TB, b *broker, change ...func(*SinkOptions)) *Sink {
	t.Helper()
	o := SinkOptions{Who: "feed vet", Server: Server{URL: "mqtt://" + b.Address()}, Client: "dewclaw-vet", Topic: "herd/out", AckWait: 5 * time.Second}
	for _, f := range change {
		f(&o)
	}
	s, err := OpenSink(o)
	must(t, err)
	t.Cleanup(func() { must(t, s.Close()) })
	return s
}

// receive collects events with the Paho project's own client, and reads them as
// sections 2.2 and 3 of the binding say, with the CloudEvents project's own SDK.
func receive(t testing.TB, b *broker) <-chan cloudevents.Event {
	t.Helper()
	conn, err := net.Dial("tcp", b.Address())
	must(t, err)
	out := make(chan cloudevents.Event, 100)
	c := paho.NewClient(paho.ClientConfig{
		ClientID: "receiver", Conn: conn,
		OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(r paho.PublishReceived) (bool, error) {
			e, err := readEvent(r.Packet)
			if err != nil {
				t.Error(err)
			}
			out <- e
			return true, nil
		}},
	})
	_, err = c.Connect(t.Context(), &paho.Connect{ClientID: "receiver", KeepAlive: 30, CleanStart: true})
	must(t, err)
	_, err = c.Subscribe(t.Context(), &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: "herd/out/#", QoS: 1}}})
	must(t, err)
	t.Cleanup(func() { _ = c.Disconnect(&paho.Disconnect{}); <-c.Done() })
	return out
}

func readEvent(p *paho.Publish) (cloudevents.Event, error) {
	e := cloudevents.NewEvent()
	if strings.HasPrefix(p.Properties.ContentType, "application/cloudevents") {
		return e, json.Unmarshal(p.Payload, &e)
	}
	version := spec.VS.Version(p.Properties.User.Get("specversion"))
	if version == nil {
		return e, errors.New("no specversion")
	}
	e.Context = version.NewContext()
	for _, u := range p.Properties.User {
		var err error
		if a := version.Attribute(u.Key); a == nil {
			err = e.Context.SetExtension(u.Key, u.Value)
		} else if a.Kind() != spec.SpecVersion {
			err = a.Set(e.Context, u.Value)
		}
		if err != nil {
			return e, fmt.Errorf("%s: %w", u.Key, err)
		}
	}
	return e, e.SetData(p.Properties.ContentType, json.RawMessage(p.Payload))
}

// What leaves is read by the CloudEvents project's own SDK: it must be the event
// in either mode (MQTT Protocol Binding for CloudEvents 1.0.2).
func TestSend_PublishesCloudEvents(t *testing.T) {
	b := newBroker(t)
	in := receive(t, b)
	one, two := lesion("ear-tag:DE1", 1), lesion("ear-tag:DE2", 2)
	two.Farm, two.Kind, two.Revision, two.Change = "stony/run+north", events.KindTreatment, 2, events.Amended
	for _, mode := range []Mode{Structured, Binary} {
		s := newSink(t, b, func(o *SinkOptions) { o.Mode = mode })
		must(t, s.Send(t.Context(), batchOf(one, two)))
		for _, want := range []events.Event{one, two} {
			var ce cloudevents.Event
			select {
			case ce = <-in:
			case <-time.After(patience):
				t.Fatalf("%s: no event", mode)
			}
			if err := ce.Validate(); err != nil {
				t.Errorf("%s: %v", mode, err)
			}
			var whole, got map[string]any
			b, err := json.Marshal(ce)
			must(t, errors.Join(err, json.Unmarshal(b, &got), json.Unmarshal(want.AppendCloudEvent(nil), &whole)))
			if mode == Binary { // an extension is a text in a user property (section 3.1.3)
				whole["revision"] = fmt.Sprint(whole["revision"])
			}
			if diff := cmp.Diff(whole, got); diff != "" {
				t.Errorf("%s (-want +got):\n%s", mode, diff)
			}
		}
	}
}

// listen is mosquitto_sub: each message as topic, content type, late or not, payload.
func listen(t testing.TB, b *broker, v Version) func(n int) []string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "got")
	f, err := os.Create(name)
	must(t, err)
	version, format := "5", "%t|%C|%P|%p"
	if v == V3 {
		version, format = "311", "%t|||%p"
	}
	cmd := exec.Command("mosquitto_sub", "-i", "listener", "-V", version, "-p", fmt.Sprint(b.Port), "-q", "1", "-t", "herd/#", "-F", format)
	cmd.Stdout = f
	must(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait(); _ = f.Close() })
	b.said("Sending SUBACK to listener", 1)
	return func(n int) []string {
		t.Helper()
		var lines []string
		until(t, fmt.Sprint(n, " messages"), func() bool {
			text, err := os.ReadFile(name)
			must(t, err)
			lines = strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
			return len(lines) >= n && lines[0] != ""
		})
		return lines
	}
}

func TestSend_KeepsTheOrderOverALongBatch(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b := newBroker(t, "max_queued_messages 0")
		got := listen(t, b, v)
		var list []events.Event
		var want []string
		for n := range 300 {
			e := lesion(fmt.Sprint("ear-tag:DE", n%7), n)
			list, want = append(list, e), append(want, string(e.AppendCloudEvent(nil)))
		}
		s := newSink(t, b, func(o *SinkOptions) { o.Server.Version = v; o.Window = 16 })
		must(t, s.Send(t.Context(), batchOf(list[:100]...)))
		must(t, s.Send(t.Context(), batchOf(list[100:]...)))
		lines := got(len(want))
		for i := range lines {
			lines[i] = lines[i][strings.Index(lines[i], "{"):]
		}
		if !slices.Equal(lines, want) {
			t.Errorf("%d messages came in another order or otherwise, want %d", len(lines), len(want))
		}
	})
}

func TestSend_MarksWhatIsLate(t *testing.T) {
	b := newBroker(t)
	got := listen(t, b, V5)
	s := newSink(t, b)
	late := batchOf(lesion("ear-tag:DE1", 1))
	late.Late = true
	must(t, s.Send(t.Context(), batchOf(lesion("ear-tag:DE1", 1))))
	must(t, s.Send(t.Context(), late))
	lines := got(2)
	for i, want := range []string{"herd/out/larkfield/lesion|application/cloudevents+json||{", "herd/out/larkfield/lesion|application/cloudevents+json|late:true|{"} {
		if !strings.HasPrefix(lines[i], want) {
			t.Errorf("got %s, want %s…", lines[i], want)
		}
	}
}

// A broker that is stopped in the middle: the batch is sent again as a whole, with
// the same ids.
func TestSend_GoesOnOverARestartOfTheBroker(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		b := newBroker(t)
		s := newSink(t, b, func(o *SinkOptions) { o.Server.Version = v })
		must(t, s.Send(t.Context(), batchOf(lesion("a:1", 1))))
		must(t, b.Stop())
		if err := s.Send(t.Context(), batchOf(lesion("a:1", 2))); !errors.Is(err, events.ErrUnavailable) {
			t.Fatalf("without a broker: %v", err)
		}
		must(t, b.Start())
		got := listen(t, b, v)
		must(t, s.Send(t.Context(), batchOf(lesion("a:1", 2))))
		if lines := got(1); !strings.Contains(lines[0], `"id":"a-1-2.1"`) {
			t.Errorf("got %q", lines)
		}
	})
}

// What the broker does not take is told apart: a permission may come (unavailable),
// a size does not (invalid). MQTT 3.1.1 has no answer for either.
func TestSend_SaysWhatTheBrokerRefuses(t *testing.T) {
	acl := filepath.Join(t.TempDir(), "acl")
	must(t, os.WriteFile(acl, []byte("topic write herd/out/larkfield/#\n"), 0o600))
	b := newBroker(t, "acl_file "+acl, "max_packet_size 2000")
	s := newSink(t, b)
	ours, foreign, large := lesion("a:1", 1), lesion("a:1", 2), lesion("a:1", 3)
	foreign.Farm = "stony-run"
	large.Data = json.RawMessage(`{"text":"` + strings.Repeat("x", 2000) + `"}`)
	err := s.Send(t.Context(), batchOf(ours, ours, foreign, ours))
	if !errors.Is(err, events.ErrUnavailable) || !strings.Contains(err.Error(), "publish a-1-2.1 to herd/out/stony-run/lesion") || !strings.Contains(err.Error(), "not authorized") {
		t.Errorf("permission: got %v", err)
	}
	err = s.Send(t.Context(), batchOf(ours, large))
	if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "a-1-3.1") || !strings.Contains(err.Error(), "2000 bytes") {
		t.Errorf("size: got %v", err)
	}
	must(t, s.Send(t.Context(), batchOf(ours)))
	must(t, s.Send(t.Context(), batchOf()))
}

func TestOpenSink_RefusesWhatCannotBe(t *testing.T) {
	for name, change := range map[string]func(*SinkOptions){
		"no client":       func(o *SinkOptions) { o.Client = "" },
		"no topic":        func(o *SinkOptions) { o.Topic = "" },
		"wild":            func(o *SinkOptions) { o.Topic = "a/+" },
		"mode":            func(o *SinkOptions) { o.Mode = "plain" },
		"binary in 3.1.1": func(o *SinkOptions) { o.Mode, o.Server.Version = Binary, V3 },
		"window":          func(o *SinkOptions) { o.Window = 1 << 16 },
		"server":          func(o *SinkOptions) { o.Server.URL = "" },
	} {
		o := SinkOptions{Who: "feed vet", Server: Server{URL: "mqtt://a"}, Client: "c", Topic: "a"}
		if _, err := OpenSink(o); err != nil {
			t.Fatal(err)
		}
		change(&o)
		if _, err := OpenSink(o); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}
