package mqttport

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"

	"dewclaw/events"
	"dewclaw/testdata/outside"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const patience = 20 * time.Second // until a test gives up

// open opens a port for devices of two sources, whose passwords are "of" and the
// id of the source.
func open(t testing.TB, o Options) *Port {
	t.Helper()
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	if o.Sources == nil {
		o.Sources = []Source{source("chute", "chute/#"), source("gate", "gate/+/score", "gate/gate")}
	}
	p, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(sync.OnceFunc(func() { _ = p.Close() }))
	return p
}

func source(id string, topics ...string) Source {
	return Source{ID: id, Topics: topics, May: func(password string) bool { return password == "of "+id }}
}

// A published is what came of a message that Debian's client sent.
type published struct {
	acknowledged bool
	failed       bool
	said         string
}

// publish sends a message with Debian's client.
func publish(t testing.TB, p *Port, source, password string, args ...string) published {
	t.Helper()
	outside.Need(t, "mosquitto_pub")
	_, port, err := net.SplitHostPort(p.Addr())
	if err != nil {
		t.Fatal(err)
	}
	all := append([]string{"-d", "-V", "mqttv311", "-h", "127.0.0.1", "-p", port, "-u", source, "-P", password}, args...)
	out, err := exec.CommandContext(t.Context(), "mosquitto_pub", all...).CombinedOutput()
	said := string(out)
	return published{strings.Contains(said, "PUBACK") || strings.Contains(said, "PUBCOMP"), err != nil, said}
}

// connect is a device that stays connected: the client of Eclipse Paho for MQTT 3.1.1.
func connect(t testing.TB, p *Port, source string, lost func()) paho.Client {
	t.Helper()
	o := paho.NewClientOptions().AddBroker("tcp://" + p.Addr()).SetClientID("device-" + source).SetProtocolVersion(4).
		SetUsername(source).SetPassword("of " + source).SetAutoReconnect(false).SetCleanSession(true).
		SetConnectionLostHandler(func(paho.Client, error) { lost() })
	c := paho.NewClient(o)
	if done := c.Connect(); !done.WaitTimeout(patience) || done.Error() != nil {
		t.Fatalf("connect: %v", done.Error())
	}
	t.Cleanup(func() { c.Disconnect(100) })
	return c
}

// A reader reads a source as the daemon does, over a connection in the process.
type reader struct {
	t testing.TB
	c jetstream.Consumer
}

