// Package intake is the one way in. It takes originals through the beats map,
// known?, check, append and acknowledge, decides what each record comes to, works
// out what follows from a person's decision, and can derive all of it again from
// the archive. It holds no rule about claws, and nothing it decides depends on
// the herd.
//
// # Where to start
//
// [Intake.Take] takes a file or request body in, [Intake.TakeBatch] messages;
// [Intake.Finish] goes on where a crash stopped. decide.go is the heart: a pure
// function from a mapped record and what is known of it to the revisions it
// makes. [Verify] works the books out again.
//
// # The beats
//
//	archive      the bytes are kept, fsynced, before anything is read from them
//	map          blocks of 512 rows, on all processors; grouped mappings in order
//	known?       one look-up for all records of a block, in order
//	check        the published schema, for what is new only
//	append       an entry of at most 512 records or 512 KiB, with the cursor;
//	             while one is appended the next is collected
//	index        what the entry says is known from then on
//	acknowledge  the source is told
//
// A crash in any of them repeats work and loses nothing: what is in the log says
// how far each original was read, and the rest is read again. A row before that
// point is mapped once more, to know what the original had, and counts nothing.
//
// # Identity
//
// A record is compared, event by event, with what its source last said of it;
// what a person decided since stands.
//
//   - An unknown entity is recorded. The same content again is a duplicate.
//   - Other content is the next revision: amended, or recorded if the fact had been
//     retracted.
//   - Content the source said before, or said of a fact that vanished, waits for the
//     end of its original; so does an event that a record which states all there is
//     under its key lacks. What else is new of the record goes in at once. If a later
//     row of the original carries the record, the two are one record from then on,
//     in which the later one has its say. Otherwise the end settles it: the old
//     content is the next revision, the missing event is retracted.
//   - A later row of a record in the same original continues it: its examination is
//     merged with what the rows before said, and nothing is retracted.
//   - A wrap, a block or a medicine is never retracted by silence: it waits for a
//     person, and waits no more if the source has it again.
//
// Of a complete source, after the last row and if nothing was unread or held, the
// total line was right and no newer export of the day was read, what no row of
// the export had is retracted, day by day; above the brake (so many events, or
// half of those of the day) all of it waits for a person. In an export that is
// older than the newest one read for a day, known entities are duplicates and
// unknown ones are recorded, and retracted in the same entry if a newer export
// that was whole did not have them.
//
// # The books
//
// A record counts once, when it is settled: amended if any event of it is, else
// accepted if any is recorded, else duplicate; held records and ignored rows
// count as themselves. For each original the counts of its entries add up to the
// records it has. Retractions are counted beside them.
package intake
