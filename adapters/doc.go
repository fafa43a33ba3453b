// Package adapters holds the contracts between dewclaw and what lies outside:
// how originals come in ([Source], [Delivery]), how they are split ([Decoder],
// [Row]), what a mapping makes of them ([Record], [Draft]), how rows are written
// ([Encoder]) and how they leave ([Sink]). It has no adapter's code and does no
// input or output. Each folder below it is one outside thing, named after it;
// siblings do not know each other: the daemon hands them to one another.
//
// The beats these contracts serve: in, next → map → known? → check → append →
// acknowledge; out, read → send → save the feed's cursor. A crash between two
// beats repeats and never loses.
package adapters
