// Package streamlog keeps the log: an append-only stream of entries on NATS
// JetStream, one entry a message. By default the stream lives in a server inside
// the process, which opens no port; by URL it lives on a NATS server or cluster.
// The package does not interpret events, and it is the only door to nats-server.
//
// # Where to start
//
// [Open] takes hold of a log. [Log.Append] commits an entry, [Log.Read] yields
// entries in order, [Log.Wait] sleeps until there is more, [Log.Bucket] keeps
// small values beside the log, such as the cursors of feeds. [Log.Damage] tells
// whether stored bytes are what was written.
//
// # The promise
//
// When Append returns, the entry is on the disk and so is the anchor that names
// it. A crash between the two leaves one entry more than the anchor names; it is
// taken in at the next open if it is whole, and was never acknowledged if it is
// not. Entries are never changed or removed: the stream denies deleting and
// purging. Every append says which position it expects to follow, so nothing is
// appended over what the writer does not know ([TailMovedError]).
//
// # The chain
//
// Each entry carries its log ("log"), its position ("at", the sequence of its
// message) and the SHA-256 of the bytes of the entry before it ("prev"; 64 zeros
// for the first). Every reader checks all three, so that a missing, changed or
// misplaced entry is found by whoever reads it. The newest entry is vouched for
// by the anchor.
//
// # The stream
//
// Every log has a random id of its own, 26 characters. Its subject is
// "dewclaw.log." and the id; the embedded stream is named "dewclaw-" and the id.
// The stream has file storage, no limits, no compression, deny_delete and
// deny_purge. An acknowledgement from another stream or domain is refused: two
// streams on one subject would each acknowledge what the other stores.
//
// # The folder
//
//	lock         process id of the writer; held with flock(2), which ends with the process
//	head         the head anchor, below
//	aside/       newest-N.blk: the newest block as it was before the last open
//	             damaged-N-HASH.blk: the newest block as it was when damage was found
//	jetstream/   the store of the embedded server: $G/streams/NAME/msgs/N.blk and others
//
// A log by URL has lock and head only.
//
// # The head anchor
//
// The file head has two slots of 512 bytes, at byte 0 and at byte 4096. Each
// append writes the slot that is older and waits until it is on the disk, so one
// slot is whole whatever happens during a write. A slot is one line of text,
// filled up with blanks and closed by a line end:
//
//	dewclaw head 1   what it is, and the version of this layout
//	log ID           id of the log
//	turn N           counts writes, 20 digits; turn modulo 2 is the slot
//	position N       log position of the newest acknowledged entry, 20 digits; 0 for none
//	hash H           SHA-256 of that entry in hex; 64 zeros for none
//	sum S            SHA-256 of the line before " sum " in hex
//
// For example, the slot at byte 0 after 17 appends of a log that was opened some
// times (one line):
//
//	dewclaw head 1 log 0123456789abcdefghijklmnog turn 00000000000000000042
//	position 00000000000000000017
//	hash 9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08
//	sum 15f0b129a950391963cdf155f5ec2384f09a1de1cdab4bbc15dac4b8ef7226c5
//
// A reader takes the whole slot with the higher turn. If neither is whole, or
// the file is gone while the stream is there, the log is damaged.
//
// # What open does
//
// The server does not lock its store, cuts a block at the first record it cannot
// read, and then gives the positions out again. So, in this order:
//
//  1. The lock is taken.
//  2. The anchor is read. A folder without one is a new log.
//  3. The block files are checked without the server. The newest block, and any
//     that holds the anchor's entry or later ones, is read whole: every record
//     must add up, the anchor's entry must have the anchor's hash, later ones
//     must chain. Of older blocks the heads of the records are looked at, which
//     costs 4 KiB an entry at most; of a small store ([Options.ReadWhole]) every
//     byte. The configuration of the stream and the buckets are checked as well.
//  4. The newest block is copied aside. A server that did not stop in order
//     would now read all of its blocks to count what they have. That is known by
//     then, so its index file is written for it: a start after a crash takes no
//     longer than another, and reads no more. Where an append was cut short in the
//     middle the server has to look for itself; then step 3 has read all of it.
//  5. The server starts, and must see the stream end where the files end.
//  6. An entry after the anchor that is whole is synced, and the anchor moved.
//
// A record after the anchor that is not whole, with nothing whole behind it, is
// an append that a crash cut short; the server cuts it off. Anything else that
// is not as written is damage: the server is not started, no file is changed,
// the newest block is kept under a name that says so, and the log can be read as
// far as it is whole ([Log.ReadAll] goes on behind damage). The way back is the
// log folder from a backup.
//
// # Reading
//
// Entries of the embedded log are read from its block files, not through the
// server: a server that meets a damaged length cuts the block there, however
// old, and a consumer passes over a damaged record without a word. It is also
// the faster way, takes one buffer, and goes on while the server is restarted.
// The layout of the files is that of nats-server v2.15.2; a test reads the same
// stream both ways, and the chain makes a misread layout an error instead of
// wrong entries. A log by URL is read from the leader of its stream.
//
// # After a failed write
//
// On a full or failing disk the server answers no more and stays so. Append
// then returns an error of kind unavailable as soon as the server logs its own,
// and the next Append restarts the server with all the checks of an open.
//
// # Barns and hubs
//
// With [Options.Hub] the embedded server is a leaf node of a hub: it connects, in
// a JetStream domain of its own, and is read by a durable consumer over there
// ([OpenHub], [BarnLog]). Subjects of logs are denied in both directions, and so
// is every request from the hub that changes a stream. The hub's leaf port is a
// server apart from its log, with an account for each barn. The reader checks
// positions and hashes as every reader does, and acknowledges what its caller
// says is kept.
//
// # Assumed
//
// The disk keeps what fsync(2) reported as written, writes a sector of 512 bytes
// whole or not at all or leaves a sum that does not fit, and flock(2) works in
// the folder (it does on local file systems). A crash in this text is an end of
// the process or of the power at any moment.
//
// # What a log by URL does and does not promise
//
// An acknowledged entry is stored as durably as that server stores it, which a
// client cannot ask for. A NATS server syncs every two minutes unless its
// configuration says "sync_interval: always"; a power cut may then take entries
// it acknowledged. On a stream with replicas the server applies that setting to
// its replication log and relaxes it for the stream, so what protects an entry
// is that most replicas do not lose power at once. The anchor in the data folder
// tells afterwards: a stream that ends before it, or differs at it, is damaged,
// and nothing is appended. A stream that is there already is taken if its
// settings are those of a log, whatever its replicas; the first time a folder
// joins one, it is taken as it is, and readers check the chain. Several daemons
// may write: each is told of the entries of the others before it can append, and
// lets one go first that was refused again and again.
//
// In a cluster a server that has just become the leader may not have taken in yet
// what was agreed upon: an end of the log before what is known is damage only if
// it stays so for a while. An append that is not answered within seconds is given
// up, looked for and made anew, as after any unknown outcome.
package streamlog
