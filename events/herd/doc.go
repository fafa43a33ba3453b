// Package herd is the read model: the animals of each farm, and what their
// events come to. It follows the log and keeps its tables in one SQLite file,
// which is disposable: missing, damaged, of another log or another form, it is
// thrown away and built anew. It never holds or changes a record; what cannot be
// true is shown as a contradiction.
//
// # Where to start
//
// [Open] takes hold of the file, [Herd.CatchUp] and [Herd.Follow] bring it up to
// the log. [Herd.View] opens a view at one log position, whose methods are the
// queries. [Herd.Resolve] and [Herd.Known] say which animal identifiers name.
//
// # Identity
//
// Events name animals as a device knew them. Which animal that is, is worked out
// here, by farm, scheme, normalized value and day, so that a roster that comes
// later, or is corrected, repairs the past. Each farm has its own animals.
//
// A roster statement is what one record of a source says of one animal. Its
// newest revision counts; earlier ones give the history of its identifiers. One
// that a later revision no longer names is closed at the day of the later
// revision: the statement's own date or, if it has none, the day it was
// received, in UTC. One that came in its place holds from that day on. From and
// To of an identifier go before. If another animal was given an identifier while
// a statement still had it, and the statement gave it up later, the statement
// was wrong and not the tag moved.
//
// Statements speak of one animal if they share an identifier on the same days,
// unless an identifier that proves more tells them apart (ear tag, transponder,
// herd book number, herd number, in this order), one source has them as two
// records that differ, or a person decided. A herd number means an animal only
// on days the rosters give it, within her stays; given to the next cow without a
// day, it is hers from the day after the cow before her left. Tags and
// transponders also count before they were first told of and after she left, as
// long as no other animal has them then: that makes the contradiction "seen
// after she left" visible instead of an unknown cow. Place and temporary
// identifiers mean nothing beyond their visit (or record, if there is no visit)
// and are never resolved.
//
// Identifiers of one event must agree: those that nobody knows do not count;
// those that name different animals make a contradiction. An ear tag and a
// transponder of the same country and number are only a suggestion. What no
// roster explains is an animal as read, known from events alone: namings that
// share a tag or transponder are one such animal, for a block that was put on a
// cow nobody knows must still come off. Nothing is guessed.
//
// Persons decide with same-animal (the identifiers name one animal),
// not-same-animal, and with corrections of events, which arrive as amendments.
// Of two decisions about the same identifiers the later one holds.
//
// # What is worked out
//
// For each animal of which anything changed: contradictions ([Contradiction]),
// lesion cases ([Case]), blocks and wraps ([Device]), withdrawals ([Withdrawal]),
// orders ([Order]), wounds ([Wound]) and lost claws ([LostClaw]). All of them are functions of the newest facts alone: neither
// the order in which sources arrived nor the way entries were cut matters.
//
// # The file
//
// SQLite in WAL mode, synchronous NORMAL: a crash may lose the newest
// transactions, never half of one. The position of the newest entry is written
// in the transaction of what follows from it. A first build runs without a
// journal and is begun anew if it does not come to its end. After an unclean
// close the file is checked before it is used. The tables stand in tables.go.
package herd
