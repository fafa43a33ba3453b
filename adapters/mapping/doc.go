// Package mapping is the mapping language: one YAML file that turns the rows of
// a source into events (direction in), or events into the rows of a recipient
// (direction out). It compiles a file once and then works without looking
// anything up by name. It does not read or write originals: decoders and
// encoders do, by the [adapters.Layout] and [adapters.Style] a mapping declares.
// Start at [ParseInward], [Inward.Start] and [Mapper.Map], or at [ParseOutward]
// and [Outward.Row].
//
// Nothing is guessed per value: layout of dates, zone, unit, decimal mark and
// codes are declared, and what does not fit holds the row, with every reason.
//
// # Values
//
// Wherever the language wants a value it takes a short or a long form. Spaces at
// both ends of what is read are removed.
//
//	Befund          the column of that name (csv)
//	7               the column of that number, from 1 (csv); "7" in quotes is a name
//	$.foot          JSONPath (RFC 9535) from the row (json, ndjson)
//	^.visit.day     JSONPath from the document the row stands in
//	.what  .        JSONPath from the current item of "each"; the item itself, in
//	                csv the cell of the current column of "columns"
//	=LF             the constant LF
//
// The long form is a map with one place to read from and what to do with it, in
// this order of work:
//
//	from: Befund          any short form; or instead of from:
//	title: 1              a title line, by number (csv)
//	name: foot            a named part of the column's or key's name ("columns"), or
//	                      key: the whole name, the name in an object or the index in an array
//	cel: row["A"] + "-"   an expression (CEL) over row, doc, item, name and titles, for
//	                      what tables cannot say; its work is bounded
//	up: 1                 beside .path or name: from what stands so many steps of the
//	                      item's path above it
//	pattern: "([0-9]+) x" keep the first group (RE2), or the whole match if it has none; no match holds the row
//	split: ","            several values in one cell, empty ones left out
//	empty: =unknown       the value if nothing is there: a constant, which stands for itself, another
//	                      place, which is read like the value, or a word the target explains
//	table: {SG: SU}       a code table, in place or by name from "tables"; a word that is not in it holds the row
//	ignore-case: true     compare words of the table without case
//	layout: DD.MM.YYYY    dates and times, see below
//	unit: "[in_i]"        UCUM unit of a number; converted exactly to the neutral unit
//	decimal: ","          decimal mark of a number
//	fractions: true       numbers such as 3 1/4 and 3¼ are numbers too
//
// In a table the word "-" stands for "says nothing": the target stays empty. A
// table leads to codes of the target's list only; without a table the words must
// be such codes themselves. A number is never rounded and never grouped; 3,250
// may be two numbers and holds the row. A number of JSON always has a point.
// Fields that take several values (reasons, zones, calvings) take an array of
// JSON as it is.
//
// # Layouts
//
//	YYYY  YY          year; of two digits 2000 to 2099
//	MM  M  MMM        month; Jan to Dec, or the words of "months", in any case
//	DD  D             day
//	HH  H  hh  h  A   hour, 0 to 23 or 1 to 12 with AM or PM
//	mm  ss  SSS       minutes, seconds, milliseconds
//	Z                 an offset: Z, +01:00 or +0100
//	'…'               the text between the quotes
//
// M, D, H and h take one or two digits, the others exactly as many as letters.
// Everything else is itself. "day-number" is a spreadsheet's day number (1900
// system, from 61 on: those before are a day off in some programs),
// "day-number-1904" that of the 1904 system; a fraction is the time of day.
// "epoch" is seconds and "epoch-ms" milliseconds since 1970 in UTC. A moment with
// an offset is told in the local time of the farm. A list of layouts, such as
// [YYYY-MM-DD, "YYYY-MM-DDTHH:mm:ssZ"], is read by the first that fits whole; all
// of them are written out, and of dates or of times alike (direction in only).
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
//	animal: {ear-tag: Ohrmarke} identifiers by scheme; each a value, each may be empty, not all, unless the row
//	                            tells of a group: a footbath of a pen names no animal
//	occurred: …                 when; every kind but animal needs it
//	visit: Visit                key of the visit the record belongs to
//	sides: from-behind          how claws are named (list claw-schemes): from-behind or from-front, then
//	                            left, right, dewclaw-left and dewclaw-right are codes of a claw too; or
//	                            medial-lateral. Claw numbers are two tables over one column, of foot and claw.
//	                            Feet are the animal's own; a device that mirrors them says so in a table
//	row: {foot: …, claw: …}     fields for every event of the row that has them and does not say itself
//	tables: {feet: {VL: LF}}    code tables by name
//	ignore: […]                 rows that are nothing: {if: …, why: …}, or {line: a pattern (RE2) for the text of the row, why: …}
//	gone: {$.deleted: "true"}   rows that say, under the source's own key, that their record is there no
//	                            more: what it had is retracted (a wrap, block or medicine waits for a
//	                            person). Within one original the rows of a record are one: such a row
//	                            undoes what earlier originals said, not what its own does
//	documents: [ … ]            events made once for each document (visit), as a record of its own; an
//	                            element may have its own "occurred"
//	events: [ … ]               events made for each row
//	complete: …                 the source is complete for the days it lists
//	months: [Jan, …]            twelve names for MMM
//	silent: 36h                 the source should say so when nothing came for that long (optional)
//
// Something more than ten minutes after the original was first received is in
// the future and holds the row.
//
// read:
//
//	format: csv                 csv, ndjson, json, or ade: resources of ICAR ADE as package ade reads them
//	encoding: windows-1252      default utf-8; see package csv; json has utf-8 only
//	delimiter: ";"              default ","; "\t" for tab
//	header: true                default true
//	columns: [tag, date]        names, if there is no header
//	titles: 2                   lines before the header
//	guard: true                 an encoder guarded the cells against spreadsheets: the guard is taken off
//	each: $.cattle[*]           json, ndjson: the elements that are rows
//	resource: icarMilkingDryOffEventResource   ade: what elements are that do not say so
//	total:                      csv: the trailing total line, which is ignored and checked; that it is missing is told, and a
//	                            last line without a line end is held then, for it may be cut off
//	  if: {Ohrmarke: Summe}     how it is known
//	  count: {from: Datum, pattern: "([0-9]+) Tiere"}
//	  of: animals               animals, rows or records, held ones counted where they can be read
//
// record, one of key, examination and identifier, and group:
//
//	key: $.id                   the source's own key of the record
//	examination: Visit          key of the examination (one animal, one time on the chute)
//	identifier: [ear-tag]       the first of these schemes that is there, with date and time as read; a row that
//	                            tells of groups alone has none and is known by its pens, date and time
//	group: [Tag, Date, Time]    consecutive rows alike in these columns, and of one key, are one record,
//	                            at most 1,000. A row that is held leaves its group before that and makes
//	                            the examination incomplete
//
// Without group every row states all there is under its key. With key, what an
// event is known by is the name of its element of "events" (or the place there,
// so that a new element goes to the end, or the elements have names), the word of
// "repeat" or the column, and its number among those; else its foot, claw, code
// and zones.
//
// In a mapping of nothing but statements of a roster (animal) a row without a date
// is an undated one; in any other it is held.
//
// occurred: {date: Datum, time: Zeit} or {at: $.at, layout: "YYYY-MM-DDTHH:mm:ss"},
// where each of date, time and at is a value; time may be empty, and then only
// the day is known, which never becomes midnight. "pass: V" tells two passes of
// one day apart (2, 3, …; 1 is the same as nothing).
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
//	if: {Klotz: [innen, außen]}   made only if the column has one of these words; "*" any, "" none; several
//	                              columns must all fit; "cel" is an expression that must be true
//	each: $.found[*]              json: made once for each item; of one array or object for each element
//	repeat: [L1, L2]              made once for each word; {} in columns, paths and constants stands for it
//	columns: "(?P<foot>LF|RF) .*" made once for each column whose whole name matches (RE2); in json for
//	                              each key of the row, or of the object of "each"
//	name: finding                 what it is called, see record
//
// A column that an "if" of events tests for words accepts only the words that
// some "if" or table of the mapping knows; another word holds the row. So a
// column of 0 and 1 is best read by a table: {what: {from: Block, table: {0: "-",
// 1: block}}}. An event is made only if its leading field (code, what, score,
// state, value, purpose) is there; examination and animal are always made, a locomotion
// also for notScorable. A row of which no event is made is ignored, and says so.
//
// A row that tells of what is not there is held: a zone, severity, size, stage,
// course or sign beside an empty finding, a device or medicine beside an empty
// treatment, the cause of an empty state of a claw. Else the foot would be clear,
// and the zone gone. Foot and claw alone tell nothing, for a clear foot has both,
// and neither does 0, a dash or a word that the table of the zone or grade calls
// "-". It is held as well if the word there is one that means nothing: "none"
// beside grade 3 is two claims, of which one is wrong. A value that another event
// of the row reads, too, belongs to that one. Where a device leaves such values
// standing, an "if" says of which words the event is made, and of no others:
//
//   - if: {Befund: "*"}
//     lesion: {code: {from: Befund, table: lesions}, severity: {from: Grad, scale: grade-3}}
//
// Several findings in one cell of csv, such as "SU+WL" beside grades "2+1", are an
// element for each, whose pattern takes its part; the last one ends with $, so that
// a cell with more than the mapping knows holds the row:
//
//   - lesion: {code: {from: Befund, pattern: '^([^+]*)'}, severity: {from: Grad, pattern: '^([^+]*)', scale: grade-3}}
//   - lesion: {code: {from: Befund, pattern: '^[^+]*\+?([^+]*)$'}, severity: {from: Grad, pattern: '^[^+]*\+?([^+]*)$', scale: grade-3}}
//
// Special fields:
//
//   - examination, feet: a value that lists feet, or {from: …, table: …, empty: all,
//     others: unknown}. A listed foot was examined and is clear unless a finding
//     says otherwise; empty says what no foot at all means (all or none), others
//     what is known of the rest (unknown or no). Without from, and without feet,
//     it is the foot of the row. A finding lists its foot by itself.
//   - examination, trimmed: what was trimmed, of every listed foot.
//   - examination, outcome: findings, clear or incomplete by itself, unless the
//     source has one. Without an examined foot, a finding or an outcome it is held.
//   - remarks, of any kind or in row: free text. It goes to the examination of the
//     record with foot and claw, or to its first event if there is none.
//   - claw: "empty: by-finding" is none for a finding of the skin of the foot, else
//     unknown; a treatment, check or measure follows the findings of its row at its
//     foot, the check of a wrap has none, and an order that names none is about the foot.
//   - check: what must be told (block, wrap, wound), and a state that it can be in.
//   - group: it belongs to no animal and takes none of the fields that tell of one.
//   - lesion: zones takes "map", severity takes "scale", size a unit and fills sizeMM.
//   - claw-measure: value takes a unit; the neutral unit is that of what is measured.
//
// Rows of one examination must agree in restraint, outcome and role; reasons add
// up, and of one foot the row that tells more of the trimming counts.
//
// complete:
//
//	by: day
//	scope: {title: 1}                       list, barn or operator; a title, a constant or ^.path
//	as-of: {title: 2, pattern: "(.+)", layout: "DD.MM.YYYY HH:mm"}
//	brake: 20                               most events that vanish at once without a person
//
// An export lists days, and where rows name their farm, days of a farm: what it lacks
// of a day counts as vanished from that farm and scope, and from no other.
//
// # A mapping of direction out
//
//	mapping: herd-system
//	direction: out
//	write: {format: csv, delimiter: ";", encoding: windows-1252, line-end: crlf, decimal: ",", header: true, guard: true, lists: "|"}
//	dates: DD.MM.YYYY           and times, months: as inward; without them as events have them
//	rows: event                 one row an event, or examination: one row an examination with its events joined
//	kinds: [lesion, treatment]  default all of the feed
//	identifier: {first: [ear-tag, transponder], missing: park}   park, skip or empty; what names no animal misses none
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
// visit.<field> of the events it belongs to, feet (those examined), feet.<foot>
// (what was seen), trimmed.<foot>, notes (codes) and remarks. With rows:
// examination also lesion.<field>, treatment.<field> and so on, which give a list
// of all that are joined. A place that a kind does not have is empty there. The
// long form has
//
//	from: code            the place, or =constant
//	where: {foot: LH}     rows: examination: only the joined events whose fields have these codes
//	table: {SU: 23}       codes of the recipient; "-" for nothing
//	else: "99"            for a code outside the table; without it the event is parked
//	empty: "?"            where nothing is stated
//	layout: DD.MM.YYYY    of a date, a time of day or a moment; a moment of which only the day is known is
//	                      written as a date
//	unit: "[in_i]"        unit of a measured value, rounded to
//	places: 2             places
//	decimal: ","          decimal mark (csv); 27.116 is written 27,1160, since 27,116 could be two numbers
//
// In json, columns with points make nested objects, lists are arrays, and what
// says nothing is left out.
//
// # Examples beside a mapping
//
// name.txtar beside name.yaml holds cases: a file in.<ext> is read as UTF-8 and
// otherwise as the mapping declares; events.ndjson and held.txt are what must
// come out. Several cases stand in a folder each (rotten/in.csv). Lines above the
// first file say with what they are read:
//
//	farm: larkfield
//	zone: Europe/Berlin
//	farms: north=Europe/Berlin south=America/Chicago
//	received: 2026-04-01T00:00:00Z
//
// A line of events.ndjson is {"kind": …, "data": {…}}; the examination of an
// event is told by the line of its record. Lines of held.txt are "line 7: " and a
// reason, or "ignored: " and why. Order does not matter. "dewclaw check" runs the
// examples and says which columns are never used and which codes of the tables
// no example shows.
package mapping
