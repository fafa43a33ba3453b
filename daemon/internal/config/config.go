package config

import (
	"time"

	"dewclaw/events"
)

// Version is the version of the config format that is read. Every older version
// stays readable; a newer one is refused.
const Version = 1

// A Config is dewclaw.yaml as plain values. Lists stand in the order of the
// file, paths are joined with the folder of the file, defaults are filled in.
// It is not changed after [Load] and may be read by several goroutines.
type Config struct {
	Path       string // the file, as it was named to [Load]
	Version    int
	Data       string // data folder
	Archive    string // folder of the originals; "" for the one in the data folder
	Log        Log
	Hub        Hub
	Farms      []Farm
	Sources    []Source
	Recipients []Recipient
	Feeds      []Feed
	Lists      []List
	Grants     []Grant
	Settings   map[string]string // thresholds by name (code lists advisories, timings and due), as text; nil for the defaults
	Listen     Listen
	Tokens     []Token
}

// A Log says where the log lives. Without a URL it is embedded and lies in the
// data folder.
type Log struct {
	Server                 // URL "" for the embedded log
	Stream   string        // name of the external stream; "" with the embedded log
	Replicas int           // servers of a cluster that keep it, at least; 0 is one
	Daemon   string        // what other daemons on the log call this one; "" for the name of its machine
	Lease    time.Duration // how long a source or feed stays with a daemon that is not heard of; 0 with the embedded log
}

// A Server is a NATS server and how to log in to it. At most one of Creds, NKey,
// Token and User is set.
type Server struct {
	URL      string
	Creds    string // NATS credentials file
	NKey     string // file with an NKey seed
	Token    Secret
	User     Secret
	Password Secret // set if User is
	CA       string // file with the certificates that vouch for the server; "" for the system's
	Cert     string // file with the client's certificate; "" for none
	Key      string // file with its key; set if Cert is
}

// A Farm is one holding. Its id goes into every entity and never changes.
type Farm struct {
	ID   string
	Name string // for people; the id if none is given
	Zone string // IANA zone of its local times
}

// After says what becomes of a file once its records are in the log.
type After string

// The choices of after.
const (
	Keep   After = "keep"   // it stays
	Move   After = "move"   // it moves to Source.MoveTo
	Delete After = "delete" // it is deleted; the archive keeps its bytes
)

// A Source is a configured place records come from: a folder, a stream of
// messages, requests over HTTP, or messages to the daemon's own MQTT port.
type Source struct {
	ID      string
	Farm    string   // its farm, or "" if rows name the farm
	Farms   []string // the farms its rows may name; nil if Farm is set
	Mapping string   // file, or [Builtin] and a name

	Folder string        // "" for a stream
	Files  []string      // patterns (path.Match) of names in the folder; at least one
	Below  bool          // folders below it are read too
	After  After         // never empty for a folder
	MoveTo string        // folder; set if After is Move
	Rest   time.Duration // how long size and time of a file must stay the same before it is taken
	Scan   time.Duration // time between two looks into the folder, whatever notices say

	Stream    *StreamSource   // nil for anything else
	MQTT      *MQTTSource     // nil for anything else
	Watermill *WatermillTopic // nil for anything else
	HTTP      *HTTPSource     // nil for anything else
	Devices   *MQTTPortSource // nil for anything else

	Silent time.Duration // how long nothing may come before the source says so; 0 for ever
	Again  time.Duration // wait before an original that could not be taken is tried again
}

// A StreamSource is a JetStream stream that is read with a durable consumer.
type StreamSource struct {
	Server
	Stream   string // "" to find it by subject
	Subject  string // filter; "" for every subject of the stream
	Consumer string // name of the durable consumer; "dewclaw-" and the source id if none is given
}

// A Recipient is who gets data.
type Recipient struct {
	ID         string
	Name       string // for people; the id if none is given
	Pseudonyms Secret // key from which the recipient's pseudonyms are made; unset if no grant asks for them
}

// Format says in which layout a feed writes.
type Format string

// The formats of feeds.
const (
	CloudEvents      Format = "cloudevents"       // one CloudEvent a line (NDJSON), or one a message
	CloudEventsArray Format = "cloudevents-array" // a JSON array of CloudEvents: the JSON batch format of CloudEvents
	Mapped           Format = "mapping"           // as a mapping of direction out says
	ADE              Format = "ade"               // a collection of ICAR ADE resources
)

// Deletes says how a feed tells that a recipient should no longer have a fact.
type Deletes string

// The ways of deletes.
const (
	DeletesColumn Deletes = "column" // among the others, told apart by change = retracted
	DeletesFile   Deletes = "file"   // in a second file of the same layout
	DeletesReport Deletes = "report" // the recipient takes no deletes: a report for people
)

// Fields says how much of a fact may leave.
type Fields string

// The choices of fields, widest first.
const (
	Identities Fields = "identities" // everything
	Pseudonyms Fields = "pseudonyms" // animals by pseudonym, no free text, no origin
	Rates      Fields = "rates"      // herd figures only: no event leaves
)

