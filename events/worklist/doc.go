// Package worklist works out what is due on a farm on a day, and for whom: pure
// functions over the herd's facts and a date. It reads nothing, decides nothing
// and orders nothing: what comes out are reminders made from what was recorded.
// [Make] makes a list, [Report] the report of a visit.
//
// # What a list is
//
// One row an animal with all her reasons, in tiers:
//
//   - now: severely lame by the scale's own cut, deep signs, a hot swollen foot,
//     a wrap past its late time, a medicine with an unknown withdrawal or for an
//     unknown animal, a withdrawal that is open when she leaves
//   - today: lame and not examined, wraps due, getting worse, a block on which
//     the claw rocks
//   - this visit: not improving, a block lost over an open lesion, orders, not
//     done the last time, a check before dry-off that closes before the next visit
//     or was missed, deep signs that were not told of again
//   - planned: checks before dry-off, rechecks, blocks to look at or take off,
//     the mid-lactation check
//   - routine: heifers before calving, high-risk history, never examined, overdue
//   - not now: what a guard stops, and until when
//
// Within a tier the window that closes first stands first. Guards stop routine
// trimming alone and say so; a lame animal is always examined. Each reason has
// the readers it concerns; every window and limit is a setting ([Settings], code
// list due) with its source there.
//
// # Days and moments
//
// A list counts to one moment ([List.At]): now for the day it is made on, the
// end of a past day, the beginning of a day to come. Hours are elapsed, whatever
// the clock does. Where only a day is known the careful reading holds: what may
// be late is.
//
// # Who was examined
//
// [herd.TellsOfLook] says which records tell of a look at a foot: what the farm does
// between visits does not, and takes no lame cow off the list. Nor does one sound
// score: a lame one at which nobody looked stands until two scored days in a row
// tell sound.
//
// # What it cannot see
//
// A list opens with it ([Unseen]): held, unmatched and contradictory records,
// the age of the roster. Where it cannot be known who is due, [List.Cannot] says
// so and why; an empty list without it means that nothing is due by what was
// recorded. An open wrap, block or withdrawal never ends because nobody told of
// it, and never by a source that changed its mind: both ends are shown until a
// person confirms.
package worklist
