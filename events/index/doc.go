// Package index answers "is this known?": for each record its events with
// their newest revision and what its source last said, and beside that what the
// way in must know of originals, streams, held records and complete sources. It
// is the truth of nothing: all of it is derived from the log, entry by entry,
// and can be thrown away at any time.
//
// # Where to start
//
// [Open] brings an index up to the end of its log, [Index.Lookup] gives
// [Record] by [Record], [Index.Apply] takes in an entry after it was appended.
// [Index.Raw] knows rows again before they are mapped. [Scratch] is a set that
// outgrows memory, for what must be remembered while one original is read.
//
// # The file
//
// One SQLite file in WAL mode. Entries are applied in the order of the log, in
// transactions of several entries; a transaction stores the position it has
// applied up to. What was applied and not yet committed is applied again from
// the log after a crash.
//
//	meta       version of this layout, log id, position applied, hashes
//	sources    source id → number, counted up in the order of the log
//	records    (source number, record id) → what is known of it, with a checksum
//	days       complete sources: (source number, farm and scope, day, record id)
//	exports    complete sources: (source number, farm and scope, day) → newest as-of read, newest whole one
//	originals  (source, archive) → its newest reading: first entry, cursor, counts;
//	           for a request body that lies in a pack, by the hash of its own bytes
//	names      names an original came under
//	keys       idempotency key of a request body → its hash
//	sequences  runs of messages of a stream that are in the log
//	tails      entries with the newest messages of a stream
//	held       held records and what became of them
//	decided    held record → entries with decisions about it
//	waits      retractions that wait for a person
//	waiting    records that wait for the end of their original
//	segments   raw rows: for each chunk the digests of its rows and their records
//	hooks      about one digest in 32 → its segment
//	files      hints: name, size and time of a file → archive
//
// The first two bytes of a record id are its day or the neighbourhood of a
// counting key, so that the rows of one chunk lie side by side and are fetched
// with a few range scans.
//
// # Throwing away
//
// A file that is missing, damaged, of another log or layout, or ahead of the log
// is removed and built anew from the first entry. Raw rows and file hints are
// not in the log and start empty then: that costs speed, never truth.
package index
