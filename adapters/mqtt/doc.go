// Package mqtt carries messages across the border to and from an MQTT broker,
// with MQTT 5 or 3.1.1: [Source] takes messages in, [Sink] publishes events. It
// does not know what a message holds, and it is a client only.
//
// The packets are coded by the two Eclipse Paho libraries; what is said when is
// decided here, because it decides what can be lost: acknowledgements wait for
// the commit, go out in the order of receipt, and a reader that is full stops
// reading instead of dropping the connection. Sources of the rules: MQTT Version
// 3.1.1 (OASIS, 2014) and MQTT Version 5.0 (OASIS, 2019), cited as in their
// normative statements.
//
// # In
//
// The session is kept by the broker while nobody is connected (clean session 0;
// clean start 0 with an expiry). A message of QoS 1 is answered with PUBACK and
// one of QoS 2 with PUBREC when it is settled as taken, and not before: until
// then the broker has it. Messages are handed over in the order of receipt; one
// that was not taken comes again before those behind it.
//
// MQTT names no message for ever: a packet identifier is used again as soon as
// it is acknowledged. What a broker hands over again it marks (DUP, MQTT-3.3.1-1)
// and repeats with the same identifier and in the same order (MQTT-4.4.0-1,
// MQTT-4.6.0-1). So a marked message at the begin of a connection is known if
// identifier, topic and bytes are those of one that was taken before, and what
// was taken behind that one follows it; anything else is new. What was taken is
// known from the log, so a crash between commit and acknowledgement leaves a
// message once in the log. Sequences are counted here, over the messages of a
// source, from where the log ends, and only tell them apart: if another reader of
// the source has counted on, what the log has under a number is another message,
// and whoever commits must compare them (Delivery.Counted).
//
// A message of QoS 0, whether published or subscribed so, is best effort: it is
// lost if nobody is connected, and nobody can tell. It is said once.
//
// A retained message is taken when the broker sends it because the subscription
// is new: it is all there is to know of its topic. Sent again to a session that
// was there before (3.1.1 does, MQTT-3.3.1-8) it is passed over: it was taken when
// it was live, and may be older than what came on another topic since.
//
// If the broker has lost the session, what was published meanwhile may be gone;
// that is said.
//
// # Out
//
// Events leave on <prefix>/<farm>/<kind> as CloudEvents 1.0 (MQTT Protocol Binding
// for CloudEvents 1.0.2): in binary mode with MQTT 5, the attributes as user
// properties; in structured mode on request, and always with 3.1.1, which has no
// properties. A batch has arrived when the broker has acknowledged each of its
// events; with 3.1.1 a broker may acknowledge what it then drops for want of
// permission, as it has no other answer (MQTT 3.1.1, section 3.3.5).
//
// # Bounds
//
// At most InFlight messages and 64 MiB of them wait, and one more of up to 256
// MiB, the protocol's bound. A larger bound of the broker's own is the broker's
// to set: MQTT 5 lets a client ask for one, but then a broker drops what is
// larger without a word (MQTT-3.1.2-25).
package mqtt
