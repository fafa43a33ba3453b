// Package events holds the words and contracts of dewclaw: what an event is,
// which kinds there are, how an event is identified and compared, what one
// commit to the log looks like, and the kinds of errors everything else
// speaks in. It does no input or output and imports no other room.
//
// # Where to start
//
// [Event] is one normalized fact in its envelope, [Payload] what it says
// ([Examination], [Lesion], [Treatment], ...). [Entity] tells what an event is
// about and stays the same over its revisions; [RecordID] names the record it
// came from and is the first part of every entity of that record. [Digest]
// compares contents. [Entry] is one commit to the log, [Held] a record that
// was refused and kept.
//
// # The stored form of an event
//
// An entry stores its events in a short form, one JSON object each, from which
// [Entry.Event] makes the whole CloudEvent again:
//
//	{"kind":"lesion","entity":"…","subject":"ear-tag:DE0941200731","data":{…},
//	 "revision":2,"change":"amended","before":{"position":17,"index":3}}
//
// The members revision, change and before are left out for a first revision
// that was recorded; farm, visit and scope are left out where the entry's
// defaults say the same, and the position of before where it is the entry's own.
//
// # The payload
//
// The member "data" opens with the members that count for the content digest,
// in the order of RFC 8785 (by UTF-16 code unit, at every level), followed by
// the ones that do not: derived, notes, observer, operators, who, origin, words.
// The digest is SHA-256 over the first part, closed by a brace, in which every
// number stands as a string in its shortest form. So a changed threshold, code
// list or pseudonym changes no digest, and the digest can be worked out again
// from any copy of the event by any RFC 8785 library.
package events
