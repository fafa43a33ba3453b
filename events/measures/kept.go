package measures

import (
	"sync"

	"dewclaw/events/herd"
)

// kept is what several measures make of the same Data in the same way. It is made
// when the first of them asks for it, and changed by none.
type kept struct {
	mu     sync.Mutex
	cows   map[string]*cow
	lost   map[string][]*herd.LostClaw
	spans  map[string]map[string][]span // by base and animal
	looks  map[looksKey]*looksMade
	visits *visitsMade
}

func newKept() *kept {
	return &kept{spans: map[string]map[string][]span{}, looks: map[looksKey]*looksMade{}}
}

// looksKey is what looks depend on beside the Data.
type looksKey struct {
	scale  string
	period span
}

// looksMade are the looks by animal and day, and what was left out.
type looksMade struct {
	looks []*look
	left  []LeftOut
}

// visitsMade are the visits by animal and day, and what was left out.
type visitsMade struct {
	visits []*visit
	left   []LeftOut
}

// animals returns the animals of the rosters, and the claws that are gone, by
// animal.
func (k *kept) animals(d *Data) (map[string]*cow, map[string][]*herd.LostClaw) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.cows != nil {
		return k.cows, k.lost
	}
	k.cows, k.lost = make(map[string]*cow, len(d.Animals)), map[string][]*herd.LostClaw{}
	for i := range d.Animals {
		k.cows[d.Animals[i].ID] = newCow(&d.Animals[i])
	}
	for i := range d.Claws {
		c := &d.Claws[i]
		k.lost[c.Animal] = append(k.lost[c.Animal], c)
	}
	return k.cows, k.lost
}

// inBase returns the days on which animals are in a base.
func (k *kept) inBase(base string, cows map[string]*cow) map[string][]span {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.spans[base] == nil {
		k.spans[base] = make(map[string][]span, len(cows))
		for id, c := range cows {
			k.spans[base][id] = c.in(base)
		}
	}
	return k.spans[base]
}

func (k *kept) looksOf(w *work) *looksMade {
	k.mu.Lock()
	defer k.mu.Unlock()
	key := looksKey{w.q.Scale, w.period}
	if k.looks[key] == nil {
		k.looks[key] = w.allLooks()
	}
	return k.looks[key]
}

func (k *kept) visitsOf(w *work) *visitsMade {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.visits == nil {
		k.visits = w.allVisits()
	}
	return k.visits
}
