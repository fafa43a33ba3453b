package worklist

import (
	"time"

	"dewclaw/events"
	"dewclaw/events/herd"
)

// An Input is what a list is made of. Nothing of it is changed.
type Input struct {
	Farm, Name string           // id, and the name for people
	Day        string           // the day of the list, YYYY-MM-DD
	Now        time.Time        // when it is made
	Zone       *time.Location   // of the farm
	Position   events.Position  // log position of the herd
	Standings  []herd.Standing  // at the end of Day
	Roster     herd.Roster      //
	Held       int              // held records nobody has settled
	Urgent     []Held           // those of them that may hide what cannot wait
	Maybe      []Maybe          // those of them whose farm cannot be read
	HeldOf     map[string]Held  // by animal as read, the newest of which animal and day can be read; see [HeldKey]
	Unmatched  []herd.Unmatched //
	Conflicts  []herd.Contradiction
	Waiting    int    // retractions that wait for a person
	NextVisit  string // day; "" if nobody said
	Settings   *Settings
}

// A Maybe tells of held records of a source that may be of the farm or of another
// one: of which, cannot be read. What they say is on no list.
type Maybe struct {
	Source string `json:"source"`
	Held   int    `json:"held"`
	Urgent int    `json:"urgent,omitempty"` // of them, may hide what cannot wait
}

// A Held is a held record that may hide what matters.
type Held struct {
	ID     string `json:"id"`
	Source string `json:"source"`
	Animal string `json:"animal,omitempty"` // as read
	Day    string `json:"day,omitempty"`
	Foot   string `json:"foot,omitempty"`
	Words  string `json:"words,omitempty"`
	Urgent string `json:"urgent,omitempty"` // what it may hide that cannot wait; "" if nothing can be told
}

// A Tier says how soon.
type Tier string

// The tiers, the most pressing first.
const (
	Now       Tier = "now"
	Today     Tier = "today"
	ThisVisit Tier = "this visit"
	Planned   Tier = "planned"
	Routine   Tier = "routine"
	NotNow    Tier = "not now" // a guard stops it
)

// Tiers are all tiers, the most pressing first.
var Tiers = []Tier{Now, Today, ThisVisit, Planned, Routine, NotNow}

func (t Tier) rank() int {
	for i, x := range Tiers {
		if x == t {
			return i
		}
	}
	return len(Tiers)
}

// A Reader is whom a list is for.
type Reader string

// The readers.
const (
	Trimmer  Reader = "trimmer"
	Milkers  Reader = "milkers"
	Vet      Reader = "vet"
	Manager  Reader = "manager"
	Everyone Reader = "everyone"
)

// A List is what is due on a farm on a day, for one reader.
type List struct {
	Farm       string          `json:"farm"`
	Name       string          `json:"name"`
	For        Reader          `json:"for"`
	Day        string          `json:"day"`
	Order      string          `json:"order"` // urgency or chute
	Made       string          `json:"made"`  // RFC 3339
	At         string          `json:"at"`    // the moment it counts to, RFC 3339
	ValidUntil string          `json:"validUntil"`
	Position   events.Position `json:"position"`
	NextVisit  string          `json:"nextVisit"`
	Assumed    bool            `json:"nextVisitAssumed,omitempty"` // nobody said when it is
	Unseen     Unseen          `json:"unseen"`
	Cannot     []Cannot        `json:"cannot,omitempty"` // why it cannot be complete
	Rows       []Row           `json:"rows"`
	Capacity   *Capacity       `json:"capacity,omitempty"`
	Cautions   []string        `json:"cautions"`
}

// A Cannot is something the list cannot work out, and why.
type Cannot struct {
	Code string `json:"code"`
	Text string `json:"text"`
}

// Unseen is what the list opens with.
type Unseen struct {
	Held       int        `json:"held"`
	Urgent     int        `json:"urgent"`           // of them, look urgent
	First      []Held     `json:"first,omitempty"`  // the urgent ones
	Maybe      []Maybe    `json:"maybe,omitempty"`  // those of held that may be of another farm
	Incomplete int        `json:"incomplete"`       // animals whose last examination has rows that are held
	Unmatched  int        `json:"unmatched"`        // animals no roster explains
	Conflicts  []Conflict `json:"conflicts"`        // contradictions
	Waiting    int        `json:"waiting"`          // retractions that wait for a person
	Roster     string     `json:"roster,omitempty"` // day of its newest statement; "" if there is no roster
	RosterAge  int        `json:"rosterAge"`        // days
	Scored     string     `json:"scored,omitempty"` // day anybody was last scored; "" if nobody ever was
}

