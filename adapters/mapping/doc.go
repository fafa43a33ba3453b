// Package mapping is the mapping language: one YAML file that turns the rows of
// a source into events (direction in), or events into the rows of a recipient
// (direction out). It compiles a file once and then works without looking
// anything up by name. It does not read or write originals: decoders and
// encoders do, by the [adapters.Layout] and [adapters.Style] a mapping declares.
//
// Nothing is guessed per value: layout of dates, zone, unit, decimal mark and
// codes are declared, and what does not fit holds the row, with every reason.
//
// # Values
//
// Wherever the language wants a value it takes a short or a long form.
//
//	Befund          the column of that name (csv)
//	7               the column of that number, from 1 (csv)
//	$.foot          JSONPath (RFC 9535) from the row
//	^.visit.day     JSONPath from the document the row stands in
//	.what  .        JSONPath from the current item of "each"; the item itself
//	=LF             the constant LF
//
// The long form is a map with one place to read from and what to do with it, in
// this order of work:
//
//	from: Befund          any short form; or instead of from:
//	title: 1              a title line, by number
//	name: foot            a named part of the column's or key's name ("columns", "each")
//	cel: row["A"] + "-"   an expression, for what tables cannot say
//	pattern: "([0-9]+) x" keep the first group (RE2), or the whole match if it has none; no match holds the row
//	split: ","            several values in one cell, spaces around each removed
//	empty: =unknown       the value if nothing is there (a short form, or a word the target explains)
//	table: {SG: SU}       a code table, in place or by name from "tables"; a word that is not in it holds the row
//	ignore-case: true     compare words of the table without case
//	layout: DD.MM.YYYY    dates and times, see below
//	unit: "[in_i]"        UCUM unit of a number; converted exactly to the neutral unit
//	decimal: ","          decimal mark of a number
//	fractions: true       numbers such as 3 1/4 and 3¼ are numbers too
//
// In a table the word "-" stands for "says nothing": the target stays empty.
//
// # Layouts
//
// YYYY YY MM M DD D HH H (0 to 23) hh h (1 to 12) mm ss SSS (milliseconds)
// A (AM or PM) MMM (Jan to Dec, or the words of "months"); everything else is
// itself. "day-number" is a spreadsheet's day number (1900 system),
// "day-number-1904" that of the 1904 system, "epoch" seconds and "epoch-ms"
// milliseconds since 1970 in UTC. One M or D accepts one or two digits.
//
// # A mapping of direction in
//
//	mapping: chute-barn-2       its name
//	direction: in
//	about: what it is for       free text
//	dates: DD.MM.YYYY           layout of every date that has none of its own
//	times: HH:mm                the same for times of day
//	decimal: ","                the same for decimal marks
//	zone: Europe/Berlin         IANA zone of local times; without it the farm's
//	gap: hold                   a local time the clock change leaves out: hold (nothing else is safe)
//	overlap: hold               one it has twice: hold, earlier or later
//	read: …                     how to split the original
//	farm: {from: Herd, table: …} the farm, if rows name it; else the source's
//	record: …                   what is one record and how it is known again
//	animal: {ear-tag: Ohrmarke} identifiers by scheme; each a value, each may be empty
//	occurred: …                 when
//	visit: Visit                key of the visit the record belongs to
//	sides: from-behind          how left and right are seen: from-behind or from-front
//	row: {foot: …, claw: …}     fields for every event of the row that has them and does not say itself
//	tables: {feet: {VL: LF}}    code tables by name
//	ignore: [{if: …, why: …}]   rows that are nothing, and why
//	documents: [ … ]            events made once for each document (visit), as a record of its own
//	events: [ … ]               events made for each row
//	complete: …                 the source is complete for the days it lists
//	months: [Jan, …]            twelve names for MMM
//	silent: 36h                 the source should say so when nothing came for that long (optional)
//
// read:
//
//	format: csv                 csv, ndjson or json
//	encoding: windows-1252      default utf-8
//	delimiter: ";"              default ","; "\t" for tab
//	header: true                default true
//	columns: [tag, date]        names, if there is no header
//	titles: 2                   lines before the header
//	each: $.cattle[*]           json: the elements that are rows
//	total:                      the trailing total line, which is ignored and checked
//	  if: {Ohrmarke: Summe}     how it is known
//	  count: {from: Datum, pattern: "([0-9]+) Tiere"}
//	  of: animals               animals, rows or records
//
// record, one of key, examination and identifier, and group:
//
//	key: $.id                   the source's own key of the record
//	examination: Visit          key of the examination (one animal, one time on the chute)
//	identifier: [ear-tag]       the first of these schemes that is there, with date and time as read
//	group: [Tag, Date, Time]    consecutive rows alike in these columns are one record
//
// occurred: {date: Datum, time: Zeit} or {at: $.at, layout: "YYYY-MM-DDTHH:mm:ss"},
// where each of date, time and at is a value; time may be empty, and then only
// the day is known. "pass: V" tells two passes of one day apart.
//
// An element of events names one kind, whose fields are those of [events.Field]:
//
//   - lesion:
//     code: {from: Befund, table: lesions}
//     zones: {from: Zone, map: claw-zones-13}
//     severity: {from: Grad, scale: grade-3}
//
// and may stand beside
//
//	if: {Klotz: [innen, außen]}   made only if the column has one of these words; "*" any, "" none
//	each: $.found[*]              made once for each item; $.feet over an object gives name: key
//	repeat: [L1, L2]              made once for each word; {} in its column names stands for it
//	columns: "(?P<foot>LF|RF) .*" made once for each column whose whole name matches
//
// A column that an "if" tests for words accepts only the words that some "if" or
// table of the mapping knows; another word holds the row. An event is made only
// if its leading field (code, what, score, value, purpose) is there.
//
// Special fields: on an examination, "feet" is a value that lists feet, or
// {from: …, table: …, empty: all, others: unknown}, where a listed foot was
// examined and is clear unless a finding says otherwise, empty says what no
// foot at all means (all or none), and others says what is known of the rest
// (unknown or no); "trimmed" goes to every listed foot; "remarks" is free text.
// On lesions and treatments, "claw" may have "empty: by-finding": none for a
// finding of the skin of the foot, else unknown. On a lesion, "zones" takes
// "map", "severity" takes "scale", and "size" with a unit fills sizeMM. On a
// claw-measure "value" takes a unit. A value for a locomotion scale, a zone, a
// measure and so on is checked against its code list at once, so that every
// reason of a row is told together.
//
// complete:
//
//	by: day
//	scope: {title: 1}                       list, barn or operator; a value
//	as-of: {title: 2, pattern: "(.+)", layout: "DD.MM.YYYY HH:mm"}
//	brake: 20                               most events that vanish at once without a person
//
// # A mapping of direction out
//
//	mapping: herd-system
//	direction: out
//	write: {format: csv, delimiter: ";", encoding: windows-1252, line-end: crlf, decimal: ",", header: true, guard: true, lists: "|"}
//	dates: DD.MM.YYYY
//	rows: event                 one row an event, or examination: one row an examination with its findings joined
//	kinds: [lesion, treatment]  default all of the feed
//	identifier: {first: [ear-tag, transponder], missing: park}   park, skip or empty
//	columns:                    in this order
//	  Animal: identifier
//	  Day: occurred.date
//	  Lesion: {from: code, table: {SU: 23}, else: "99"}
//	  Change: change
//
// The places to read from are the attributes of the envelope (id, entity,
// revision, change, kind, farm, source, subject, visit, time, recorded),
// identifier, animal.<scheme> (normalized) and given.<scheme>, every field of
// the kind by name, words.<field>, derived.<name>, examination.<field> and
// visit.<field> of the events it belongs to, notes (codes) and remarks. A place
// that a kind does not have is empty there. "decimal", "layout", "unit", "table"
// and "=constant" work as inward; a code outside a table without "else" parks
// the event. In json, columns with points make nested objects.
//
// # Examples beside a mapping
//
// name.txtar beside name.yaml holds cases: a file in.<ext> is encoded as the
// mapping declares and read; events.ndjson and held.txt are what must come out.
// "dewclaw check" runs them and says which columns are never used and which
// codes of the tables no example shows.
package mapping
