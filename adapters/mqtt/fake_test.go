package mqtt

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"

	packets5 "github.com/eclipse/paho.golang/packets"
	packets3 "github.com/eclipse/paho.mqtt.golang/packets"
)

// A fake is a broker that says what it is told to, for what mosquitto does not do.
type fake struct {
	t       *testing.T
	v       Version
	present bool // the session is there
	conns   chan net.Conn
	conn    net.Conn
	r       *bufio.Reader
}

func newFake(t *testing.T, v Version) *fake { return &fake{t: t, v: v, conns: make(chan net.Conn, 1)} }

func (f *fake) dial() (net.Conn, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	defer l.Close()
	ours, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		return nil, err
	}
	theirs, err := l.Accept()
	f.conns <- theirs
	return ours, err
}

// serve answers connect and subscribe. Then the fake is at the test's command.
func (f *fake) serve() {
	f.t.Helper()
	select {
	case f.conn = <-f.conns:
	case <-time.After(patience):
		f.t.Fatal("nobody connects")
	}
	f.r = bufio.NewReader(f.conn)
	f.want("CONNECT")
	if f.v == V3 {
		p := packets3.NewControlPacket(packets3.Connack).(*packets3.ConnackPacket)
		p.SessionPresent = f.present
		must(f.t, p.Write(f.conn))
	} else {
		p := packets5.NewControlPacket(packets5.CONNACK)
		p.Content.(*packets5.Connack).SessionPresent = f.present
		f.write5(p)
	}
	f.want("SUBSCRIBE")
	if f.v == V3 {
		p := packets3.NewControlPacket(packets3.Suback).(*packets3.SubackPacket)
		p.MessageID, p.ReturnCodes = 1, []byte{2}
		must(f.t, p.Write(f.conn))
		return
	}
	p := packets5.NewControlPacket(packets5.SUBACK)
	c := p.Content.(*packets5.Suback)
	c.PacketID, c.Reasons = 1, []byte{2}
	f.write5(p)
}

func (f *fake) write5(p *packets5.ControlPacket) {
	f.t.Helper()
	var b bytes.Buffer
	_, err := p.WriteTo(&b)
	must(f.t, err)
	_, err = f.conn.Write(b.Bytes())
	must(f.t, err)
}

// send sends a packet of ours.
func (f *fake) send(p *packet) {
	f.t.Helper()
	var b bytes.Buffer
	must(f.t, codecs[f.v]().write(&b, p))
	_, err := f.conn.Write(b.Bytes())
	must(f.t, err)
}

func (f *fake) publish(id uint16, qos byte, dup bool, text string) {
	f.t.Helper()
	f.send(&packet{kind: kindPublish, id: id, qos: qos, dup: dup, topic: "chute/one", payload: []byte(text)})
}

// want reads the next packet that is no ping, and compares its name.
func (f *fake) want(name string) (id uint16) {
	f.t.Helper()
	for {
		must(f.t, f.conn.SetReadDeadline(time.Now().Add(patience)))
		got := ""
		if f.v == V3 {
			p, err := packets3.ReadPacket(f.r)
			must(f.t, err)
			got, id = strings.Fields(p.String())[0], p.Details().MessageID
			got = strings.TrimSuffix(got, ":")
		} else {
			p, err := packets5.ReadPacket(f.r)
			must(f.t, err)
			got, id = p.PacketType(), p.PacketID()
		}
		if got == "PINGREQ" {
			continue
		}
		if got != name {
			f.t.Fatalf("got %s, want %s", got, name)
		}
		return id
	}
}

func (f *fake) source(l *log) *client {
	f.t.Helper()
	c := &client{}
	var err error
	c.Source, err = OpenSource(SourceOptions{
		Who: "source chute", Server: Server{URL: "mqtt://fake", Version: f.v, Dial: f.dial}, Client: "c", Topics: []string{"chute/#"}, QoS: 2, After: l.after,
	})
	must(f.t, err)
	f.t.Cleanup(func() { _ = f.conn.Close(); _ = c.Close() })
	return c
}

// started connects a source to the fake.
func (f *fake) started(c *client) {
	f.t.Helper()
	if c.Source.conn != nil {
		<-c.Source.conn.down
	}
	done := make(chan error, 1)
	go func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		err := c.stay(ctx)
		if errors.Is(err, events.ErrUnavailable) { // the connection before it
			err = c.stay(ctx)
		}
		done <- err
	}()
	f.serve()
	must(f.t, <-done)
}

