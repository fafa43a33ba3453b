// Package delivery is the one way out: it runs the feeds of a config, each with
// its own cursor, and asks for the grants of each on the day of delivery. It
// follows the log and nothing else, decides nothing about what an event says,
// and reaches recipients only through the sinks it is handed.
//
// # Where to start
//
// [New] compiles the feeds into a [Desk]; [Desk.Run] keeps delivering,
// [Desk.Once] delivers what there is. [Desk.List] and [Desk.Show] tell where
// feeds stand; [Desk.Pause], [Desk.Resume], [Desk.Rewind], [Desk.Replay] and
// [Desk.Test] are what a person can do, while feeds run or not.
//
// # The beats
//
// A feed reads the log from its cursor and makes a batch (read), stores the
// range it covers and what stays behind of it (plan), sends it (send), and moves
// the cursor (save). A crash between two beats repeats and never loses: what was
// planned is made again from the same range of the log by the same rule and
// mapping, byte for byte and under the same name.
// TestFeed_CrashAtAnyBeatLeavesTheSameFiles dies at each of them.
//
// Each feed has a goroutine of its own (and some that render entries ahead of
// it), its own sink and its own back-off, so that a recipient that is slow, dead
// or refuses everything holds up nobody else.
//
// # What is sent
//
// A revision is judged together with the one before it. If it matches the rule
// (kinds, conditions, period of a grant; a retraction never matches) it is sent.
// If it does not and the recipient has an earlier one, a delete is sent: the
// envelope of the new revision with change = retracted and the data of the one
// the recipient has, so that a delete tells nothing new. Else nothing is sent.
// What the recipient has is not remembered event by event: it follows from the
// rules that held where the earlier revisions stand, which the history keeps.
//
// If the revision has another animal than the one the recipient has, a delete of
// that goes before it, under an id of its own: both are one parcel, which goes or
// stays behind as a whole, in one batch and at one place (moved.go). A writer of
// another standard gets no such delete.
//
// A row of a mapping sees its event, and examination and visit of it as the log
// knew them at the entry of the event; if it knew them only later, as it knew
// them when the batch was made. They are seen only as far as a grant covers them
// too. A correction of an examination alone sends that event again, not the
// rows that showed its fields. With rows of examinations a row goes again when
// anything that belongs to it changes; such rows are told apart by their
// entity, because their id counts the revisions of the examination alone.
//
// A recipient that fetches keeps its cursor itself: [Desk.Fetch] judges any stretch
// of the log for it by the rule and the grants of now. Its feed runs beside that as
// all do, to nowhere, so that history and grants are kept.
//
// # What stays behind
//
// An event that mapping or recipient refuse is parked, and with it what follows
// of its animal, until [Desk.Replay]. A recipient that refuses a batch is sent
// smaller ones until it is clear which event it means. Events of an animal that
// no roster knows yet wait, if the feed asks for that; they go in a batch of
// their own, named late, when the animal is known. An animal is known again by
// any of its identifiers, an event by its entity. What waits under a tag that was
// misread holds up no later revision with another animal, and goes no more once
// such a one has gone.
//
// # Grants
//
// A feed runs while each of its farms and kinds has a grant in force on the day,
// in the farm's zone; else it pauses. What was recorded in a time without is
// skipped when a grant is in force again, and sent only if [Desk.Resume] is
// asked for it. A grant for pseudonyms replaces identifiers and entities by
// HMACs under the recipient's key and leaves out free text, the source's own
// words and the origin.
//
// # What is stored
//
// One bucket beside the log, JSON values with a version v:
//
//	<feed>.state            generation, cursor, plan, pause, counters
//	<feed>.history          by which rule each stretch of the log was judged
//	<feed>.animal.<hash>    what stays behind of one animal, and why
//	<feed>.unsent.<place>   which revisions of one entry stayed behind and never went
//	<feed>.reply.<place>    what the recipient said of events of one entry it got
//	<feed>.fetched          how far a recipient that fetches has come, for people
//	<feed>.mapping.<hash>   text of the mapping a planned batch may need
//
// A cursor is the place of the first event that is not settled. A plan is
// stored with the cursor and removed with its move. What stays behind is stored
// after the send and before the cursor moves: done again it changes nothing.
// After a restart without a plan, what is stored of places from the cursor on
// is forgotten and decided anew.
//
// # Names of files
//
//	<feed>-g<generation>-<first>-<last>.<csv|json|ndjson>
//	<feed>-g<generation>-late-<n>-<place>.…      or replay instead of late
//	…-deletes.<ext>, …-deletes.txt               deletes in a file or report of their own
//
// A file of deletes is sent before the one beside it, and deletes nothing of that.
//
// A place is the log position in twelve digits, a point and the index in four.
// -r<n> stands before the extension where an earlier attempt was given up after
// it may have arrived.
package delivery
