package measures

import (
	"fmt"
	"slices"
	"strings"

	"dewclaw/events"
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

	Level    float64 `json:"level,omitempty"`    // of intervals, 0.95
	Gap      int     `json:"gap,omitempty"`      // days between two records of one lesion case; that of the herd, 42
	Least    int     `json:"least,omitempty"`    // animals that make a session, 10
	Confirm  int     `json:"confirm,omitempty"`  // days within which two lame scores confirm each other, 21
	Sound    int     `json:"sound,omitempty"`    // not-lame scores in a row that end an episode, 2
	Hours    int     `json:"hours,omitempty"`    // within which a lame animal is to be examined, 48
	Early    int     `json:"early,omitempty"`    // days before which a block is lost early, 10
	Blocked  int     `json:"blocked,omitempty"`  // days within which an ulcer is to be blocked, 2
	Span     float64 `json:"span,omitempty"`     // wanted precision in points, 5
	Expect   float64 `json:"expect,omitempty"`   // expected prevalence in percent; that of the newest session, or 50
	Detect   float64 `json:"detect,omitempty"`   // prevalence in percent that is to be noticed, 5
	Target   float64 `json:"target,omitempty"`   // of the cumulative sums, in percent; the mean of the sessions
	Slack    float64 `json:"slack,omitempty"`    // standard errors let pass by the cumulative sums, 0.5
	Decision float64 `json:"decision,omitempty"` // standard errors at which they signal, 5
}

// history is how many days before the period scores are read, to know how an
// animal stood when it began (own choice).
const history = 90

func orElse[T comparable](v *T, otherwise T) {
	var zero T
	if *v == zero {
		*v = otherwise
	}
}

// withDefaults returns the question with every setting filled in. Sources: two
// lame scores at most three weeks apart and two sound ones, Daros et al. 2019, J
// Dairy Sci, and Thomas et al. 2015, J Dairy Sci 98:4477, with scores every two
// weeks; 48 hours, dairynz.co.nz (identifying lameness); early loss of blocks, N
// Z Vet J 2021, of glued soft wood; ulcers, blocks and lists, own choice.
func (q Question) withDefaults(gap int) Question {
	orElse(&q.Level, 0.95)
	orElse(&q.Gap, gap)
	orElse(&q.Least, 10)
	orElse(&q.Confirm, 21)
	orElse(&q.Sound, 2)
	orElse(&q.Hours, 48)
	orElse(&q.Early, 10)
	orElse(&q.Blocked, 2)
	orElse(&q.Span, 5)
	orElse(&q.Detect, 5)
	orElse(&q.Slack, 0.5)
	orElse(&q.Decision, 5)
	return q
}

// Check returns an error of kind [events.ErrInvalid] for a question that makes no
// sense.
func (q *Question) Check() error {
	if err := checkPeriod(q.From, q.To); err != nil {
		return err
	}
	bad := func(what, wanted string, got any) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: "measure", What: what, Wanted: wanted, Got: fmt.Sprint(got)}
	}
	if q.Of != "" && !slices.Contains(Bases(), q.Of) {
		return bad("which animals", fmt.Sprint("one of ", Bases()), q.Of)
	}
	if q.Scale != "" && codes.Locomotion().Get(q.Scale) == nil {
		return bad("scale", "one of "+strings.Join(codes.Locomotion().Codes(), ", "), q.Scale)
	}
	if q.Level != 0 && (q.Level < 0.5 || q.Level >= 1) {
		return bad("level of intervals", "0.5 to under 1, such as 0.95", q.Level)
	}
	for _, n := range []struct {
		what string
		v    int
	}{{"gap", q.Gap}, {"least", q.Least}, {"confirm", q.Confirm}, {"sound", q.Sound}, {"hours", q.Hours}, {"early", q.Early}, {"blocked", q.Blocked}} {
		if n.v < 0 || n.v > 100_000 {
			return bad(n.what, "a number above 0", n.v)
		}
	}
	for _, n := range []struct {
		what string
		v    float64
	}{{"span", q.Span}, {"expect", q.Expect}, {"detect", q.Detect}, {"target", q.Target}} {
		if n.v < 0 || n.v > 100 {
			return bad(n.what, "percent, 0 to 100", n.v)
		}
	}
	if q.Slack < 0 || q.Decision < 0 {
		return bad("slack and decision", "numbers above 0", fmt.Sprint(q.Slack, " and ", q.Decision))
	}
	return nil
}