// A message of QoS 2 is taken once however often it is sent before the broker
// has heard PUBREC, and PUBREL is answered, whether it is known or not (MQTT 5.0,
// section 4.3.3; 3.1.1 too).
func TestNext_TakesQoS2Once(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		f, l := newFake(t, v), &log{}
		c := f.source(l)
		f.started(c)
		f.publish(7, 2, false, "one")
		f.publish(7, 2, true, "one") // while it is in hand
		f.publish(5, 1, false, "behind")
		one, behind := next(t, c), next(t, c)
		if got := body(t, one) + " " + body(t, behind); got != "one behind" {
			t.Fatalf("got %q", got)
		}
		for _, d := range []*adapters.Delivery{one, behind} {
			l.append(t, d)
			must(t, d.Settle(t.Context(), adapters.Taken))
		}
		if rec, ack := f.want("PUBREC"), f.want("PUBACK"); rec != 7 || ack != 5 {
			t.Errorf("PUBREC of %d, PUBACK of %d", rec, ack)
		}
		f.publish(7, 2, true, "one") // the answer was lost
		f.want("PUBREC")
		f.send(&packet{kind: kindPubrel, id: 7})
		f.want("PUBCOMP")
		f.publish(7, 2, false, "one") // the identifier is free again: another message
		take(t, c, l, "one")
		f.want("PUBREC")
		must(t, f.conn.Close())
		f.present = true
		f.started(c)
		f.publish(7, 2, true, "one") // over a new connection
		f.want("PUBREC")
		f.send(&packet{kind: kindPubrel, id: 7})
		f.want("PUBCOMP")
		f.send(&packet{kind: kindPubrel, id: 9}) // of no message we know
		f.want("PUBCOMP")
		f.publish(8, 1, true, "two") // sent before, and never read
		take(t, c, l, "two")
		f.want("PUBACK")
		nothing(t, c)
		if want := []string{"one", "behind", "one", "two"}; !slices.Equal(l.bodies, want) {
			t.Errorf("log has %q, want %q", l.bodies, want)
		}
	})
}

// What a broker may hand over again is a run to the end of what it had handed
// over. A marked message outside of it is new.
func TestNext_TakesAMarkedMessageThatIsNoRedelivery(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		f := newFake(t, v)
		l := &log{highest: 3}
		for n, s := range []string{"a", "b", "c"} {
			l.ids = append(l.ids, keyOf(uint16(n+1), "chute/one", []byte(s)).identity(uint64(n+1)))
		}
		f.present = true
		c := f.source(l)
		f.started(c)
		f.publish(2, 1, true, "b") // known
		f.want("PUBACK")
		f.publish(3, 1, true, "other") // not c: whatever follows is new
		f.publish(1, 1, true, "a")
		take(t, c, l, "other", "a")
	})
}

func TestNext_RefusesWhatIsNoBroker(t *testing.T) {
	both(t, func(t *testing.T, v Version) {
		f := newFake(t, v)
		c := f.source(&log{})
		f.started(c)
		_, err := f.conn.Write([]byte("\x30\x04\x00\x0fab")) // a topic longer than the packet
		must(t, err)
		if _, err := c.Next(t.Context()); !errors.Is(err, events.ErrUnavailable) {
			t.Errorf("got %v", err)
		}
	})
}

// MQTT 5.0, section 3.14.2.1: 0x8E says that another client has the session.
func TestNext_NamesATakeover(t *testing.T) {
	f := newFake(t, V5)
	c := f.source(&log{})
	f.started(c)
	p := packets5.NewControlPacket(packets5.DISCONNECT)
	p.Content.(*packets5.Disconnect).ReasonCode = 0x8E
	f.write5(p)
	_, err := c.Next(t.Context())
	var fault *events.Fault
	if !errors.As(err, &fault) || !strings.Contains(strings.Join(fault.Hints, ""), "another client uses the id c") {
		t.Errorf("got %v", err)
	}
}

// FuzzRead: bytes that are no packet are an error, and never a panic; what is
// handed over has what a message must have.
func FuzzRead(f *testing.F) {
	for _, v := range versions {
		for _, p := range []*packet{
			{kind: kindPublish, qos: 1, id: 3, topic: "a/b", payload: []byte("x"), contentType: "t", properties: []property{{"k", "v"}}},
			{kind: kindPublish, topic: "a"}, {kind: kindPuback, id: 1}, {kind: kindPubrec, id: 1}, {kind: kindPubrel, id: 1}, {kind: kindPubcomp, id: 1},
		} {
			var b bytes.Buffer
			if err := codecs[v]().write(&b, p); err != nil {
				f.Fatal(err)
			}
			f.Add(b.Bytes(), v == V5)
		}
	}
	f.Add([]byte("\x20\x02\x00\x00\x90\x03\x00\x01\x00\xd0\x00"), false)
	f.Add([]byte("\x20\x03\x00\x00\x00\x90\x04\x00\x01\x00\x00\xe0\x02\x8e\x00"), true)
	f.Fuzz(func(t *testing.T, b []byte, five bool) {
		if len(b) > 1 && b[1]&0x80 != 0 && len(b) > 3 && b[2]&0x80 != 0 {
			return // lengths over 16 KiB: the libraries make the room before they read
		}
		c := codecs[map[bool]Version{true: V5, false: V3}[five]]()
		r := bufio.NewReader(bytes.NewReader(b))
		for range 8 {
			p, err := readSafely(c, r)
			if err != nil {
				return
			}
			if p.kind == kindPublish && p.qos > 2 {
				t.Errorf("QoS %d", p.qos)
			}
		}
	})
}
