package mqtt

import (
	"bufio"
	"bytes"
	"fmt"

	"github.com/eclipse/paho.mqtt.golang/packets"
)

// codec3 is MQTT 3.1.1.
type codec3 struct{}

func (codec3) read(r *bufio.Reader) (*packet, error) {
	in, err := packets.ReadPacket(r)
	if err != nil {
		return nil, err
	}
	p := &packet{id: in.Details().MessageID}
	switch in := in.(type) {
	case *packets.ConnackPacket:
		p.kind, p.code, p.present = kindConnack, in.ReturnCode, in.SessionPresent
	case *packets.PublishPacket:
		if in.Qos > 2 {
			return nil, fmt.Errorf("a message of QoS %d", in.Qos)
		}
		p.kind, p.dup, p.retain, p.qos = kindPublish, in.Dup, in.Retain, in.Qos
		p.topic, p.payload = in.TopicName, in.Payload
	case *packets.PubackPacket:
		p.kind = kindPuback
	case *packets.PubrecPacket:
		p.kind = kindPubrec
	case *packets.PubrelPacket:
		p.kind = kindPubrel
	case *packets.PubcompPacket:
		p.kind = kindPubcomp
	case *packets.SubackPacket:
		p.kind, p.granted = kindSuback, in.ReturnCodes
	case *packets.PingrespPacket:
		p.kind = kindPingresp
	default:
		return nil, fmt.Errorf("a broker does not send %T", in)
	}
	return p, nil
}

func (codec3) write(b *bytes.Buffer, p *packet) error {
	out := packets.NewControlPacket(byte(p.kind))
	switch out := out.(type) {
	case *packets.ConnectPacket:
		h := p.hello
		out.ProtocolName, out.ProtocolVersion = "MQTT", 4
		out.CleanSession, out.Keepalive, out.ClientIdentifier = h.clean, h.keepAlive, h.client
		out.UsernameFlag, out.Username = h.user != "", h.user
		out.PasswordFlag, out.Password = h.user != "" && h.password != "", []byte(h.password)
	case *packets.PublishPacket:
		out.Qos, out.Retain, out.Dup = p.qos, p.retain, p.dup
		out.TopicName, out.MessageID, out.Payload = p.topic, p.id, p.payload
	case *packets.PubackPacket:
		out.MessageID = p.id
	case *packets.PubrecPacket:
		out.MessageID = p.id
	case *packets.PubrelPacket:
		out.MessageID = p.id
	case *packets.PubcompPacket:
		out.MessageID = p.id
	case *packets.SubscribePacket:
		out.MessageID = p.id
		for _, t := range p.hello.topics {
			out.Topics, out.Qoss = append(out.Topics, t), append(out.Qoss, p.hello.qos)
		}
	}
	return out.Write(b)
}

// refusal: MQTT 3.1.1, table 3.1 and section 3.9.3.
func (codec3) refusal(code byte) string {
	switch code {
	case 0:
		return ""
	case 1:
		return "this version of MQTT is not spoken"
	case 2:
		return "the client id is refused"
	case 3:
		return "the broker is not available"
	case 4, 5:
		return "not authorized"
	case 0x80:
		return "refused"
	}
	return fmt.Sprintf("code %d", code)
}
