package delivery

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"dewclaw/daemon/internal/config"
	"dewclaw/events"
)

// The outcomes of a reply.
const (
	Confirmed = "confirmed" // the recipient has taken the event in
	Refused   = "refused"   // it could not be taken in, and the recipient says why
)

// A Reply is what a recipient says about one event it got.
type Reply struct {
	ID        string `json:"id"`                  // CloudEvents id of the event
	Outcome   string `json:"outcome"`             // Confirmed or Refused
	Reason    string `json:"reason,omitempty"`    // why it is refused
	Reference string `json:"reference,omitempty"` // what the recipient calls it
}

// A Noted tells what became of a reply.
type Noted struct {
	ID     string `json:"id"`
	Result string `json:"result"`        // noted, invalid or unknown (this feed has sent no event under this id)
	Why    string `json:"why,omitempty"` // unless noted
}

// Bounds of what is kept of a reply, in bytes.
const (
	maxReason    = 500
	maxReference = 100
)

// answers are the replies about the events of one entry of the log: the value of a
// key "<feed>.reply.<position>".
type answers struct {
	V       int            `json:"v"`
	Replies map[int]answer `json:"replies"`         // by the index of the event
	Moved   map[int]answer `json:"moved,omitempty"` // to the delete of the event, when it got another animal
}

// of returns the answers of one sort, which may be written to.
func (a *answers) of(moved bool) map[int]answer {
	list := &a.Replies
	if moved {
		list = &a.Moved
	}
	if *list == nil {
		*list = map[int]answer{}
	}
	return *list
}

// A letter is what a recipient replies to: an event, or its delete when it got
// another animal.
type letter struct {
	events.Place
	moved bool
}

// An answer is the newest reply about one event.
type answer struct {
	Outcome   string    `json:"outcome"`
	Reason    string    `json:"reason,omitempty"`
	Reference string    `json:"reference,omitempty"`
	At        time.Time `json:"at"`
}

// replies are what is known of the answers of a recipient. They have a lock of
// their own: a recipient may reply while it is being sent to.
type replies struct {
	mu        sync.Mutex
	loaded    bool
	confirmed int
	refused   map[letter]answer
}

// A standing is where a feed stood when its round ended: what tells whether an
// event was sent, without waiting for the feed's turn.
type standing struct {
	history *history
	cursor  events.Place
	planned events.Place // an event before it may be with the recipient
}

// Reply notes what the recipient of a feed says about events it got. The newest
// reply about an event counts. When it returns, what is noted is safely stored; a
// reply that says what is known changes nothing. Errors: of kind not found if there
// is no such feed, of kind unavailable if it cannot be stored now: reply again.
func (d *Desk) Reply(ctx context.Context, id string, list []Reply) ([]Noted, error) {
	f, err := d.feed(id)
	if err != nil {
		return nil, err
	}
	s, err := f.standing(ctx)
	if err != nil {
		return nil, err
	}
	l := lookup{log: d.o.Log, finder: d.o.Finder}
	out := make([]Noted, len(list))
	found := map[events.Position]map[letter]answer{}
	for i, r := range list {
		p, noted, err := f.replied(ctx, &l, s, r)
		if err != nil {
			return nil, err
		}
		if out[i] = noted; noted.Result != "noted" {
			continue
		}
		if found[p.Position] == nil {
			found[p.Position] = map[letter]answer{}
		}
		found[p.Position][p] = answer{r.Outcome, cutText(r.Reason, maxReason), cutText(r.Reference, maxReference), d.o.Now()}
	}
	return out, f.noteReplies(ctx, found)
}

func cutText(s string, n int) string {
	s = oneLine(strings.ToValidUTF8(s, "?"))
	if len(s) > n {
		s = strings.ToValidUTF8(s[:n], "") + "…"
	}
	return s
}