// A Feed is a stream of events to one recipient.
type Feed struct {
	ID           string
	Recipient    string
	Farms        []string
	Kinds        []events.Kind
	Where        []Condition // all must hold; nil for no condition
	Without      []string    // barns that the feed is given to: what came from them is left out
	Format       Format
	Mapping      string // file; set if Format is Mapped
	ADE          ADEForm
	Folder       string          // where files go; "" for a stream
	Stream       *StreamTarget   // nil for anything else
	MQTT         *MQTTTarget     // nil for anything else
	Watermill    *WatermillTopic // nil for anything else
	Webhook      *Webhook        // nil for anything else
	Pull         *Pull           // nil for anything else
	Replies      *Replies        // nil if no files with replies are expected
	Deletes      Deletes         // never empty
	KnownAnimals bool            // wait until a roster knows the animal
	Fields       Fields          // Pseudonyms if the feed asks for less than its grant gives, else Identities
	FromNow      bool            // a new feed begins at the end of the log, not at its start
	Every        time.Duration   // a batch is sent at the latest this long after its first event was read; 0 at once
	Rows         int             // rows of a batch
	Size         int             // bytes of a batch
}

// ByEvent reports whether the recipient gets events one by one, not files.
func (f *Feed) ByEvent() bool { return f.Folder == "" }

// An ADEForm says how a feed of format ade names and places things.
type ADEForm struct {
	Source      string               // meta.source of every resource: a reverse domain name or URI
	Identifiers []string             // schemes of ours, the first that an animal has goes; nil for the usual order
	Schemes     map[string]string    // ADE's scheme by one of ours
	Locations   map[string]ADEScheme // by farm; without one its id in a scheme of ours
	Toes        bool                 // positions are toes where the claw is known, not legs
}

// An ADEScheme is an id in a scheme of ADE.
type ADEScheme struct{ ID, Scheme string }

// A Condition holds for an event of its kind whose field has one of the values
// (a list: any of them), and for every event of another kind.
type Condition struct {
	Kind   events.Kind `json:"kind"`
	Field  string      `json:"field"` // name of an [events.Field]
	Values []string    `json:"values"`
}

// A StreamTarget is a JetStream stream a feed publishes to.
type StreamTarget struct {
	Server
	Stream  string // the stream that must acknowledge; "" to find it by subject
	Subject string // first part of the subject; farm and kind of the event follow it
	Create  bool   // make the stream if there is none
}

// A Grant is the consent of a farm that lets feeds to a recipient carry something.
type Grant struct {
	Farm      string
	Recipient string
	Purpose   string
	Kinds     []events.Kind
	Period    Period // days on which the facts occurred
	Fields    Fields
	From      string // first day of delivery, YYYY-MM-DD in the farm's zone
	Until     string // last day of delivery; "" if it does not end
}

// A Period is a range of days, YYYY-MM-DD, both ends included. Empty ends are open.
type Period struct {
	From string `json:"from,omitempty"`
	To   string `json:"to,omitempty"`
}

// Holds reports whether day lies in the period. A fact without a day lies only
// in a period that is open at both ends.
func (p Period) Holds(day string) bool {
	if day == "" {
		return p == Period{}
	}
	return (p.From == "" || day >= p.From) && (p.To == "" || day <= p.To)
}

// Covers reports whether the grant is about events of the kind, of the farm, to
// the recipient.
func (g *Grant) Covers(farm, recipient string, k events.Kind) bool {
	if g.Farm != farm || g.Recipient != recipient {
		return false
	}
	for _, own := range g.Kinds {
		if own == k {
			return true
		}
	}
	return false
}

// InForce reports whether the grant allows delivery on day, YYYY-MM-DD in the
// farm's zone.
func (g *Grant) InForce(day string) bool {
	return day >= g.From && (g.Until == "" || day <= g.Until)
}

// Farm returns the farm with the id, or nil.
func (c *Config) Farm(id string) *Farm {
	return find(c.Farms, func(f *Farm) bool { return f.ID == id })
}

// Source returns the source with the id, or nil.
func (c *Config) Source(id string) *Source {
	return find(c.Sources, func(s *Source) bool { return s.ID == id })
}

// Recipient returns the recipient with the id, or nil.
func (c *Config) Recipient(id string) *Recipient {
	return find(c.Recipients, func(r *Recipient) bool { return r.ID == id })
}

// Feed returns the feed with the id, or nil.
func (c *Config) Feed(id string) *Feed {
	return find(c.Feeds, func(f *Feed) bool { return f.ID == id })
}

// List returns the daily list with the id, or nil.
func (c *Config) List(id string) *List {
	return find(c.Lists, func(l *List) bool { return l.ID == id })
}

func find[T any](list []T, is func(*T) bool) *T {
	for i := range list {
		if is(&list[i]) {
			return &list[i]
		}
	}
	return nil
}
