// Package codes holds the neutral codes: the lists that every mapping, schema
// and rule speaks in, each entry with its meaning in our own words, its source,
// and whether that source was read or the value is from memory. It also reads
// what stands beside codes: identifiers, units and exact numbers. It never
// makes up a code for a word it does not know.
//
// # Where to start
//
// [Find] gives a list by the name that [dewclaw/events.Field] has for it;
// [Lesions], [Locomotion], [ZoneMaps], [Measures] and their kind give the lists
// whose entries say more than a code. [Nearest] finds what somebody may have
// meant. [ParseIdentifier], [ParseNumber] and [Unit.Neutralize] read values;
// what cannot be read is a [Problem] that says what was wanted and what was got.
// [Scale.Grade] is what follows from a score, [LesionTable.Once] counts a parent
// and its child once, [ClawOf] leads the words of a source to a claw, [Alike]
// suggests which identifiers may be one. [List.Write] publishes a list.
//
// # The files
//
// Each list is one YAML file in the folder lists:
//
//	list: dd-stages        its name
//	version: 1             counted up with every change of an entry
//	about: text
//	changes:               one for each version, the newest first
//	  - {version: 1, what: first published}
//	source, seen           for every entry that has none of its own (optional)
//	entries:
//	  - code: M0           unique, in the order people read them
//	    name: text         what it is called
//	    meaning: text      in words of our own
//	    parent: code       the entry it is a kind of (optional)
//	    source: text       the standard, paper or page itself, "common practice,
//	                       no source", "own list" or "from memory"
//	    seen: yes          yes if that source was read, memory if not
//
// and what the list has beside that: see the type of its entries. A list is read
// when it is first asked for and stays in memory. Everything returned by pointer
// or slice is shared and must not be changed. All functions may be called from
// several goroutines.
package codes
