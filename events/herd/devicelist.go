package herd

import (
	"cmp"
	"context"
	"slices"
)

// FarmDevices returns all blocks and wraps that animals of a farm ever had, sorted
// by animal and day put on: those that were on at some time from a day on, or all
// with day "". What [View.OpenDevices] says of animals and doubts holds here too.
func (v *View) FarmDevices(ctx context.Context, farm, from string) ([]Device, error) {
	var all pile[Device]
	err := v.results(ctx, farm, resultDevice, dayOf(from, always), func(animal string, known bool, body value) error {
		d := all.add()
		err := unpack(body, d)
		d.own(animal, known)
		return err
	})
	return sorted(all.list(), compareDevices), err
}

// sorted returns a list in order, equal ones as they stand. Elements are many words
// long: so their places are sorted, and each is moved once.
func sorted[T any](list []T, compare func(a, b T) int) []T {
	if slices.IsSortedFunc(list, compare) {
		return list
	}
	places := make([]int, len(list))
	for i := range places {
		places[i] = i
	}
	slices.SortFunc(places, func(a, b int) int { return cmp.Or(compare(list[a], list[b]), cmp.Compare(a, b)) })
	out := make([]T, len(list))
	for i, p := range places {
		out[i] = list[p]
	}
	return out
}
