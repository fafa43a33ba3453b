package nats

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// withHeader is a message that has nothing but a header.
type withHeader struct {
	delivery
	h nats.Header
}

func (m withHeader) Headers() nats.Header { return m.h }

// FuzzMessage_Header gives a message whatever header a client may have sent, as
// it comes from the wire. No header keeps a message from being handed over: each
// name keeps its first value, what the server says of the message cannot be
// written over, and the way back refuses what would begin another header.
func FuzzMessage_Header(f *testing.F) {
	for _, s := range []string{
		"NATS/1.0\r\nDevice: one\r\nDevice: two\r\n\r\n",
		"NATS/1.0\r\nDevice: one\r\nDevice: two\r\nDevice#2: its own\r\n\r\n",
		"NATS/1.0\r\nNats-Msg-Id: a\r\nNats-Msg-Id: b\r\n\r\n",
		"NATS/1.0\r\nNats-Stream: OTHER@2020\r\nNats-Sequence: 7\r\nNats-Subject: b\r\n\r\n",
		"NATS/1.0\r\nnats-sequence: 7\r\n\r\n",
		"NATS/1.0 503 No Responders\r\n\r\n",
		"NATS/1.0\r\n: x\r\n\r\n",
		"NATS/1.0\r\nA:\x00\x1b[2J\xff\r\n\r\n",
		"NATS/1.0\r\nA: " + strings.Repeat("x", 70_000) + "\r\n\r\n",
		"NATS/1.0\r\n" + strings.Repeat("A: x\r\n", 2000) + "\r\n",
		"NATS/1.0\r\nA: x\nB: y\r\n\r\n",
		"NATS/1.0\r\nA: x\rB: y\r\n\r\n",
		"NATS/1.0\r\nContent-Type: application/json\r\nIdempotency-Key: 1\r\n\r\n",
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		h, err := nats.DecodeHeadersMsg(raw)
		if err != nil {
			return // the client library hands no such message on
		}
		md := &jetstream.MsgMetadata{Sequence: jetstream.SequencePair{Stream: 42, Consumer: 1}}
		m := newMessage(withHeader{h: h}, md, "CHUTE@then")
		if m.UUID == "" {
			t.Error("a message without an identity")
		}
		for k, v := range map[string]string{MetaStream: "CHUTE@then", MetaSequence: "42", MetaSubject: "a"} {
			if got := m.Metadata.Get(k); got != v {
				t.Errorf("%s is %q, wanted %q", k, got, v)
			}
		}
		for name, values := range h {
			switch name {
			case MetaStream, MetaSequence, MetaSubject, MetaTime:
				continue
			}
			if got := m.Metadata.Get(name); len(values) > 0 && got != values[0] {
				t.Errorf("%q is %q, wanted %q", name, got, values[0])
			}
		}
		back, err := header(m)
		if err != nil {
			if !errors.Is(err, events.ErrInvalid) {
				t.Errorf("the way back: %v, wanted an error of kind invalid", err)
			}
			return
		}
		var b bytes.Buffer
		b.WriteString("NATS/1.0\r\n")
		n := 0
		for name, values := range back {
			if strings.HasPrefix(name, reserved) && name != nats.MsgIdHdr {
				t.Errorf("%q means something to the server and goes out", name)
			}
			for _, v := range values {
				fmt.Fprintf(&b, "%s: %s\r\n", name, v)
				n++
			}
		}
		b.WriteString("\r\n")
		again, err := nats.DecodeHeadersMsg(b.Bytes())
		if err != nil {
			t.Fatalf("what goes out cannot be read: %v: %q", err, b.String())
		}
		for _, values := range again {
			n -= len(values)
		}
		if n != 0 {
			t.Errorf("what goes out has another number of values: %d: %q", n, b.String())
		}
	})
}
