package nats

import (
	"strconv"
	"strings"
	"time"

	"dewclaw/events"

	"github.com/ThreeDotsLabs/watermill/message"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Metadata that a [Subscriber] adds to each message. The names are those that the
// server gives them in a direct get (NATS architecture decision record 31); a
// header of the same name is not kept.
const (
	MetaStream   = "Nats-Stream"     // identity of the stream: name@creation time
	MetaSequence = "Nats-Sequence"   // in the stream, decimal
	MetaSubject  = "Nats-Subject"    //
	MetaTime     = "Nats-Time-Stamp" // when the stream stored it, RFC 3339
)

// reserved begins the names that mean something to the server.
const reserved = "Nats-"

// newMessage makes a watermill message. Its UUID is the Nats-Msg-Id, or the
// identity of the message if it has none. It cannot fail: what a header holds
// never keeps a message from being handed over.
func newMessage(msg jetstream.Msg, md *jetstream.MsgMetadata, stream string) *message.Message {
	h := msg.Headers()
	id := h.Get(nats.MsgIdHdr)
	if id == "" {
		id = identity(stream, md.Sequence.Stream)
	}
	m := message.NewMessage(id, msg.Data())
	for name, values := range h {
		for i, v := range values {
			key := name
			if i > 0 {
				key += "#" + strconv.Itoa(i+1)
				if _, taken := h[key]; taken {
					continue
				}
			}
			m.Metadata.Set(key, v)
		}
	}
	m.Metadata.Set(MetaStream, stream)
	m.Metadata.Set(MetaSequence, strconv.FormatUint(md.Sequence.Stream, 10))
	m.Metadata.Set(MetaSubject, msg.Subject())
	m.Metadata.Set(MetaTime, md.Timestamp.UTC().Format(time.RFC3339Nano))
	return m
}

func identity(stream string, sequence uint64) string {
	return stream + "#" + strconv.FormatUint(sequence, 10)
}

// streamIdentity tells a stream from one of the same name that was there before.
func streamIdentity(info *jetstream.StreamInfo) string {
	return info.Config.Name + "@" + info.Created.UTC().Format(time.RFC3339Nano)
}

// header is the way back: metadata that is not the server's. Line ends in it are
// an error of kind invalid, as they would begin another header.
func header(m *message.Message) (nats.Header, error) {
	h := nats.Header{}
	for k, v := range m.Metadata {
		if strings.HasPrefix(k, reserved) {
			continue
		}
		if k == "" || strings.ContainsAny(k, ":\r\n") || strings.ContainsAny(v, "\r\n") {
			return nil, &events.Fault{
				Kind: events.ErrInvalid, What: "header of message " + m.UUID,
				Wanted: "a name without colon, and no line ends", Got: strconv.Quote(k) + ": " + strconv.Quote(v),
			}
		}
		h[k] = []string{v}
	}
	if m.UUID != "" {
		h.Set(nats.MsgIdHdr, m.UUID)
	}
	return h, nil
}