func read(t testing.TB, p *Port, source string) *reader {
	t.Helper()
	nc, err := nats.Connect("", nats.InProcessServer(p), nats.UserInfo(source, p.Password()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	c, err := js.Consumer(t.Context(), Stream, Durable)
	if err != nil {
		t.Fatal(err)
	}
	return &reader{t, c}
}

// all takes what waits and returns it as "topic body", in its order.
func (r *reader) all() []string {
	r.t.Helper()
	var list []string
	for {
		b, err := r.c.FetchNoWait(100)
		if err != nil {
			r.t.Fatal(err)
		}
		n := len(list)
		for m := range b.Messages() {
			if err := m.DoubleAck(r.t.Context()); err != nil {
				r.t.Fatal(err)
			}
			list = append(list, Topic(m.Subject())+" "+string(m.Data()))
		}
		if len(list) == n {
			return list
		}
	}
}

func waiting(t testing.TB, p *Port, source string, want int) {
	t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(10 * time.Millisecond) {
		n, err := p.Waiting(t.Context(), source)
		if err != nil {
			t.Fatal(err)
		}
		if n == want {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("%d messages wait, wanted %d", n, want)
		}
	}
}

// What devices send is in the stream in its order, whatever its QoS and whether it
// is retained, before it is acknowledged; and over a restart.
func TestPort_KeepsWhatItAcknowledges(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	p := open(t, Options{Dir: dir})
	if !p.running().JetStreamConfig().SyncAlways {
		t.Error("the store does not sync on every write")
	}
	var want []string
	for i, m := range []struct{ qos, topic string }{
		{"1", "chute/1/record"}, {"2", "chute/1/record"}, {"0", "chute/4.2/record"}, {"1", "chute"}, {"2", "chute//a.b/"}, {"1", "chute/1/record"},
	} {
		body := fmt.Sprint("body ", i)
		args := []string{"-q", m.qos, "-t", m.topic, "-m", body}
		if i == 5 {
			args = append(args, "-r")
		}
		if got := publish(t, p, "chute", "of chute", args...); got.failed || m.qos != "0" && !got.acknowledged {
			t.Fatalf("QoS %s on %s: %s", m.qos, m.topic, got.said)
		}
		want = append(want, m.topic+" "+body)
		waiting(t, p, "chute", len(want))
	}
	if err := p.Close(); err != nil {
		t.Fatal(err)
	}
	p = open(t, Options{Dir: dir})
	if got := publish(t, p, "gate", "of gate", "-q", "1", "-t", "gate/7/score", "-m", "one"); !got.acknowledged {
		t.Errorf("another source: %s", got.said)
	}
	if got := read(t, p, "gate").all(); !slices.Equal(got, []string{"gate/7/score one"}) {
		t.Errorf("the other source has %q", got)
	}
	chute := read(t, p, "chute")
	if got := chute.all(); !slices.Equal(got, want) {
		t.Errorf("got\n%q, wanted\n%q", got, want)
	}
	waiting(t, p, "chute", 0)
	if err := p.Reopen(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := publish(t, p, "chute", "of chute", "-q", "1", "-t", "chute", "-m", "after"); !got.acknowledged {
		t.Errorf("opened again: %s", got.said)
	}
	if got := read(t, p, "chute").all(); !slices.Equal(got, []string{"chute after"}) {
		t.Errorf("opened again, it has %q", got)
	}
}

// With a certificate the port speaks TLS, and nothing else.
func TestPort_SpeaksTLS(t *testing.T) {
	t.Parallel()
	ca, cert, key := outside.Certificates(t)
	other, old, oldKey := outside.Certificates(t)
	p := open(t, Options{Cert: old, Key: oldKey, Certificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		pair, err := tls.LoadX509KeyPair(cert, key)
		return &pair, err
	}})
	if got := publish(t, p, "chute", "of chute", "--cafile", ca, "-q", "1", "-t", "chute/1", "-m", "over TLS"); !got.acknowledged {
		t.Errorf("over TLS: %s", got.said)
	}
	for what, args := range map[string][]string{
		"without TLS": nil, "whom nobody vouches for": {"--cafile", other},
	} {
		if got := publish(t, p, "chute", "of chute", append(args, "-q", "1", "-t", "chute/1", "-m", what)...); got.acknowledged || !got.failed {
			t.Errorf("%s: %s", what, got.said)
		}
	}
	if c, err := tls.Dial("tcp", p.Addr(), &tls.Config{InsecureSkipVerify: true, MaxVersion: tls.VersionTLS11, MinVersion: tls.VersionTLS10}); err == nil {
		_ = c.Close()
		t.Error("it speaks TLS 1.1")
	}
	if got := read(t, p, "chute").all(); !slices.Equal(got, []string{"chute/1 over TLS"}) {
		t.Errorf("it has %q", got)
	}
}

// A message that nobody would read gets no acknowledgement: the connection ends.
// The server by itself acknowledges what a client may not publish (MQTT 3.1.1,
// section 3.3.5, allows it), which would be a loss that nobody hears of.
func TestPort_RefusesWhatNobodyReads(t *testing.T) {
	t.Parallel()
	p := open(t, Options{})
	for _, topic := range []string{
		"chut/1", "gate/7/score", "chutes", "$JS/API/STREAM/DELETE/$MQTT_msgs", "$MQTT/msgs/chute/x", "$SYS/x", "_INBOX/x", "chute/two words",
	} {
		for _, qos := range []string{"1", "2"} {
			if got := publish(t, p, "chute", "of chute", "-q", qos, "-t", topic, "-m", "x"); got.acknowledged || !got.failed {
				t.Errorf("QoS %s on %s: acknowledged %t, client failed %t: %s", qos, topic, got.acknowledged, got.failed, got.said)
			}
		}
	}
	for _, who := range [][2]string{{"chute", "of gate"}, {"gate", "of chute"}, {"nobody", "of chute"}, {"chute", ""}} {
		got := publish(t, p, who[0], who[1], "-q", "1", "-t", "chute/1", "-m", "x")
		if got.acknowledged || !strings.Contains(got.said, "not authorised") {
			t.Errorf("user %s with %q: %s", who[0], who[1], got.said)
		}
	}
	// A device that stays connected sees its connection end, and what it sent before
	// that is there.
	lost := make(chan struct{})
	c := connect(t, p, "chute", func() { close(lost) })
	if done := c.Publish("chute/1", 1, false, "good"); !done.WaitTimeout(patience) || done.Error() != nil {
		t.Fatalf("publish: %v", done.Error())
	}
	if done := c.Subscribe("chute/#", 1, nil); !done.WaitTimeout(patience) || done.(*paho.SubscribeToken).Result()["chute/#"] != 0x80 {
		t.Errorf("a device may subscribe: %v", done.(*paho.SubscribeToken).Result())
	}
	bad := c.Publish("elsewhere", 1, false, "bad")
	select {
	case <-lost:
	case <-time.After(patience):
		t.Error("the connection stays")
	}
	if bad.WaitTimeout(patience); bad.Error() == nil {
		t.Error("what nobody reads is acknowledged")
	}
	if got := read(t, p, "chute").all(); !slices.Equal(got, []string{"chute/1 good"}) {
		t.Errorf("it has %q", got)
	}
	if err := p.Failed(); err != nil {
		t.Errorf("what devices do wrong counts as a failure of the server: %v", err)
	}
}

// A device that tries again and again while the port opens for the first time: the
// first message that is acknowledged is read.
func TestPort_OpensWhenItsReaderIsThere(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	first := make(chan string, 1)
	var ended atomic.Bool
	defer ended.Store(true)
	go func() {
		for i := 0; !ended.Load(); i++ {
			o := paho.NewClientOptions().AddBroker("tcp://" + address).SetProtocolVersion(4).SetUsername("chute").SetPassword("of chute").
				SetAutoReconnect(false).SetConnectTimeout(time.Second)
			c := paho.NewClient(o)
			if done := c.Connect(); !done.WaitTimeout(time.Second) || done.Error() != nil {
				continue
			}
			body := fmt.Sprint("try ", i)
			done := c.Publish("chute/1", 1, false, body)
			ok := done.WaitTimeout(patience) && done.Error() == nil
			c.Disconnect(10)
			if ok {
				first <- body
				return
			}
		}
	}()
	p := open(t, Options{Listen: address})
	select {
	case body := <-first:
		if got := read(t, p, "chute").all(); !slices.Contains(got, "chute/1 "+body) {
			t.Errorf("%q is acknowledged, and not there: %q", body, got)
		}
	case <-time.After(patience):
		t.Fatal("nothing is acknowledged")
	}
}

// With no room left nothing is acknowledged that is not kept, and it goes on when
// something was read.
func TestPort_IsBounded(t *testing.T) {
	t.Parallel()
	p := open(t, Options{MaxWaiting: 64 << 10})
	body := strings.Repeat("x", 4<<10)
	kept := 0
	for i := range 40 {
		got := publish(t, p, "chute", "of chute", "-q", "1", "-t", fmt.Sprint("chute/", i), "-m", body)
		if !got.acknowledged {
			if !got.failed {
				t.Errorf("not acknowledged, and the device is not told: %s", got.said)
			}
			break
		}
		kept++
	}
	if kept < 10 || kept > 16 {
		t.Errorf("%d messages of 4 KiB are kept in 64 KiB", kept)
	}
	if err := p.Failed(); err != nil {
		t.Errorf("a full stream counts as a failure of the server: %v", err)
	}
	r := read(t, p, "chute")
	if got := r.all(); len(got) != kept {
		t.Errorf("%d messages were acknowledged, %d are there", kept, len(got))
	}
	if got := publish(t, p, "chute", "of chute", "-q", "1", "-t", "chute/again", "-m", body); !got.acknowledged {
		t.Errorf("with room again: %s", got.said)
	}
}

// A password that does not hold any more ends the connection of its device.
func TestPort_AsksAgain(t *testing.T) {
	t.Parallel()
	var ended atomic.Bool
	p := open(t, Options{Sources: []Source{{ID: "chute", Topics: []string{"chute/#"}, May: func(string) bool { return !ended.Load() }}}})
	lost := make(chan struct{})
	connect(t, p, "chute", func() { close(lost) })
	if n := p.Devices(); n != 1 {
		t.Errorf("%d devices, wanted 1", n)
	}
	p.look(true)
	select {
	case <-lost:
		t.Fatal("it is ended though it may be there")
	case <-time.After(50 * time.Millisecond):
	}
	ended.Store(true)
	p.look(true)
	select {
	case <-lost:
	case <-time.After(patience):
		t.Fatal("it stays")
	}
	for end := time.Now().Add(patience); p.Devices() != 0; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%d devices, wanted none", p.Devices())
		}
		p.look(false)
	}
}

