// Package json splits JSON and NDJSON into rows and writes them. It does not
// know what a member means. Start at [NewDecoder] and [NewEncoder].
//
// # Reading
//
// The text is RFC 8259 in UTF-8 (a byte order mark is taken off), held to I-JSON
// (RFC 7493): names of an object are unique, texts are whole characters. What
// would do harm further on is refused as well: a number of more than 64
// characters or with an exponent beyond ±400, nesting deeper than 100, and more
// than a million values in a text that is read whole (some 150 MB of memory).
// Numbers stay as they are written ([encoding/json.Number]).
//
//   - ndjson: one row a line; lines of nothing but white space are skipped. A
//     broken line costs itself.
//   - json, without Layout.Each: an array is read element by element, one row
//     each, whatever its size; any other document is one row.
//   - json or ndjson with Layout.Each: each document (or line) is read whole and
//     every element the JSONPath selects is a row, in the order of the text. A
//     document in which nothing is selected is one row without Value.
//
// What is broken is held with the place where reading stopped: an element of an
// array alone if the text behind it can still be told apart, else all that is
// left of the array; a document that is read whole, whole.
package json
