// Package mqttport is an MQTT port of our own, for devices of a barn without any
// broker: a NATS server in the process, apart from the one of the log, that speaks
// MQTT 3.1.1 and has no other port. It does not know what a message holds. Rules of
// the protocol are from MQTT Version 3.1.1 (OASIS, 2014); what the server does was
// read in nats-server v2.15.2 and is held by the tests.
//
// # What is acknowledged
//
// Each source has an account of its own, and in it one stream of messages that
// takes the topics of the source and nothing else. The server answers a PUBLISH of
// QoS 1 with PUBACK when the message is in that stream and fsynced (the store syncs
// on every write), and one of QoS 2 with PUBCOMP. A message stays in the stream
// until it is settled by whoever reads it ([Port.InProcessConn]): the stream keeps
// what nobody has acknowledged, and the durable consumer it is read with is made
// before the port opens. So there is no moment in which something is acknowledged
// that nobody will read.
//
// A message on a topic that the source does not read is answered with an error on
// behalf of the stream: the server then acknowledges nothing and ends the
// connection, which is all that MQTT 3.1.1 has to refuse a message with. Topics that
// begin with $ are the server's own; it drops a message on one and would acknowledge
// it, so the connection is ended from within the notice of that.
//
// # What is best effort
//
// A message of QoS 0 has no answer. It is put into the stream as it comes, and is
// lost if that fails. A retained message is taken once, as any other; what is kept
// of it for later subscribers is nobody's, as nobody can subscribe.
//
// # Bounds
//
// A message has at most 8 MiB. What waits of a source has at most [Options.MaxWaiting]
// bytes: beyond that nothing is acknowledged until something was read.
package mqttport
