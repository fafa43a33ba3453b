// Package api is the socket of a running daemon: the same operations a command
// runs itself when no daemon holds the data folder. It carries them and decides
// nothing.
//
// # Where to start
//
// [Operations] is the table of what can be asked; it answers in the same
// process. [Server] answers for it on a Unix socket in the data folder, [Dial]
// finds that socket, and a [Client] asks over it. Both are a [Caller], so that a
// command does not know which of the two it talks to.
//
// # The wire
//
// HTTP/1.1 over a Unix socket of mode 0600. An operation is
//
//	POST /v1/<name>        body: one JSON value, the input of the operation
//	Dewclaw-Config: …      by which config it is asked, escaped as in a query; may be left out
//
// and the answer, of status 200, is NDJSON, one object a line:
//
//	{"item":…}             any number of them, in order
//	{"end":true}           the last line, if the operation went well
//	{"faults":[…]}         the last line, if it did not: see [Fault]
//
// An answer that stops without one of the two last lines was cut off. Status 404
// means that the operation is not known. GET /healthz and GET /readyz answer 200
// or 503 with {"ok":…,"reasons":[…]}.
//
// # Where the socket is
//
// In the data folder as dewclaw.sock. A path too long for a Unix socket (about
// 100 bytes) makes it a symbolic link to a socket in a private folder with a
// short path. A socket that is left of a daemon that died is replaced by the
// next one: whoever calls [Listen] holds the lock of the data folder.
package api