func TestOpen_SaysWhatCannotBe(t *testing.T) {
	p := open(t, Options{})
	for name, c := range map[string]struct {
		o    Options
		kind error
	}{
		"no port":           {Options{Listen: "127.0.0.1"}, events.ErrInvalid},
		"topics in common":  {Options{Listen: "127.0.0.1:0", Sources: []Source{source("chute", "a/+", "a/b")}}, events.ErrInvalid},
		"no certificate":    {Options{Listen: "127.0.0.1:0", Cert: "none.crt", Key: "none.key"}, events.ErrInvalid},
		"a port in use":     {Options{Listen: p.Addr()}, events.ErrUnavailable},
		"no folder to have": {Options{Listen: "127.0.0.1:0", Dir: filepath.Join("/proc", "none")}, events.ErrUnavailable},
	} {
		if c.o.Dir == "" {
			c.o.Dir = t.TempDir()
		}
		if _, err := Open(t.Context(), c.o); !errors.Is(err, c.kind) {
			t.Errorf("%s: got %v, wanted %v", name, err, c.kind)
		}
	}
}

// Topics and subjects as nats-server converts them (its function
// mqttToNATSSubjectConversion, v2.15.2).
func TestTopic_IsTheWayBack(t *testing.T) {
	for topic, subject := range map[string]string{
		"chute": "chute", "a/b": "a.b", "a.b/c": "a//b.c", "/a": "/.a", "a/": "a./", "a//b": "a./.b", "/": "/./",
	} {
		if got := subjects(topic); !slices.Equal(got, []string{subject}) {
			t.Errorf("%q: got %q, wanted %q", topic, got, subject)
		}
		if got := Topic(prefix + subject); got != topic {
			t.Errorf("%q: got %q, wanted %q", subject, got, topic)
		}
	}
	for filter, want := range map[string][]string{"a/#": {"a.>", "a"}, "#": {">"}, "+/b": {"*.b"}} {
		if got := subjects(filter); !slices.Equal(got, want) {
			t.Errorf("%q: got %q, wanted %q", filter, got, want)
		}
	}
	for _, list := range [][]string{{"$SYS/a"}, {"a b"}, {"a/#", "a"}, {"a/+", "+/b"}, {"#", "a"}, {"a", "a"}, {""}} {
		if err := CheckTopics("source chute", list); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("%q: got %v", list, err)
		}
	}
	if err := CheckTopics("source chute", []string{"a/+/b", "a/c", "b/#"}); err != nil {
		t.Error(err)
	}
}