// standing returns where the feed stands, as of its last round.
func (f *feed) standing(ctx context.Context) (standing, error) {
	if _, err := f.look(ctx); err != nil { // loads it, if it never ran
		return standing{}, err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.stood, nil
}

// unknownReply is said of an event that is not there, of one of another farm, and of
// one that went out under a pseudonym: a recipient learns only of what it got.
const unknownReply = "this feed has sent no event under this id; wanted the id as it was sent, of an event that is not under a pseudonym"

// replied finds the event a reply is about.
func (f *feed) replied(ctx context.Context, l *lookup, s standing, r Reply) (letter, Noted, error) {
	no := func(result, why string) (letter, Noted, error) {
		return letter{}, Noted{ID: cutText(r.ID, maxReference), Result: result, Why: why}, nil
	}
	entity, revision, err := events.ParseEventID(r.ID)
	switch {
	case err != nil || revision == 0:
		return no("invalid", "id: wanted the id of a CloudEvent")
	case r.Outcome != Confirmed && r.Outcome != Refused:
		return no("invalid", fmt.Sprintf("outcome: wanted %s or %s", Confirmed, Refused))
	case r.Outcome == Refused && strings.TrimSpace(r.Reason) == "":
		return no("invalid", "reason: wanted why it is refused")
	}
	e, err := f.revision(ctx, l, entity, revision)
	if err != nil {
		return letter{}, Noted{}, err
	}
	if e == nil {
		return no("unknown", unknownReply)
	}
	moved := events.IsMovedID(r.ID)
	fields, carried, err := f.carriedAs(ctx, l, s, e)
	if carried && moved {
		carried, err = f.moved(ctx, l, s, e)
	}
	if err != nil {
		return letter{}, Noted{}, err
	}
	if !carried || fields == config.Pseudonyms {
		return no("unknown", unknownReply)
	}
	return letter{e.Place, moved}, Noted{ID: r.ID, Result: "noted"}, nil
}

// moved reports whether a later revision that the recipient was sent has another
// animal than e.
func (f *feed) moved(ctx context.Context, l *lookup, s standing, e *fact) (bool, error) {
	x, err := l.newest(ctx, e.Entity)
	for err == nil && x != nil && x.Revision > e.Revision {
		var ok bool
		if ok, err = another(e, x); ok && err == nil {
			ok, err = f.carried(ctx, l, s, x)
		}
		if ok || err != nil || x.Before == nil {
			return ok, err
		}
		x, err = l.event(ctx, *x.Before)
	}
	return false, err
}

// revision finds one revision of an entity; nil if there is none.
func (f *feed) revision(ctx context.Context, l *lookup, entity events.Entity, n int) (*fact, error) {
	e, err := l.newest(ctx, entity)
	for err == nil && e != nil && e.Revision > n {
		if e.Before == nil {
			return nil, nil
		}
		e, err = l.event(ctx, *e.Before)
	}
	if err != nil || e == nil || e.Revision != n {
		return nil, err
	}
	return e, nil
}

// newest returns the newest revision of an entity that the finder knows, or nil.
func (l *lookup) newest(ctx context.Context, entity events.Entity) (*fact, error) {
	record, _, err := entity.Split()
	if err != nil || l.finder == nil {
		return nil, nil
	}
	list, err := l.finder.Find(ctx, record)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(list, func(x Found) bool { return x.Entity == entity })
	if i < 0 {
		return nil, nil
	}
	return l.event(ctx, list[i].Place)
}

// carried reports whether the recipient was sent the event, or is being sent it.
func (f *feed) carried(ctx context.Context, l *lookup, s standing, e *fact) (bool, error) {
	_, ok, err := f.carriedAs(ctx, l, s, e)
	return ok, err
}

// carriedAs tells, too, how much of the animal the recipient was sent.
func (f *feed) carriedAs(ctx context.Context, l *lookup, s standing, e *fact) (config.Fields, bool, error) {
	if s.history == nil || !e.Place.Before(s.cursor) && !e.Place.Before(s.planned) {
		return "", false, nil
	}
	at := s.history.at(e.Place)
	if at == nil || at.Rule == nil || at.Skip {
		return "", false, nil
	}
	if fields, match, err := at.Rule.match(e, f.layout.writer); match || err != nil {
		return fields, match, err
	}
	r := renderer{view: view{rule: at.Rule, history: s.history, layout: f.layout}, lookup: *l}
	had, err := r.held(ctx, e.Before)
	if had == nil || err != nil {
		return "", false, err
	}
	return at.Rule.widest(had.Farm, had.Kind), true, nil
}

func (f *feed) replyKey(p events.Position) string {
	return f.store.key("reply", fmt.Sprintf("%012d", p))
}

// noteReplies stores answers, entry by entry.
func (f *feed) noteReplies(ctx context.Context, found map[events.Position]map[letter]answer) error {
	if err := f.mine(ctx); err != nil {
		return err
	}
	f.replies.mu.Lock()
	defer f.replies.mu.Unlock()
	if err := f.loadReplies(ctx); err != nil {
		return err
	}
	for p, list := range found {
		a := answers{V: stateVersion}
		if _, err := f.store.load(ctx, f.replyKey(p), &a); err != nil {
			return err
		}
		old := map[letter]answer{}
		for i, x := range list {
			was, known := a.of(i.moved)[i.Index]
			if known && was.Outcome == x.Outcome && was.Reason == x.Reason && was.Reference == x.Reference {
				continue
			}
			old[i] = was
			a.of(i.moved)[i.Index] = x
		}
		if len(old) == 0 {
			continue
		}
		if err := f.store.save(ctx, f.replyKey(p), &a); err != nil {
			return err
		}
		for i, was := range old {
			f.replies.count(i, was, list[i])
		}
	}
	return nil
}

// count brings the sums up to a new answer.
func (r *replies) count(p letter, was, is answer) {
	if was.Outcome == Confirmed {
		r.confirmed--
	}
	delete(r.refused, p)
	switch is.Outcome {
	case Confirmed:
		r.confirmed++
	case Refused:
		r.refused[p] = is
	}
}

// loadReplies reads the answers when they are needed for the first time.
func (f *feed) loadReplies(ctx context.Context) error {
	r := &f.replies
	if r.loaded {
		return nil
	}
	keys, err := f.store.own(ctx, "reply")
	if err != nil {
		return err
	}
	r.confirmed, r.refused = 0, map[letter]answer{}
	prefix := f.store.key("reply") + "."
	for _, k := range keys {
		p, err := strconv.ParseUint(strings.TrimPrefix(k, prefix), 10, 64)
		if err != nil {
			return fmt.Errorf("read state of feed %s: key %s: %w", f.cfg.ID, k, events.ErrCorrupt)
		}
		var a answers
		if _, err := f.store.load(ctx, k, &a); err != nil {
			return err
		}
		for _, moved := range []bool{false, true} {
			for i, x := range a.of(moved) {
				r.count(letter{events.Place{Position: events.Position(p), Index: i}, moved}, answer{}, x)
			}
		}
	}
	r.loaded = true
	return nil
}

// answer returns the newest reply about an event, or its delete.
func (f *feed) answer(ctx context.Context, p letter) (answer, bool, error) {
	var a answers
	if _, err := f.store.load(ctx, f.replyKey(p.Position), &a); err != nil {
		return answer{}, false, err
	}
	x, ok := a.of(p.moved)[p.Index]
	return x, ok, nil
}

// A Refusal is an event that the recipient got and refused.
type Refusal struct {
	ID        string `json:"id"`
	Kind      string `json:"kind"`
	Subject   string `json:"subject"`
	Reason    string `json:"reason"`
	Reference string `json:"reference,omitempty"`
	At        string `json:"at"`              // RFC 3339
	Newer     string `json:"newer,omitempty"` // id of the newest revision, if the event was corrected since
	State     string `json:"state"`           // open; else what became of the newest revision: waits, sent, confirmed or refused
}

// countReplies puts down how many events the recipient confirmed and refused.
func (f *feed) countReplies(ctx context.Context, s *State) error {
	f.replies.mu.Lock()
	defer f.replies.mu.Unlock()
	err := f.loadReplies(ctx)
	s.Confirmed, s.Refused = f.replies.confirmed, len(f.replies.refused)
	return err
}

// tellReplies puts down what the recipient said of what it got.
func (f *feed) tellReplies(ctx context.Context, s *State) error {
	if err := f.countReplies(ctx, s); err != nil || s.Refused == 0 {
		return err
	}
	st, err := f.standing(ctx)
	if err != nil {
		return err
	}
	f.replies.mu.Lock()
	defer f.replies.mu.Unlock()
	places := make([]letter, 0, len(f.replies.refused))
	for p := range f.replies.refused {
		places = append(places, p)
	}
	slices.SortFunc(places, func(a, b letter) int {
		if c := comparePlaces(a.Place, b.Place); c != 0 || b.moved {
			return cmp.Or(c, -1)
		}
		return 1
	})
	l := lookup{log: f.d.o.Log, finder: f.d.o.Finder}
	for _, p := range places[max(0, len(places)-maxShown):] {
		x, err := f.refusal(ctx, &l, st, p, f.replies.refused[p])
		if err != nil {
			return err
		}
		s.Refusals = append(s.Refusals, x)
	}
	return nil
}

func (f *feed) refusal(ctx context.Context, l *lookup, st standing, p letter, a answer) (Refusal, error) {
	e, err := l.event(ctx, p.Place)
	if err != nil {
		return Refusal{}, err
	}
	e.Moved = p.moved
	x := Refusal{ID: e.ID(), Kind: string(e.Kind), Subject: e.Subject, Reason: a.Reason, Reference: a.Reference, At: moment(a.At), State: "open"}
	newest, err := l.newest(ctx, e.Entity)
	if err != nil || newest == nil || newest.Revision <= e.Revision {
		return x, err
	}
	x.Newer = newest.ID()
	carried, err := f.carried(ctx, l, st, newest)
	if err != nil {
		return x, err
	}
	if x.State = "waits"; carried {
		x.State = "sent"
		b, ok, err := f.answer(ctx, letter{newest.Place, false})
		if err != nil {
			return x, err
		}
		if ok {
			x.State = b.Outcome
		}
	}
	return x, nil
}
