package mqtt

import (
	"bufio"
	"bytes"
	"fmt"
)

// A kind is a kind of control packet.
type kind byte

// Kinds by their number in the fixed header (MQTT 5.0, table 2-1).
const (
	kindConnect    kind = 1
	kindConnack    kind = 2
	kindPublish    kind = 3
	kindPuback     kind = 4
	kindPubrec     kind = 5
	kindPubrel     kind = 6
	kindPubcomp    kind = 7
	kindSubscribe  kind = 8
	kindSuback     kind = 9
	kindPingreq    kind = 12
	kindPingresp   kind = 13
	kindDisconnect kind = 14
)

// A packet is a control packet of either version. Members that a version does not
// have are left out when it is written, and zero when it is read.
type packet struct {
	kind kind
	id   uint16

	// publish
	dup, retain bool
	qos         byte
	topic       string
	payload     []byte
	contentType string
	properties  []property

	// connect
	hello *hello

	// subscribe: the topics of hello

	// connack, acknowledgements, disconnect
	code    byte
	reason  string
	present bool   // connack: the session was there
	granted []byte // suback
	limits  limits // connack
}

// A property is a user property. Names may stand several times, in an order.
type property struct{ name, value string }

// A hello is what a client connects and subscribes with.
type hello struct {
	client         string
	user, password string
	clean          bool
	session        uint32 // seconds; MQTT 5
	receive        uint16 // messages in flight; MQTT 5
	keepAlive      uint16 // seconds

	topics  []string
	qos     byte
	retains bool // whether retained messages are wanted
}

// limits are what a broker says it takes; zero if it does not say.
type limits struct {
	receive uint16
	packet  uint32
	noQoS2  bool
	noQoS1  bool
}

// A codec reads and writes the packets of one version. It is not for several
// goroutines at once in one direction.
type codec interface {
	read(r *bufio.Reader) (*packet, error)
	write(b *bytes.Buffer, p *packet) error
	refusal(code byte) string // what a code of a connack, suback or acknowledgement says, "" if it is no refusal
}

// readSafely reads a packet. What is not one, in whatever way, is an error.
func readSafely(c codec, r *bufio.Reader) (p *packet, err error) {
	defer func() {
		if v := recover(); v != nil {
			p, err = nil, fmt.Errorf("not an MQTT packet: %v", v)
		}
	}()
	return c.read(r)
}

var codecs = map[Version]func() codec{V5: func() codec { return &codec5{} }, V3: func() codec { return codec3{} }}
