package mqtt

import (
	"bufio"
	"bytes"
	"fmt"
	"net"
	"slices"
	"testing"
	"time"

	"dewclaw/adapters"

	packets3 "github.com/eclipse/paho.mqtt.golang/packets"
	"pgregory.net/rapid"
)

// A post is one message at the model of a broker.
type post struct {
	id   uint16
	qos  byte
	text string
	sent bool // on some connection
	rel  bool // QoS 2: PUBREC was heard
}

// A model is a broker with one session, as MQTT 3.1.1 and 5 say in sections 4.3,
// 4.4 and 4.6: so many in flight, sent again in order on a new connection, an
// identifier free again when it is acknowledged.
type model struct {
	t        *rapid.T
	window   int
	queue    []*post // not sent yet
	inflight []*post
	nextID   uint16
	wire     []*packet // sent and not read
	deaf     bool      // acknowledgements are lost
}

func (m *model) freeID() uint16 {
	for {
		m.nextID = m.nextID%uint16(m.window+2) + 1
		if !slices.ContainsFunc(m.inflight, func(p *post) bool { return p.id == m.nextID }) {
			return m.nextID
		}
	}
}

// pump sends what the window allows.
func (m *model) pump() {
	for len(m.queue) > 0 && len(m.inflight) < m.window {
		p := m.queue[0]
		m.queue = m.queue[1:]
		p.id = m.freeID()
		m.inflight = append(m.inflight, p)
		m.send(p)
	}
}

func (m *model) send(p *post) {
	m.wire = append(m.wire, &packet{kind: kindPublish, id: p.id, qos: p.qos, dup: p.sent, topic: "chute/one", payload: []byte(p.text)})
	p.sent = true
}

// again is a new connection.
func (m *model) again() {
	m.wire, m.deaf = nil, false
	m.inflight = slices.DeleteFunc(m.inflight, func(p *post) bool { return p.rel }) // PUBREL and PUBCOMP
	for _, p := range m.inflight {
		m.send(p)
	}
	m.pump()
}

// release is PUBREL and PUBCOMP of what waits for them.
func (m *model) release() {
	m.inflight = slices.DeleteFunc(m.inflight, func(p *post) bool { return p.rel })
	m.pump()
}

// Write takes what the client says.
func (m *model) Write(b []byte) (int, error) {
	r := bufio.NewReader(bytes.NewReader(b))
	for !m.deaf {
		p, err := packets3.ReadPacket(r)
		if err != nil {
			break
		}
		id := p.Details().MessageID
		i := slices.IndexFunc(m.inflight, func(p *post) bool { return p.id == id && !p.rel })
		if i < 0 {
			m.t.Fatalf("acknowledgement of %d, which is not in flight", id)
		}
		switch p.(type) {
		case *packets3.PubackPacket:
			m.inflight = slices.Delete(m.inflight, i, i+1)
		case *packets3.PubrecPacket:
			if m.inflight[i].rel = rapid.Bool().Draw(m.t, "PUBREL is on its way"); !m.inflight[i].rel {
				m.inflight = slices.Delete(m.inflight, i, i+1)
			}
		default:
			m.t.Fatalf("got %v", p)
		}
	}
	m.pump()
	return len(b), nil
}

// A half is the client's end of the connection to a model.
type half struct {
	net.Conn
	m *model
}

func (h half) Write(b []byte) (int, error)    { return h.m.Write(b) }
func (half) SetWriteDeadline(time.Time) error { return nil }
func (half) Close() error                     { return nil }

// Whatever is lost when, each message is in the log once and in its order: over
// connections that are cut, acknowledgements that are lost, batches that are not
// taken, and crashes between commit and acknowledgement.
func TestLine_TakesEachMessageOnceInOrder(t *testing.T) {
	for range 10 { // a thousand plays
		playOnce(t)
	}
}

func playOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := &model{t: t, window: rapid.IntRange(1, 6).Draw(t, "window")}
		o := &SourceOptions{Topics: []string{"#"}, QoS: 2, InFlight: rapid.IntRange(1, 8).Draw(t, "in flight"), NakDelay: 1}
		now := time.Unix(0, 0)
		o.Now = func() time.Time { now = now.Add(time.Second); return now }
		o.fill()
		var published, logged, ids []string
		var highest uint64
		var l *line
		var c *conn
		var out []*item // in hand
		connect := func() {
			c = &conn{c: half{m: m}, codec: codec3{}, down: make(chan struct{}), present: true}
			m.again()
			l.enter(c)
		}
		start := func() {
			l, out = newLine(o), nil
			l.remember(highest, ids)
			connect()
		}
		read := func() {
			l.mu.Lock()
			room := len(l.items) < o.InFlight
			l.mu.Unlock()
			if room && len(m.wire) > 0 {
				p := m.wire[0]
				m.wire = m.wire[1:]
				l.receive(c, p)
			}
		}
		hand := func() {
			if it, _, _ := l.take(); it != nil {
				out = append(out, it)
			}
		}
		commit := func(n int) {
			for _, it := range out[:n] {
				logged, ids, highest = append(logged, string(it.payload)), append(ids, it.key.identity(it.number)), it.number
			}
		}
		settle := func(n int, v adapters.Verdict) {
			for _, it := range out[:n] {
				l.settle(it, v)
			}
			out = out[n:]
		}
		cut := func() { l.leave(); connect() }
		start()
		t.Repeat(map[string]func(*rapid.T){
			"publish": func(t *rapid.T) {
				p := &post{qos: byte(rapid.IntRange(1, 2).Draw(t, "QoS")), text: fmt.Sprint(len(published))}
				published = append(published, p.text)
				m.queue = append(m.queue, p)
				m.pump()
			},
			"read": func(*rapid.T) { read() },
			"hand": func(*rapid.T) { hand() },
			"take": func(t *rapid.T) {
				n := rapid.IntRange(0, len(out)).Draw(t, "committed")
				commit(n)
				settle(n, adapters.Taken)
				if rapid.Bool().Draw(t, "the rest fails") {
					settle(len(out), adapters.NotTaken)
				}
			},
			"release": func(*rapid.T) { m.release() },
			"deaf":    func(*rapid.T) { m.deaf = true },
			"cut":     func(*rapid.T) { cut() },
			"crash": func(t *rapid.T) {
				commit(rapid.IntRange(0, len(out)).Draw(t, "committed"))
				start()
			},
			"": func(t *rapid.T) {
				if len(logged) > len(published) || !slices.Equal(logged, published[:len(logged)]) {
					t.Fatalf("log has %v, published were %v", logged, published)
				}
			},
		})
		cut()
		for range 10 * (len(published) + 1) {
			read()
			hand()
			commit(len(out))
			settle(len(out), adapters.Taken)
			m.release()
		}
		if !slices.Equal(logged, published) {
			t.Fatalf("in the end the log has %v, published were %v", logged, published)
		}
	})
}
