package herd

import (
	"context"
	"slices"
)

// FarmDevices returns all blocks and wraps that animals of a farm ever had, sorted
// by animal and day put on: those that were on at some time from a day on, or all
// with day "". What [View.OpenDevices] says of animals and doubts holds here too.
func (v *View) FarmDevices(ctx context.Context, farm, from string) (out []Device, err error) {
	err = v.results(ctx, farm, resultDevice, dayOf(from, always), func(animal string, known bool, body value) error {
		var d Device
		if err := d.unpack(body); err != nil {
			return err
		}
		d.own(animal, known)
		out = append(out, d)
		return nil
	})
	slices.SortStableFunc(out, compareDevices)
	return out, err
}
