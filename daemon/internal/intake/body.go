package intake

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"slices"

	"dewclaw/adapters"
	"dewclaw/events"
	"dewclaw/events/index"
)

// maxFates is how many records of one original an account tells of one by one.
const maxFates = 10_000

// An account collects what became of each record of an original. A nil account
// collects nothing.
type account struct {
	fates []adapters.Fate
	more  bool
}

func (a *account) tell(at, line, last int, outcome string, h *events.Held) {
	if a == nil {
		return
	}
	if len(a.fates) >= maxFates {
		a.more = true
		return
	}
	f := adapters.Fate{Record: at, Line: line, LastLine: last, Outcome: outcome}
	if h != nil {
		f.Held, f.Reasons = h.ID, h.Reasons
	}
	a.fates = append(a.fates, f)
}

// list returns the fates in the order of the records: one that waited for the
// end of the original is settled after others behind it.
func (a *account) list() []adapters.Fate {
	slices.SortStableFunc(a.fates, func(x, y adapters.Fate) int { return x.Record - y.Record })
	return a.fates
}

// asks returns an account for whoever asks, nil if nobody does.
func asks(d *adapters.Delivery) *account {
	if d.Tell == nil {
		return nil
	}
	return &account{}
}

func tell(d *adapters.Delivery, a adapters.Account) {
	if d.Tell != nil {
		d.Tell(a)
	}
}

func digest(body []byte) string {
	h := sha256.Sum256(body)
	return hex.EncodeToString(h[:])
}

// body takes a request body: known again by its bytes, or refused for its key,
// or into the entry. done is false if it is to be added.
func (b *batch) body(ctx context.Context, m *message) (done bool, err error) {
	m.sha = digest(m.body)
	if b.hasBody(m) { // it came twice at the same time: the first one is settled first
		if err := b.commit(ctx); err != nil {
			return false, err
		}
	}
	if refused, err := b.in.refusedKey(b.src, m.d, m.sha); refused || err != nil {
		if refused {
			b.in.acknowledge(ctx, m.d, adapters.NotTaken)
		}
		return refused, err
	}
	before, known, err := b.in.Index.Original(b.src.ID, m.sha)
	if err != nil || !known || !before.Cursor.End {
		return false, err
	}
	fates, more, err := b.fates(ctx, *m)
	if err != nil {
		return false, err
	}
	tell(m.d, knownAccount(m.sha, before, fates, more))
	b.repeats++
	b.in.acknowledge(ctx, m.d, adapters.Taken)
	return true, nil
}

// hasBody reports whether the entry in the making has a body of the same bytes
// or the same key.
func (b *batch) hasBody(m *message) bool {
	return slices.ContainsFunc(b.messages, func(x message) bool {
		return x.sha == m.sha || m.d.Key != "" && x.d.Key == m.d.Key
	})
}

// refusedKey refuses a body whose key came with other bytes before (the draft
// "The Idempotency-Key HTTP Header Field" of the IETF, section 2.7: an error).
func (in *Intake) refusedKey(src *Source, d *adapters.Delivery, sha string) (bool, error) {
	if d.Key == "" {
		return false, nil
	}
	was, err := in.Index.Keyed(src.ID, d.Key)
	if err != nil || was == "" || was == sha {
		return false, err
	}
	tell(d, adapters.Account{SHA256: sha, Refused: &events.Fault{
		Kind: events.ErrInvalid, Who: "source " + src.ID, What: "idempotency key", Wanted: "the bytes it came with before (sha256 " + was[:12] + "…)",
		Got: "others (sha256 " + sha[:12] + "…)", Hints: []string{"give each body a key of its own"},
	}})
	return true, nil
}

// knownAccount tells of bytes that were read before.
func knownAccount(sha string, before index.Original, fates []adapters.Fate, more bool) adapters.Account {
	return adapters.Account{
		SHA256: sha, Known: true, Counts: again(before.Counts), Last: before.Newest, Fates: fates, More: more,
		Notices: []string{"these bytes were read before and change nothing"},
	}
}

// again are the counts of an original whose bytes were read before.
func again(c events.Counts) events.Counts {
	return events.Counts{Read: c.Read, Duplicate: c.Accepted + c.Duplicate + c.Amended, Held: c.Held, Ignored: c.Ignored}
}

// fates works out what the records of a body that was read before are now: known,
// held or ignored. It changes nothing.
func (b *batch) fates(ctx context.Context, m message) ([]adapters.Fate, bool, error) {
	r := b.reading(m)
	defer r.close()
	r.account = &account{}
	parts, err := r.mapAll(ctx)
	if err != nil {
		return nil, false, err
	}
	for i := range parts {
		p := &parts[i]
		for j := range p.block.records {
			r.at++
			if err := r.fate(ctx, &p.block, j); err != nil {
				return nil, false, err
			}
		}
		if p.spoilt != nil {
			r.at++
			h := r.spoiledHeld(p.name, p.spoilt)
			r.account.tell(r.at, 0, 0, "held", h)
		}
	}
	return r.account.list(), r.account.more, nil
}

// fate tells what the record of a block is now.
func (r *reading) fate(ctx context.Context, b *block, j int) error {
	rec := &b.records[j]
	if rec.Outcome == adapters.Ignored {
		r.account.tell(r.at, rec.Line, rec.LastLine, "ignored", nil)
		return nil
	}
	h := rec.Held
	if rec.Outcome == adapters.Mapped {
		known, err := r.ix.Lookup(r.src.ID, []events.RecordID{rec.ID}, nil)
		if err != nil {
			return err
		}
		if known[0].Known {
			r.account.tell(r.at, rec.Line, rec.LastLine, duplicate.word(), nil)
			return nil
		}
		p := passing{rec: rec}
		if len(b.rows) == len(b.records) {
			p.row = &b.rows[j]
		}
		r.rule.steps = r.rule.steps[:0]
		for i := range rec.Drafts {
			r.rule.steps = append(r.rule.steps, step{draft: i})
		}
		if h, err = r.refusal(ctx, p, r.violations(rec)); err != nil {
			return err
		}
	}
	id, err := r.heldAs(ctx, h.ID, heldRaw(h), h.Farm)
	if err != nil {
		return err
	}
	h.ID = id
	state, found, err := r.ix.Held(id)
	if err != nil {
		return err
	}
	if !found || state.State != index.StillHeld { // released or dropped since
		r.account.tell(r.at, rec.Line, rec.LastLine, duplicate.word(), nil)
		return nil
	}
	r.account.tell(r.at, rec.Line, rec.LastLine, "held", h)
	return nil
}
