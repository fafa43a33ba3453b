package measures

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"dewclaw/events"
	"dewclaw/events/measures/stats"
)

// A Number is a value, or NaN if none can be told. In JSON that is null.
type Number float64

// MarshalJSON writes null for what is no finite number.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Told() {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(n), 'g', -1, 64), nil
}

// UnmarshalJSON reads what MarshalJSON writes.
func (n *Number) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Number(math.NaN())
		return nil
	}
	v, err := strconv.ParseFloat(string(b), 64)
	*n = Number(v)
	return err
}

// Told reports whether there is a value.
func (n Number) Told() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// untold is the value of what cannot be told.
var untold = Number(math.NaN())

// Methods of intervals, as they stand beside them.
const (
	Wilson       = "Wilson"
	Exact        = "exact"
	WilsonDesign = "Wilson with design effect"
	Byar         = "Byar"
	Log          = "log"
	LogLog       = "log-log"
	Newcombe     = "Newcombe"
	LargeSample  = "large-sample standard error"
	NullError    = "null standard error (for the test only)"
	Normal       = "normal"
	Outer        = "Wilson, outer ends"
)

// An Interval is the interval of a figure, in its unit, by a named method.
type Interval struct {
	Method string `json:"method"`
	Low    Number `json:"low"`
	High   Number `json:"high"`
}

// A Figure is one number with what it takes to understand it.
type Figure struct {
	ID      string `json:"id,omitempty"`      // text of its [ID]; none if it was made fit for others
	Key     string `json:"key"`               // names it within its report
	Section string `json:"section,omitempty"` // heading it stands under
	What    string `json:"what"`              // what it is of
	Group   string `json:"group,omitempty"`   // part of a split it is of
	Unit    string `json:"unit"`              // %, days, per 100 cow-months, …; "" of a bare number

	Value Number `json:"value"`
	// Upper is set where the truth lies between Value and Upper, because of some
	// animals it cannot be told; else it is NaN.
	Upper Number `json:"upper"`

	X         *int       `json:"x,omitempty"`  // numerator
	N         *int       `json:"n,omitempty"`  // denominator
	Time      Number     `json:"time"`         // time at risk in days, of a rate; else NaN
	Of        string     `json:"of,omitempty"` // what N or Time counts
	Intervals []Interval `json:"intervals,omitempty"`
	Limits    *Interval  `json:"limits,omitempty"` // of a control chart
	Out       bool       `json:"out,omitempty"`    // beyond them

	Seen     *int   `json:"seen,omitempty"`     // animals looked at …
	Eligible *int   `json:"eligible,omitempty"` // … of so many that could have been
	Eligibly string `json:"eligibly,omitempty"` // in words: cows in milk
	Census   bool   `json:"census,omitempty"`   // all of them: no interval for the herd itself
	Partial  bool   `json:"partial,omitempty"`  // of a session: too few of the herd, in no line, limit or test
	Worn     *int   `json:"worn,omitempty"`     // of a session: those of N with a block or wrap on, which changes the gait
	Scale    string `json:"scale,omitempty"`    // locomotion scale or scales

	Ranges     []Benchmark `json:"ranges,omitempty"`     // published figures to compare with
	Cautions   []string    `json:"cautions,omitempty"`   // how it may mislead; they name no small number
	Notes      []string    `json:"notes,omitempty"`      // what else is to be known; they may, and are not shared
	Suppressed bool        `json:"suppressed,omitempty"` // too few to be shared
	// Family is the same for figures whose numerators add up to another one: of
	// those a single suppressed one could be worked out.
	Family string `json:"-"`

	heads   *heads   // animals behind it; nil where X and N count animals
	unclear int      // of N, those of which it cannot be told
	from    []string // keys of the figures it is worked out of

	Events []events.Entity `json:"events,omitempty"` // what X counts, or the figure is made of; sorted
	Base   []events.Entity `json:"-"`                // what else N or Time counts; sorted
}

// A Parameter is a setting that a figure depends on.
type Parameter struct {
	Name  string `json:"name"`
	Value string `json:"value"`

	from []string // keys of the figures it is worked out of
}

// A LeftOut says why facts are in no figure of a report, and how many.
type LeftOut struct {
	Why string `json:"why"`
	N   int    `json:"n"`
}

// A Report is what one measure says of a farm and a period.
type Report struct {
	Measure    string          `json:"measure"`
	Title      string          `json:"title"`
	Question   Question        `json:"question"` // as it was asked, with the defaults left open
	Position   events.Position `json:"position"`
	Of         string          `json:"of,omitempty"` // which animals, in words; "" where that does not matter
	Definition string          `json:"definition"`
	Parameters []Parameter     `json:"parameters"`
	Notes      []string        `json:"notes,omitempty"`
	LeftOut    []LeftOut       `json:"leftOut,omitempty"`
	Figures    []Figure        `json:"figures,omitempty"`
	Curves     []NamedCurve    `json:"curves,omitempty"`
	Unseen     Unseen          `json:"unseen"`
	Shared     int             `json:"shared,omitempty"` // least number of animals shown, if it was made fit for others; else 0

	sums []sum // for who shares it
}

// A NamedCurve is a survival curve with the group it is of.
type NamedCurve struct {
	Name  string      `json:"name"`
	N     int         `json:"n"`
	Steps []CurveStep `json:"steps"`
}

// A CurveStep is one step of a curve; see stats.Step.
type CurveStep struct {
	T        float64 `json:"t"` // days
	AtRisk   int     `json:"atRisk"`
	Events   int     `json:"events"`
	Censored int     `json:"censored"`
	S        Number  `json:"s"`
	Low      Number  `json:"low"`
	High     Number  `json:"high"`
}

