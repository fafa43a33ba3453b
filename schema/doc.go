// Package schema holds the published JSON Schemas and the check of everything
// against them. It is the one door to the schema library, and it never knows
// where a value came from.
//
// # Where to start
//
// [Check] checks the payload of an event, [CheckEnvelope] a whole CloudEvent,
// [CheckEntry] an entry of the log, [CheckDocument] a config or mapping. Each
// returns every [Violation] at once, sorted, in words for people. [Names] and
// [Source] give the schemas themselves.
//
// # How a check works
//
// The schemas in v1 (JSON Schema 2020-12) are the one authority. A schema is
// compiled twice from the same file: into a form of our own that works on the
// bytes and only ever decides "surely valid" (about a microsecond, no
// allocation), and by the schema library, which decides and explains everything
// else. A fuzz test holds both to one answer.
//
// Before the library sees a value a guard refuses what would harm it: numbers
// with exponents or more digits than an exact decimal has (one such number makes
// the library panic, another costs it a tenth of a second), nesting over 64
// levels, a member that stands twice in an object, and bytes that are not UTF-8.
//
// # Keywords of our own
//
// x-list names the code list an enum is filled from, x-each the list from which
// conditions are made, x-fields the kind whose fields are properties; all by
// "go generate ./schema". x-wanted is what a person reads when the object with it
// is broken. To other readers they are annotations.
package schema

//go:generate go run ./gen
