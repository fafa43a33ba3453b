package mqtt

import (
	"slices"
	"sync"
	"time"

	"dewclaw/adapters"
	"dewclaw/events"
)

// A state is what an item is in.
type state uint8

const (
	waits state = iota // to be handed over
	out                // handed over and not settled
	taken              // settled as taken, not acknowledged yet
)

// An item is one message on its way in.
type item struct {
	key
	topic    string
	payload  []byte
	qos      byte
	received time.Time
	number   uint64 // 0 until it is handed over
	state    state
	of       *conn // the connection it came on last
}

const maxInFlightBytes = 64 << 20

// A line is what came and is not acknowledged, in the order of receipt. Safe for
// use by several goroutines at once.
type line struct {
	o *SourceOptions

	acks sync.Mutex // acknowledgements go out in their order

	mu      sync.Mutex
	conn    *conn // nil while there is none
	items   []*item
	size    int
	acked   []mark // acknowledged on the connection, the newest: the broker may not have heard it
	known   known
	number  uint64 // the last one given out
	pause   time.Time
	changed chan struct{} // holds a token when there may be something to hand over
	room    chan struct{} // holds a token when there may be room

	best, foreign bool // said once
}

func newLine(o *SourceOptions) *line {
	return &line{o: o, changed: make(chan struct{}, 1), room: make(chan struct{}, 1)}
}

func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// remember notes what the log has.
func (l *line) remember(number uint64, newest []string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.number = number
	for _, s := range newest {
		if k, ok := parseIdentity(s); ok {
			l.acked = append(l.acked, mark{key: k})
		}
	}
}

// begun reports whether a message ever came.
func (l *line) begun() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.number > 0
}

// enter begins a connection. If the broker has no session, it hands nothing over
// again.
func (l *line) enter(c *conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.conn = c
	list := l.acked
	l.acked = nil
	if !c.present {
		list = nil
	}
	l.known.begin(list)
}

// leave ends a connection: what waits comes again, what is out may come again.
// Messages of QoS 0 do neither, so they stay.
func (l *line) leave() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.conn = nil
	stay := l.items[:0]
	for _, it := range l.items {
		switch {
		case it.qos == 0:
			stay = append(stay, it)
			continue
		case it.state == taken:
			l.acked = append(l.acked, mark{key: it.key})
		case it.state == out:
			l.acked = append(l.acked, mark{key: it.key, item: it})
		}
		l.size -= len(it.payload)
	}
	clear(l.items[len(stay):])
	l.items = stay
	// What was to come again and did not comes behind what did.
	l.acked = append(l.acked, l.known.rest()...)
	l.known.clear()
	signal(l.room)
}

// receive takes a message from the reader of a connection, which it holds up
// while there is no room.
func (l *line) receive(c *conn, p *packet) {
	if !l.wait(c) {
		return
	}
	l.mu.Lock()
	ack := l.add(c, p)
	l.mu.Unlock()
	if ack {
		l.flush()
	}
}

func (l *line) wait(c *conn) bool {
	for {
		l.mu.Lock()
		ok := len(l.items) < l.o.InFlight && l.size < maxInFlightBytes
		l.mu.Unlock()
		if ok {
			return true
		}
		select {
		case <-l.room:
		case <-c.down:
			return false
		}
	}
}

// add puts a message into the line; true if it can be acknowledged at once.
func (l *line) add(c *conn, p *packet) (ack bool) {
	if l.conn != c {
		return false
	}
	k := keyOf(p.id, p.topic, p.payload)
	it := &item{key: k, topic: p.topic, payload: p.payload, qos: p.qos, received: l.o.Now(), of: c}
	if p.qos > 0 {
		if slices.ContainsFunc(l.items, func(x *item) bool { return x.qos > 0 && x.id == p.id }) {
			return false // sent again although it is in hand
		}
		before, again := l.again(p, k)
		switch {
		case again && before == nil:
			it.state = taken
		case again:
			before.of = c
			it = before
		}
	}
	if l.passedOver(c, p) {
		it.state = taken
	}
	l.tell(p)
	l.items = append(l.items, it)
	l.size += len(it.payload)
	if it.state == waits {
		signal(l.changed)
	}
	return it.state == taken
}

