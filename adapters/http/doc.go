// Package http carries records in and events out over HTTP: request bodies as
// originals ([Source]), who may ask ([Guard]), and the server that listens
// ([Listen]). It knows no mapping and no config, and answers 2xx only after the
// commit it speaks of.
//
// # Requests in
//
// POST /v1/records/<source> with a body of the media type its mapping reads:
// application/json, application/x-ndjson or text/csv, as it is or with
// Content-Encoding: gzip. The answer is JSON and says for each record what became
// of it. Bytes that were read before change nothing, and the answer says so: a
// client that got no answer sends the same bytes again. An Idempotency-Key (the
// IETF draft of that name) that comes with other bytes than before is refused
// with 422.
//
// # What it may cost
//
// A source takes so many bodies at once and no more: the next is answered 429
// with Retry-After before its body is read. A body over 128 KiB lies in a file
// that has no name while it waits. Headers, bodies and the time a client may
// take for them are bounded.
//
// # Problems
//
// Whatever is refused is answered as RFC 9457 says, application/problem+json, with
// a type of the list in problem.go and hints.
package http
