package adapters

import "dewclaw/events"

// An Account is what became of an original, for whoever handed it over and waits
// for an answer.
type Account struct {
	SHA256  string          // of the bytes, in hex
	Known   bool            // its bytes were read before: nothing changes, and Counts say what they hold
	Counts  events.Counts   // of its records
	Last    events.Position // newest entry of the log that has something of it; for bytes that were read before, of then
	Notices []string        // what a person should know, in words
	Fates   []Fate          // of its records, in their order
	More    bool            // there are more than Fates tells of

	// Refused says why it was not taken and will not be: its key came with other
	// bytes before. All else is zero then, and the verdict is NotTaken.
	Refused *events.Fault
}

// A Fate is what became of one record.
type Fate struct {
	Record   int             `json:"record"`             // its place among the records of the original, from 1
	Line     int             `json:"line"`               // its first line, from 1; 0 if it stands for the whole original
	LastLine int             `json:"lastLine,omitempty"` // its last line, if it has several
	Outcome  string          `json:"outcome"`            // accepted, duplicate, amended, held or ignored
	Held     string          `json:"held,omitempty"`     // id, if it is held
	Reasons  []events.Reason `json:"reasons,omitempty"`  // why, if it is held
}