func intPtr(n int) *int { return &n }

func interval(method string, i stats.Interval, factor float64) Interval {
	return Interval{Method: method, Low: Number(i.Low * factor), High: Number(i.High * factor)}
}

// add appends an empty figure to the report.
func (w *work) add(key, what string) *Figure {
	w.report.Figures = append(w.report.Figures, Figure{Key: key, What: what, Value: untold, Upper: untold, Time: untold})
	return &w.report.Figures[len(w.report.Figures)-1]
}

// share appends x of n in percent, with both intervals.
func (w *work) share(key, what string, x, n int, of string) *Figure {
	f := w.add(key, what)
	f.Unit, f.X, f.N, f.Of = "%", intPtr(x), intPtr(n), of
	if n > 0 {
		f.Value = Number(100 * float64(x) / float64(n))
		f.Intervals = []Interval{
			interval(Wilson, stats.Wilson(x, n, w.q.Level), 100),
			interval(Exact, stats.ClopperPearson(x, n, w.q.Level), 100),
		}
	}
	return f
}

// shareRange appends a share of which some cannot be told: from x to x plus
// unclear of n. Its interval reaches from the lower end of the one to the upper
// end of the other.
func (w *work) shareRange(key, what string, x, unclear, n int, of string) *Figure {
	f := w.share(key, what, x, n, of)
	f.unclear = unclear
	if unclear == 0 || n == 0 {
		return f
	}
	f.Upper = Number(100 * float64(x+unclear) / float64(n))
	low, high := stats.Wilson(x, n, w.q.Level), stats.Wilson(x+unclear, n, w.q.Level)
	f.Intervals = []Interval{interval(Outer, stats.Interval{Low: low.Low, High: high.High}, 100)}
	f.note("of %d of them it cannot be told: the truth lies between the two", unclear)
	return f
}

// rates appends cases per 100 cow-years and per 100 cow-months.
func (w *work) rates(key, what string, cases, atRisk int, of string) {
	for _, u := range []struct {
		key, unit string
		days      float64
	}{{"year", "per 100 cow-years", daysAYear}, {"month", "per 100 cow-months", daysAMonth}} {
		f := w.add(key+"."+u.key, what)
		f.Unit, f.X, f.Time, f.Of = u.unit, intPtr(cases), Number(atRisk), of
		if atRisk == 0 {
			continue
		}
		factor := 100 * u.days / float64(atRisk)
		f.Value = Number(float64(cases) * factor)
		f.Intervals = []Interval{
			interval(Exact, stats.PoissonExact(cases, w.q.Level), factor),
			interval(Byar, stats.Byar(cases, w.q.Level), factor),
		}
	}
}

// note adds a remark to the figure.
func (f *Figure) note(format string, args ...any) *Figure {
	f.Notes = append(f.Notes, fmt.Sprintf(format, args...))
	return f
}

// caution adds a warning to the figure.
func (f *Figure) caution(format string, args ...any) *Figure {
	f.Cautions = append(f.Cautions, fmt.Sprintf(format, args...))
	return f
}

// made says which events the figure counts, and which else it was made of.
func (f *Figure) made(counted, rest []events.Entity) *Figure {
	f.Events, f.Base = tidy(counted), tidy(rest)
	return f
}

func tidy(list []events.Entity) []events.Entity {
	list = slices.Clone(list)
	slices.Sort(list)
	return slices.Compact(list)
}

// covers says how many of those that could have been looked at were.
func (f *Figure) covers(seen, eligible int, words string) *Figure {
	f.Seen, f.Eligible, f.Eligibly = intPtr(seen), intPtr(eligible), words
	return f
}

// Coverage returns the share looked at in percent, or NaN.
func (f *Figure) Coverage() Number {
	if f.Seen == nil || *f.Eligible == 0 {
		return untold
	}
	return Number(100 * float64(*f.Seen) / float64(*f.Eligible))
}

// census takes the intervals away if everybody was looked at: then the figure is
// the herd's own and no estimate.
func (f *Figure) census() {
	if f.Seen != nil && *f.Eligible > 0 && *f.Seen == *f.Eligible && f.N != nil && *f.N == *f.Seen {
		f.Census, f.Intervals = true, nil
	}
}

// Figure returns the figure of a key, or nil.
func (r *Report) Figure(key string) *Figure {
	for i := range r.Figures {
		if r.Figures[i].Key == key {
			return &r.Figures[i]
		}
	}
	return nil
}

func (w *work) parameter(name string, value any) {
	w.report.Parameters = append(w.report.Parameters, Parameter{Name: name, Value: fmt.Sprint(value)})
}

func (w *work) note(format string, args ...any) {
	w.report.Notes = append(w.report.Notes, fmt.Sprintf(format, args...))
}

// addsUp says that what some figures count adds up to what another one counts.
func (w *work) addsUp(total string, parts ...string) {
	w.report.sums = append(w.report.sums, sum{total, parts})
}

// plural writes a number with what it counts.
func plural(n int, what string) string {
	if n != 1 {
		what += "s"
	}
	return fmt.Sprint(n, " ", what)
}

// leave counts facts that no figure of the report uses.
func (w *work) leave(why string, n int) {
	if n == 0 {
		return
	}
	for i := range w.report.LeftOut {
		if w.report.LeftOut[i].Why == why {
			w.report.LeftOut[i].N += n
			return
		}
	}
	w.report.LeftOut = append(w.report.LeftOut, LeftOut{why, n})
}
