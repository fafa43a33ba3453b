// Package backup writes the part of a data folder that cannot be made again into
// a folder or a file of its own, holds such a copy to its checksums, and makes a
// data folder of it again: the entries of the log as they are stored, the
// originals, the cursors of feeds, config and mappings. It does not know what an
// entry says. Start with [Write], [Open] and [Restore].
//
// # Layout
//
// A backup is a folder, or a tar file (POSIX.1-2001 pax) with the same names in it:
//
//	README                         what this is; "dewclaw backup 1" and the id of the log in its first line
//	entries/FIRST-LAST.ndjson      entries of the log, one a line, as they are stored; positions in 12 digits
//	archive/ab/abcdef…             originals by their SHA-256, as in the data folder
//	state-POSITION-TIME/           what is new in every backup:
//	    cursors.json               values of the buckets beside the log: {"feeds":{"vet.state":"eyJ2…"}}, in base64
//	    config/…                   config and mappings, by their path below the folder of the config
//	    SHA256SUMS                 every file but manifest.json and itself, as sha256sum -c reads it
//	manifest.json                  written last: what belongs together
//
// A backup into a folder that has one of the same log adds what is new: files are
// never written again under the same name, so the older backup stays whole until
// manifest.json is replaced, in one rename, by one that names the new ones. What
// it does not name is swept away afterwards.
//
// # manifest.json
//
//	v          version of this layout: 1
//	what       "dewclaw backup"
//	log        id of the log
//	position   its newest entry here; hash: the SHA-256 of that entry; time: when that entry was made
//	taken      when the backup was made
//	state      the folder of this backup's state; sums: the SHA-256 of its SHA256SUMS
//	segments   the files of entries, in order: name, first, last
//	config     name of the config below state/config
//	originals  how many originals; bytes: their size
//	damage     why the log ends here, if what is behind could not be read
//	missing    originals that the log names and the archive lacks
//	sum        SHA-256 of the manifest as one line of JSON without this member
//
// # Consistent at a log position
//
// The cursors are read first, then the end of the log is taken, then entries up
// to it are read, then the originals these name. So no cursor is ahead of the
// entries, and nothing an entry names is missing, whatever a daemon appends
// meanwhile: an original is in the archive before the entry that names it.
//
// # What a crash leaves
//
// Files are written under a passing name, fsynced and renamed; manifest.json
// comes last. A backup that was cut short has no manifest, or that of the backup
// before. A data folder is restored beside its place under the name with
// ".restoring" behind it, and renamed when all of it is on the disk.
//
// # Oldest format
//
// A backup of every version ever released is kept in testdata and restored in
// tests for ever.
package backup
