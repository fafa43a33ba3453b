// Package watermill carries messages across the border over transports of the
// watermill library: Redis streams and PostgreSQL tables. [Source] takes messages
// in, [Sink] publishes events. It does not know what a message holds.
//
// # In
//
// A source has a consumer group for itself. A message is acknowledged when it is
// settled as taken and not before; one that was not taken comes again at once, as
// both transports hand over the next message only when the one before it is
// acknowledged. So each message is a commit of its own, and at most a few (Redis)
// or a hundred (PostgreSQL) wait in memory.
//
// The identity of a message is what the transport itself gives it and never gives
// again: the id of the entry in the stream, the offset of the row in the table.
// What is handed over again is known by it, against the newest messages in the log.
// Sequences are counted here and only tell messages apart.
//
// Some of what the transports do by themselves would lose messages or their order,
// and is met here:
//
//   - The Redis subscriber stops for good at a message that it cannot decode, and
//     knows the id of an entry but does not tell it. The client it reads with puts
//     the id among the fields, and any fields are a message: the field payload, or
//     else all of them as a JSON object.
//   - After a crash it reads what is new before what was handed over and not
//     acknowledged, unless that has been idle for a minute, and may hand over twice
//     what is in hand for long. Here what was not acknowledged is claimed first, and
//     only then; a broken connection begins the subscription anew, and so does an
//     entry that the server had handed to the connection before this one.
//   - The PostgreSQL subscriber reads a message whose metadata are not texts again
//     and again. Here metadata are not read.
//   - Both go on for ever over errors, and tell their logger only. Here an error
//     ends the subscription and is told.
//   - Publishing has no context of its own: each message carries it.
//
// # Out
//
// Events leave as CloudEvents 1.0 in structured mode, as JSON, with the metadata
// content-type, id, type, farm and kind, and late on what had to wait. The UUID of
// a message is made of the event's id and the feed's generation (RFC 9562, version
// 5), so that whoever reads it can drop what comes twice. A batch has arrived when
// the server has answered for each of its events. How safely it then keeps them is
// the server's: Redis writes to disk once a second unless its config has
// "appendonly yes" and "appendfsync always"; PostgreSQL has committed, unless
// synchronous_commit is off.
package watermill
