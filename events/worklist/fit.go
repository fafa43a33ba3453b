package worklist

import "fmt"

// fit gives places on the chute in the order of the list. The first two tiers
// are never left out, however many they are; who finds no place stays on the
// list, and it is said whose window closes before the next visit.
func (l *List) fit(slots int, c clock) {
	k := &Capacity{Slots: slots}
	given := 0
	for i := range l.Rows {
		r := &l.Rows[i]
		if !r.Chute {
			continue
		}
		k.Wanted++
		must := r.Tier == Now || r.Tier == Today
		if given < slots || must {
			given++
			r.Slot = given
			if given > slots {
				k.Over++
			}
			continue
		}
		r.Beyond = true
		k.Beyond++
		if x := r.missed(l, c); x != nil {
			r.Misses = x.Closes
			k.Misses = append(k.Misses, fmt.Sprintf("%s: %s", r.Cow, x.Text))
		}
	}
	l.Capacity = k
}

// missed returns the reason for the chute whose window closes first, if that is
// before the next visit.
func (r *Row) missed(l *List, c clock) *Reason {
	var first *Reason
	for i := range r.Reasons {
		x := &r.Reasons[i]
		if x.of.chute && x.Tier != NotNow && x.Closes != "" && (first == nil || c.closing(x.Closes).Before(c.closing(first.Closes))) {
			first = x
		}
	}
	if first != nil && c.localDay(first.Closes) < l.NextVisit {
		return first
	}
	return nil
}
