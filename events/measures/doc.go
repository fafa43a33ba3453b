// Package measures works out how a herd stands: prevalence and rates of lameness
// and lesions, times, what came off in time, trends and agreement. Every figure
// carries its definition, its parameters, numerator and denominator, interval,
// period, scale, log position and the events it was made of. The package only
// counts: what an animal, a case or a contradiction is, package herd says.
//
// # Where to start
//
// [All] lists the measures. [Load] reads what they need from a view of the herd;
// [Work] makes the [Report] of one. Work is pure: the same [Data] and [Question]
// give the same report, whatever the order in which sources arrived. [Share] makes
// a report fit for others: no ids, small numbers suppressed.
//
// # What holds for all
//
// Facts in doubt (see herd.Contradiction) are left out, and how many there were
// is said. What nobody looked at is no zero: a foot that was not lifted, a cow
// that was not scored, a claw that is gone are in no denominator. Of several
// scores of an animal on one day the most severe counts; scores are never
// averaged, and scales never mixed but at lame or not lame. A score with a block
// or wrap on is flagged and kept out of trends, of changes and of episodes: the
// device changes the gait. Days are counted from one to the other, the first in
// and the last out; a cow-year has 365.25 days, a cow-month 30.4375.
//
// A session is a day on which at least ten animals were scored (a setting), or
// half of those that could have been, if rosters tell how many; fewer are spot
// scores, which say nothing of the herd, for somebody chose the cows. So does a
// session of less than half of the herd (a setting): it is told and marked, and in no
// line, limit or test.
//
// # Which animals
//
// in-milk: from a calving to the dry-off that a roster tells, or on if none does.
// cows: calved at least once. all: whatever was seen, known to a roster or not.
// Where no roster of the farm tells calvings or parities, all is taken, and said.
package measures
