// Package quarantine keeps what was refused and settles it: held records can be
// listed, shown, fixed, released and dropped, and accepted events corrected. What
// is settled goes into the log through the one way in, as a decision with who and
// why; the original is never changed. Start with [Quarantine.List].
//
// # What became of a held record
//
// Its state is worked out from the log by the index: held, released or dropped.
// A fix is a decision that carries the record as it is to be read from then on
// (the field "raw") and what was set; the newest fix counts. A release maps the
// record, fixed or not, by the mapping its source has now. If that still refuses
// it, nothing is settled and every reason is told.
//
// A record that stands for a whole original (a changed header, bytes that are no
// text) is released by reading the original anew.
package quarantine
