package measures

import (
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/events/worklist"
	"dewclaw/schema/codes"
)

// Which animals a figure is about; see the package comment.
const (
	InMilk = "in-milk"
	Cows   = "cows"
	Anyone = "all"
)

// Bases lists them.
func Bases() []string { return []string{InMilk, Cows, Anyone} }

// What a figure can be split by. Pens are those on the day of the event.
const (
	ByParity = "parity"
	ByStage  = "stage"
	BySeason = "season"
	ByPen    = "pen"
	ByFoot   = "foot"
	ByZone   = "zone"
)

// A Question says what figures are asked for. The zero value of a setting is its
// default, which stands beside it.
type Question struct {
	Farm  string `json:"farm"`
	From  string `json:"from"`            // first day of the period, in it
	To    string `json:"to"`              // last day of it, in it
	Of    string `json:"of,omitempty"`    // which animals; "" as the measure has it
	By    string `json:"by,omitempty"`    // split by; "" is not at all
	Scale string `json:"scale,omitempty"` // only scores on this scale; "" is any

	// Lists are the windows of what is due; nil is their defaults. They are no part
	// of an [ID], but stand beside each figure they make.
	Lists *worklist.Settings `json:"-"`

	// What Settings lists.
	Level    float64 `json:"level,omitempty"`
	Gap      int     `json:"gap,omitempty"`
	Least    int     `json:"least,omitempty"`
	Confirm  int     `json:"confirm,omitempty"`
	Sound    int     `json:"sound,omitempty"`
	Hours    int     `json:"hours,omitempty"`
	Early    int     `json:"early,omitempty"`
	Blocked  int     `json:"blocked,omitempty"`
	Span     float64 `json:"span,omitempty"`
	Expect   float64 `json:"expect,omitempty"`
	Detect   float64 `json:"detect,omitempty"`
	Target   float64 `json:"target,omitempty"`
	Slack    float64 `json:"slack,omitempty"`
	Decision float64 `json:"decision,omitempty"`
	Cover    float64 `json:"cover,omitempty"`
}

// history is how many days before the period scores are read, to know how an
// animal stood when it began (own choice).
const history = 90

// Check returns an error of kind [events.ErrInvalid] for a question that makes no
// sense.
func (q *Question) Check() error {
	if err := checkPeriod(q.From, q.To); err != nil {
		return err
	}
	if q.Of != "" && !slices.Contains(Bases(), q.Of) {
		return bad("which animals", "one of "+strings.Join(Bases(), ", "), q.Of)
	}
	if q.Scale != "" && codes.Locomotion().Get(q.Scale) == nil {
		return bad("scale", "one of "+strings.Join(codes.Locomotion().Codes(), ", "), q.Scale)
	}
	for _, s := range settings {
		if err := s.check(q); err != nil {
			return err
		}
	}
	return nil
}

func bad(what, wanted, got string) error {
	return &events.Fault{Kind: events.ErrInvalid, Who: "measure", What: what, Wanted: wanted, Got: fmt.Sprintf("%.100q", got)}
}