// again reports whether a message came before, and its item if it is out still.
func (l *line) again(p *packet, k key) (*item, bool) {
	if !p.dup {
		l.known.clear() // what was sent before comes first (MQTT-4.6.0-1)
		return nil, false
	}
	if slices.ContainsFunc(l.acked, func(m mark) bool { return m.key == k }) {
		return nil, true // sent again on one connection, as an old broker may
	}
	return l.known.again(k)
}

// passedOver reports whether nobody asked for a message.
func (l *line) passedOver(c *conn, p *packet) bool {
	if p.retain && (!l.o.Retained || c.present) {
		return true
	}
	if slices.ContainsFunc(l.o.Topics, func(f string) bool { return matches(f, p.topic) }) {
		return false
	}
	if !l.foreign {
		l.foreign = true
		l.o.Report(&events.Fault{
			Who: l.o.Who, Where: l.o.Server.URL, What: "messages of other topics come and are passed over, such as " + label(p.topic),
			Hints: []string{"the broker keeps subscriptions of an earlier config; another client id begins without them"},
		})
	}
	return true
}

// tell says once that messages are best effort although more was asked for.
func (l *line) tell(p *packet) {
	if p.qos > 0 || l.o.QoS == 0 || l.best || p.retain {
		return
	}
	l.best = true
	l.o.Report(&events.Fault{
		Who: l.o.Who, Where: label(p.topic), What: "QoS of what is published", Wanted: "1 or 2",
		Got: "0: best effort, lost while nobody is connected", Hints: []string{"let the sender publish with QoS 1"},
	})
}

// take returns the next item to hand over. Without one it returns when to look
// again: after a token of the channel, and after a while if that is not 0.
func (l *line) take() (*item, <-chan struct{}, time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, it := range l.items {
		if it.state != waits {
			continue
		}
		if rest := l.pause.Sub(l.o.Now()); rest > 0 {
			return nil, l.changed, rest
		}
		it.state = out
		if it.number == 0 {
			l.number++
			it.number = l.number
		}
		return it, nil, 0
	}
	return nil, l.changed, 0
}

// settle is the beat "acknowledge".
func (l *line) settle(it *item, v adapters.Verdict) {
	l.mu.Lock()
	it.state = taken
	if v != adapters.Taken {
		it.state = waits
		l.pause = l.o.Now().Add(l.o.NakDelay)
		signal(l.changed)
	}
	if !slices.Contains(l.items, it) { // of a connection that is gone
		for i := range l.acked {
			if l.acked[i].item == it {
				l.acked[i].item, l.acked[i].fresh = nil, v != adapters.Taken
			}
		}
		l.known.settle(it, v == adapters.Taken)
	}
	l.mu.Unlock()
	l.flush()
}

// flush acknowledges what can be: up to the first that is not taken.
func (l *line) flush() {
	l.acks.Lock()
	defer l.acks.Unlock()
	l.mu.Lock()
	var list []*packet
	n := 0
	for _, it := range l.items {
		if it.state != taken {
			break
		}
		n++
		l.size -= len(it.payload)
		if it.qos > 0 {
			list = append(list, &packet{kind: map[byte]kind{1: kindPuback, 2: kindPubrec}[it.qos], id: it.id})
			l.acked = append(l.acked, mark{key: it.key})
		}
	}
	l.items = slices.Delete(l.items, 0, n)
	if old := len(l.acked) - MaxInFlight; old > 0 {
		l.acked = slices.Delete(l.acked, 0, old)
	}
	c := l.conn
	l.mu.Unlock()
	if n > 0 {
		signal(l.room)
	}
	if c != nil && len(list) > 0 {
		_ = c.send(list...) // an error ends the connection, and they come again
	}
}
