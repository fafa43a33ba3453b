package mqtt

import (
	"bufio"
	"bytes"
	"fmt"

	"github.com/eclipse/paho.golang/packets"
)

// codec5 is MQTT 5.
type codec5 struct{}

func (*codec5) read(r *bufio.Reader) (*packet, error) {
	in, err := packets.ReadPacket(r)
	if err != nil {
		return nil, err
	}
	p := &packet{kind: kind(in.Type), id: in.PacketID()}
	switch c := in.Content.(type) {
	case *packets.Connack:
		p.code, p.present, p.reason = c.ReasonCode, c.SessionPresent, c.Properties.ReasonString
		p.limits = limitsOf(c.Properties)
	case *packets.Publish:
		if c.QoS > 2 {
			return nil, fmt.Errorf("a message of QoS %d", c.QoS)
		}
		p.dup, p.retain, p.qos, p.topic, p.payload = c.Duplicate, c.Retain, c.QoS, c.Topic, c.Payload
		p.contentType = c.Properties.ContentType
		for _, u := range c.Properties.User {
			p.properties = append(p.properties, property{u.Key, u.Value})
		}
	case *packets.Puback:
		p.code, p.reason = c.ReasonCode, c.Properties.ReasonString
	case *packets.Pubrec:
		p.code, p.reason = c.ReasonCode, c.Properties.ReasonString
	case *packets.Pubrel:
	case *packets.Pubcomp:
		p.code = c.ReasonCode
	case *packets.Suback:
		p.granted, p.reason = c.Reasons, c.Properties.ReasonString
	case *packets.Pingresp:
	case *packets.Disconnect:
		p.code, p.reason = c.ReasonCode, c.Properties.ReasonString
	default:
		return nil, fmt.Errorf("a broker does not send %s", in.PacketType())
	}
	return p, nil
}

func limitsOf(p *packets.Properties) limits {
	var l limits
	if p.ReceiveMaximum != nil {
		l.receive = *p.ReceiveMaximum
	}
	if p.MaximumPacketSize != nil {
		l.packet = *p.MaximumPacketSize
	}
	if p.MaximumQOS != nil {
		l.noQoS2, l.noQoS1 = *p.MaximumQOS < 2, *p.MaximumQOS < 1
	}
	return l
}

func (*codec5) write(b *bytes.Buffer, p *packet) error {
	out := packets.NewControlPacket(byte(p.kind))
	switch c := out.Content.(type) {
	case *packets.Connect:
		h := p.hello
		c.CleanStart, c.KeepAlive, c.ClientID = h.clean, h.keepAlive, h.client
		c.UsernameFlag, c.Username = h.user != "", h.user
		c.PasswordFlag, c.Password = h.password != "", []byte(h.password)
		if h.receive > 0 {
			c.Properties.ReceiveMaximum = &h.receive
		}
		if !h.clean {
			c.Properties.SessionExpiryInterval = &h.session
		}
	case *packets.Publish:
		c.QoS, c.Retain, c.Duplicate, c.PacketID = p.qos, p.retain, p.dup, p.id
		c.Topic, c.Payload = p.topic, p.payload
		c.Properties.ContentType = p.contentType
		for _, u := range p.properties {
			c.Properties.User = append(c.Properties.User, packets.User{Key: u.name, Value: u.value})
		}
	case *packets.Puback:
		c.PacketID = p.id
	case *packets.Pubrec:
		c.PacketID = p.id
	case *packets.Pubrel:
		c.PacketID = p.id
	case *packets.Pubcomp:
		c.PacketID = p.id
	case *packets.Subscribe:
		c.PacketID = p.id
		handling := byte(2) // do not send retained messages
		if p.hello.retains {
			handling = 1 // only if the subscription is new
		}
		for _, t := range p.hello.topics {
			c.Subscriptions = append(c.Subscriptions, packets.SubOptions{Topic: t, QoS: p.hello.qos, RetainHandling: handling})
		}
	}
	_, err := out.WriteTo(b)
	return err
}

// refusal: MQTT 5.0, table 2-6.
func (*codec5) refusal(code byte) string {
	if code < 0x80 {
		return ""
	}
	if s := reasons[code]; s != "" {
		return s
	}
	return fmt.Sprintf("reason code 0x%02X", code)
}

var reasons = map[byte]string{
	0x80: "unspecified error", 0x81: "malformed packet", 0x82: "protocol error", 0x83: "implementation specific error",
	0x84: "this version of MQTT is not spoken", 0x85: "the client id is refused", 0x86: "bad user name or password",
	0x87: "not authorized", 0x88: "the broker is not available", 0x89: "the broker is busy", 0x8A: "banned",
	0x8B: "the broker shuts down", 0x8D: "keep alive timeout", 0x8E: "another client took over the session",
	0x8F: "topic filter refused", 0x90: "topic name refused", 0x91: "packet identifier in use", 0x93: "receive maximum exceeded",
	0x95: "packet too large", 0x96: "message rate too high", 0x97: "quota exceeded", 0x98: "administrative action",
	0x99: "payload format invalid", 0x9A: "retain not supported", 0x9B: "QoS not supported", 0x9C: "use another server",
	0x9D: "server moved", 0x9F: "connection rate exceeded", 0xA2: "wildcards not supported",
}
