// Package nats carries messages across the border, over the JetStream of a NATS
// server: [Source] takes the messages of a stream in, [Sink] publishes events. It
// does not know what a message holds.
//
// Both stand on [Subscriber] and [Publisher], which are watermill's contracts
// over nats.go's jetstream package; they can be used where a watermill transport
// can, and pass its suite (pubsub/tests of watermill 1.5.1).
//
// # In
//
// A stream is read with a durable pull consumer and explicit acknowledgement. A
// message is acknowledged when it is settled and not before; while it is held,
// the server is told that it is in progress; one that was not taken comes again
// after a delay. Its identity is the stream, the time the stream was created and
// its sequence, so a message that comes again is known, and a stream that was
// made anew is another stream.
//
// A [Source] hands messages over in the order of the stream, whatever happens: if
// a delivery was lost with a connection, or the consumer was deleted, the consumer
// is set back to where the Source stands. Assumed is that nobody else reads with
// the same consumer; a Subscriber by itself may share one.
//
// A header with several values is kept: the first value under its name, the
// others under the name with "#2", "#3" and so on behind it.
//
// # Out
//
// Events leave as CloudEvents 1.0 in structured mode (NATS Protocol Binding for
// CloudEvents 1.0.2, section 3.2) with the event's id as Nats-Msg-Id, so that the
// server drops one that is sent twice within its window; what a rewound feed sends
// again has its generation behind the id. A batch has arrived when the stream has
// acknowledged each of its events.
//
// # The server
//
// The connection comes back by itself. While it is away, Next and Send fail with
// kind unavailable. Credentials come from files or the environment, never from an
// option, and never stand in an error.
package nats