// A Conflict is a contradiction with all that a person needs to decide.
type Conflict struct {
	Kind    string          `json:"kind"`
	Day     string          `json:"day,omitempty"` // the first it concerns
	Animals []string        `json:"animals"`       // animal ids
	Cows    []string        `json:"cows"`          // the names people use, each with a second identifier if there is one
	Events  []events.Entity `json:"events"`        // the facts it is about
	Text    string          `json:"text"`          // in a sentence, with the cows and the events
}

// A Row is one animal.
type Row struct {
	Tier     Tier       `json:"tier"`
	Animal   string     `json:"animal"` // animal id
	Cow      string     `json:"cow"`    // the name people use
	Second   string     `json:"second,omitempty"`
	Known    bool       `json:"known"` // a roster has her
	Pen      string     `json:"pen,omitempty"`
	Closes   string     `json:"closes,omitempty"` // the window of its tier that closes first; a day or RFC 3339
	Reasons  []Reason   `json:"reasons"`
	Findings []Finding  `json:"findings,omitempty"` // the last of each claw
	On       []On       `json:"on,omitempty"`       // blocks and wraps
	Withheld []Withheld `json:"withheld,omitempty"`
	Guards   []Guard    `json:"guards,omitempty"`
	Notes    []string   `json:"notes,omitempty"`
	Chute    bool       `json:"chute"`            // she takes a place on the chute
	Slot     int        `json:"slot,omitempty"`   // which one, with a capacity
	Beyond   bool       `json:"beyond,omitempty"` // no place is left for her
	Misses   string     `json:"misses,omitempty"` // the window that closes before the next visit

	heifer, dermatitis, infected bool
	closing                      time.Time // of Closes
}

// A Reason is why an animal is on the list.
type Reason struct {
	Code    string `json:"code"`
	Tier    Tier   `json:"tier"`
	Text    string `json:"text"`
	Since   string `json:"since,omitempty"`  // a day or RFC 3339
	Closes  string `json:"closes,omitempty"` // when its window closes; a day or RFC 3339
	Stopped string `json:"stopped,omitempty"`

	of *kind
}

// A Finding is the last finding of a claw.
type Finding struct {
	Foot  string `json:"foot"`
	Claw  string `json:"claw"`
	Text  string `json:"text"`
	Day   string `json:"day"`
	State string `json:"state"` // open or healed
}

// An On is a block or wrap she wears.
type On struct {
	What    string   `json:"what"`
	Foot    string   `json:"foot"`
	Claw    string   `json:"claw,omitempty"`
	Since   string   `json:"since"`
	Off     string   `json:"off,omitempty"` // when it comes off
	Text    string   `json:"text"`
	Leave   bool     `json:"leave,omitempty"`  // a vet's dressing: not to be removed
	Before  []string `json:"before,omitempty"` // what its source said before and nobody confirmed
	Dubious []string `json:"doubts,omitempty"`
}

// Withheld is a withdrawal that is not over.
type Withheld struct {
	Medicine string   `json:"medicine"`
	Given    string   `json:"given"`
	Milk     string   `json:"milk"` // in words: until when, none, or unknown
	Meat     string   `json:"meat"`
	Unknown  bool     `json:"unknown,omitempty"` // one of them is
	Before   []string `json:"before,omitempty"`  // what its source said before and nobody confirmed
}

// A Guard stops routine trimming and says why.
type Guard struct {
	Code  string `json:"code"`
	Text  string `json:"text"`
	Until string `json:"until,omitempty"`

	stops bool // the whole of routine trimming, not a part of it
}

// Capacity tells how many fit.
type Capacity struct {
	Slots  int      `json:"slots"`
	Wanted int      `json:"wanted"`           // animals that want one
	Over   int      `json:"over,omitempty"`   // of the first two tiers, that go over it: they are never left out
	Beyond int      `json:"beyond,omitempty"` // animals for whom none is left
	Misses []string `json:"misses,omitempty"` // who of them will miss a window before the next visit, in a sentence each
}

// Cautions stand on every list and report (wording of our own; what they say is
// common practice, no source).
var Cautions = []string{
	"Reminders made from what was recorded, not orders and not a diagnosis. A lame animal is looked at by a competent person soon, whatever a list says.",
	"The vet decides on medicines and withdrawal. Where none is recorded: withhold milk and meat and ask the vet.",
	"Sudden blisters, or many animals lame at once: stop, move no animal, call the vet or the authority.",
	"Trained people only; mind restraint, protection and hygiene. Local law comes first.",
}
