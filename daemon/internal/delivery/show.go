package delivery

import (
	"context"
	"time"

	"dewclaw/events"
)

// Bounds of what a [State] counts and lists.
const (
	maxLag   = 200_000 // events counted behind the cursor
	maxShown = 1_000   // animals listed
	lookFor  = 200 * time.Millisecond
)

// A State tells where a feed stands, for people and for the API.
type State struct {
	Feed       string          `json:"feed"`
	Recipient  string          `json:"recipient"`
	To         string          `json:"to"`               // folder or URL
	State      string          `json:"state"`            // running, waiting, paused, no grant, refused or stopped; of daemons on one log also elsewhere, or not held
	Holder     string          `json:"holder,omitempty"` // the other daemon that runs it
	Why        string          `json:"why,omitempty"`
	Since      string          `json:"since,omitempty"` // of a pause, RFC 3339
	Generation int             `json:"generation"`
	Position   events.Position `json:"position"` // of the first event that is not settled
	Index      int             `json:"index"`
	End        events.Position `json:"end"`            // end of the log
	Behind     int             `json:"behind"`         // events from there to the end, of any kind
	More       bool            `json:"more,omitempty"` // there are more than that
	Batches    int             `json:"batches"`        // sent in all
	Rows       int             `json:"rows"`
	Deletes    int             `json:"deletes"`
	Late       int             `json:"late"`
	LastSent   string          `json:"lastSent,omitempty"`  // RFC 3339
	LastName   string          `json:"lastName,omitempty"`  // of the last batch, without extension
	Fetched    events.Position `json:"fetched,omitempty"`   // the recipient fetches, and has asked for what comes from here on
	FetchedAt  string          `json:"fetchedAt,omitempty"` // when, RFC 3339
	Planned    string          `json:"planned,omitempty"`   // name of the batch that is on its way
	Attempt    int             `json:"attempt,omitempty"`   // failed so far
	Retry      string          `json:"retry,omitempty"`     // when it is tried again, RFC 3339
	Error      string          `json:"error,omitempty"`
	Waiting    int             `json:"waiting"`            // events that wait until their animal is known
	Parked     int             `json:"parked"`             // events that were refused, and what follows of their animals
	Skipped    int             `json:"skipped"`            // stretches of the log that were recorded without a grant and not sent
	Confirmed  int             `json:"confirmed"`          // events of which the recipient says that it has them
	Refused    int             `json:"refused"`            // events that it got and says it could not take in
	Refusals   []Refusal       `json:"refusals,omitempty"` // of these, oldest first; at most a thousand
	Animals    []Behind        `json:"animals,omitempty"`  // of which something stays behind, longest first; at most a thousand
}

// Behind is what stays behind of one animal.
type Behind struct {
	Key     string          `json:"key"` // names it to Replay
	Farm    string          `json:"farm"`
	Subject string          `json:"subject"` // scheme and identifier; the entity if it has no animal
	Parked  bool            `json:"parked"`  // refused; else it waits until a roster knows the animal
	Why     string          `json:"why"`
	Since   string          `json:"since"`  // RFC 3339
	Urgent  bool            `json:"urgent"` // a medicine is among them
	Events  int             `json:"events"`
	First   events.Position `json:"first"` // log position of the first
}

// List tells where every feed stands, in the order of the config, without the
// animals.
func (d *Desk) List(ctx context.Context) ([]State, error) {
	var out []State
	for _, f := range d.feeds {
		s, err := f.look(ctx)
		if err == nil {
			err = f.countReplies(ctx, &s)
		}
		if err != nil {
			return nil, err
		}
		s.Animals, s.Refusals = nil, nil
		out = append(out, s)
	}
	return out, nil
}

// Show tells where one feed stands. It does not interrupt the feed: while that
// is busy sending, it tells what was so before.
func (d *Desk) Show(ctx context.Context, id string) (State, error) {
	f, err := d.feed(id)
	if err != nil {
		return State{}, err
	}
	s, err := f.look(ctx)
	if err != nil {
		return s, err
	}
	return s, f.tellReplies(ctx, &s)
}

func (f *feed) look(ctx context.Context) (State, error) {
	for {
		quick, cancel := context.WithTimeout(ctx, lookFor)
		err := f.take(quick, false)
		cancel()
		if err == nil {
			if err = f.load(ctx); err == nil {
				f.show()
			}
			f.give()
			if err != nil {
				return State{}, err
			}
		}
		f.mu.Lock()
		s := f.shown
		f.mu.Unlock()
		if s.Feed != "" {
			f.tellElsewhere(ctx, &s)
			return s, f.lag(ctx, &s)
		}
		if ctx.Err() != nil {
			return State{}, err
		}
	}
}

// lag counts the events between the cursor and the end of the log.
func (f *feed) lag(ctx context.Context, s *State) error {
	s.End, _ = f.d.o.Log.Last()
	if s.Position > s.End {
		return nil
	}
	for e, err := range f.d.o.Log.Read(ctx, s.Position) {
		if err != nil {
			return err
		}
		n := len(e.Events)
		if e.At == s.Position {
			n = max(0, n-s.Index)
		}
		if s.Behind += n; s.Behind >= maxLag {
			s.More = e.At < s.End
			break
		}
	}
	return ctx.Err()
}

// show puts down where the feed stands for those who look. It runs in the
// feed's turn.
func (f *feed) show() {
	if f.attic == nil {
		return
	}
	st := &f.state
	s := State{
		Feed: f.cfg.ID, Recipient: f.cfg.Recipient, To: f.cfg.Target(), State: "running", Generation: st.Generation,
		Position: st.Cursor.Position, Index: st.Cursor.Index, Batches: st.Batches, Rows: st.Rows, Deletes: st.Deletes, Late: st.Late,
		LastSent: moment(st.LastSent), LastName: st.LastName,
	}
	if f.fetched.Place.Position > 0 {
		s.Fetched, s.FetchedAt = f.fetched.Place.Position, moment(f.fetched.At)
	}
	if st.Plan != nil {
		s.Planned = st.Plan.Name
	}
	if f.failure != nil {
		s.State, s.Attempt, s.Error = "waiting", f.attempt, oneLine(f.failure.Error())
		if f.attempt == 0 {
			s.State = "stopped"
		} else {
			s.Retry = moment(f.retry)
		}
	}
	if p := st.Paused; p != nil {
		s.State = map[pauseBy]string{byPerson: "paused", byGrant: "no grant", byRefusals: "refused"}[p.By]
		s.Why, s.Since = p.Why, moment(p.Since)
	}
	for _, x := range f.history.Stretches {
		if x.Skip {
			s.Skipped++
		}
	}
	for _, o := range f.attic.list() {
		if o.Parked {
			s.Parked += len(o.Items)
		} else {
			s.Waiting += len(o.Items)
		}
		if len(s.Animals) < maxShown {
			s.Animals = append(s.Animals, Behind{
				Key: o.Key, Farm: o.Farm, Subject: o.Subject, Parked: o.Parked, Why: o.Why, Since: moment(o.Since), Urgent: o.Urgent,
				Events: len(o.Items), First: o.first().Position,
			})
		}
	}
	stood := standing{history: f.history.copy(), cursor: st.Cursor}
	if st.Plan != nil {
		stood.planned = st.Plan.To
	}
	f.mu.Lock()
	f.shown, f.stood = s, stood
	f.mu.Unlock()
}

func moment(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return events.FormatTime(t)
}
