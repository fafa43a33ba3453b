package herd

// The tables. The file is disposable: whoever changes them, or what they mean,
// raises form, and every file of another form is built anew.
//
//	meta            what the file is and how far it is
//	names           farm and source ids, as numbers
//	namings         the different ways animals of a farm were named in events; used if some fact has it now
//	facts           newest revision of each event about work and findings
//	tally           how many facts there are, by farm and kind
//	statements      every revision of each roster statement
//	decisions       newest revision of each decision about identities
//	held            held records and what became of them; one of which the farm cannot be read with each it may be of
//	waits           retractions that wait for a person
//	animals         the animals worked out, of a roster or only as read; claims tells theirs in short
//	spans           which animal a naming means, from day to day
//	claims          which animal an identifier of a roster means, from day to day
//	results         what was worked out of one animal: cases, devices, ...; first and last are days
//	older           what lists do not need of a result: the older sightings of a case
//
// A fact knows its naming and its day and nothing of animals: when identities
// change, spans change and no fact does.
const (
	form = 11

	schema = `
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT) WITHOUT ROWID;
CREATE TABLE names(id INTEGER PRIMARY KEY, name TEXT UNIQUE);
CREATE TABLE namings(id INTEGER PRIMARY KEY, farm INTEGER, key TEXT, used INTEGER, UNIQUE(farm, key));
CREATE TABLE facts(id INTEGER PRIMARY KEY, naming INTEGER, day INTEGER, kind INTEGER, state INTEGER,
	revision INTEGER, source INTEGER, entity BLOB, visit TEXT, mark INTEGER, data BLOB);
CREATE TABLE statements(id INTEGER PRIMARY KEY, farm INTEGER, entity TEXT, revision INTEGER, retracted INTEGER,
	source INTEGER, day INTEGER, data BLOB);
CREATE TABLE tally(farm INTEGER, kind INTEGER, n INTEGER, PRIMARY KEY(farm, kind)) WITHOUT ROWID;
CREATE INDEX statements_farm ON statements(farm, entity, revision);
CREATE TABLE decisions(id INTEGER PRIMARY KEY, farm INTEGER, entity TEXT, recorded TEXT, data BLOB);
CREATE INDEX decisions_farm ON decisions(farm);
CREATE TABLE held(farm INTEGER, id TEXT, place INTEGER, source INTEGER, settled TEXT, data TEXT,
	PRIMARY KEY(farm, id)) WITHOUT ROWID;
CREATE INDEX held_id ON held(id);
CREATE TABLE waits(entity TEXT PRIMARY KEY, farm INTEGER, source INTEGER, why TEXT) WITHOUT ROWID;
CREATE TABLE animals(id INTEGER PRIMARY KEY, farm INTEGER, key TEXT, known INTEGER, body TEXT,
	claims TEXT, UNIQUE(farm, key));
CREATE TABLE spans(naming INTEGER, "from" INTEGER, "to" INTEGER, animal INTEGER,
	PRIMARY KEY(naming, "from")) WITHOUT ROWID;
CREATE TABLE claims(farm INTEGER, identifier TEXT, "from" INTEGER, "to" INTEGER, strong INTEGER, animal INTEGER,
	PRIMARY KEY(farm, identifier, "from", "to", strong, animal)) WITHOUT ROWID;
CREATE INDEX claims_animal ON claims(animal);
CREATE TABLE results(animal INTEGER, kind INTEGER, n INTEGER, farm INTEGER, first INTEGER, last INTEGER, body TEXT,
	PRIMARY KEY(animal, kind, n)) WITHOUT ROWID;
CREATE TABLE older(animal INTEGER, n INTEGER, body TEXT, PRIMARY KEY(animal, n)) WITHOUT ROWID`

	// indexes are made when all facts are in, and lateIndexes when all results are: sorting once is several times
	// cheaper than keeping order row by row.
	indexes = `
CREATE INDEX IF NOT EXISTS facts_naming ON facts(naming, day, kind, state);
CREATE INDEX IF NOT EXISTS facts_mark ON facts(mark) WHERE mark IS NOT NULL;
CREATE INDEX IF NOT EXISTS spans_animal ON spans(animal)`

	lateIndexes = `CREATE INDEX IF NOT EXISTS results_farm ON results(farm, kind, last)`
)

// Keys of meta.
const (
	metaForm     = "form"     // form of the tables and the settings they were worked out with
	metaLog      = "log"      // id of the log
	metaPosition = "position" // newest entry that is in
	metaFacts    = "facts"    // how many facts were ever put in
	metaEntry    = "entry"    // what that entry names as the hash of the one before it, and its time
	metaBuilt    = "built"    // "yes" once the first build is whole
	metaClean    = "clean"    // "yes" after a clean close
)

// States of a fact.
const (
	stateDecided   = 1 << iota // a person corrected it
	stateChanged               // its source said something else after that
	stateRetracted             // it is not so (kept only where a person decided)
	stateOld                   // its source said something else since, and no person confirmed it; see Before

	hidden = stateRetracted | stateOld // no fact
)

// Kinds of results.
const (
	resultCase = iota + 1
	resultDevice
	resultWithdrawal
	resultContradiction
	resultStanding
	resultOrder
	resultClaw
)

// setMeta writes a value of meta.
func (d *db) setMeta(key, value string) error {
	return d.prepared("INSERT INTO meta(key, value) VALUES(?,?) ON CONFLICT DO UPDATE SET value=excluded.value").exec(key, value)
}

// meta returns a value of meta, or "".
func (d *db) meta(key string) (string, error) {
	row, err := d.prepared("SELECT value FROM meta WHERE key=?").first(key)
	if err != nil || row == nil {
		return "", err
	}
	return textOf(row[0]), nil
}
