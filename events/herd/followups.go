package herd

import (
	"context"
	"slices"

	"dewclaw/events"
)

// Orders returns the orders of a farm that are in force at the end of a day,
// sorted by animal, day and time. Those about animals that no roster knows, and
// those in doubt, are among them.
func (v *View) Orders(ctx context.Context, farm, day string) (out []Order, err error) {
	today := dayOf(day, never-1)
	err = v.results(ctx, farm, resultOrder, today+1, func(animal string, known bool, body value) error {
		var o Order
		if err := unpack(body, &o); err != nil {
			return err
		}
		if o.Animal, o.Known = animal, known; dayOf(o.Day, always) <= today {
			out = append(out, o)
		}
		return nil
	})
	slices.SortStableFunc(out, compareOrders)
	return out, err
}

// OrdersOf returns all orders about an animal there ever were, as they came.
func (v *View) OrdersOf(ctx context.Context, animal string) (out []Order, err error) {
	err = v.ofAnimal(ctx, animal, resultOrder, func(known bool, body value) error {
		var o Order
		if err := unpack(body, &o); err != nil {
			return err
		}
		o.Animal, o.Known = animal, known
		out = append(out, o)
		return nil
	})
	return out, err
}

// FarmOrders returns all orders about animals of a farm there ever were, sorted by
// animal, day and time. What [View.Orders] says of animals and doubts holds here
// too.
func (v *View) FarmOrders(ctx context.Context, farm string) (out []Order, err error) {
	err = v.results(ctx, farm, resultOrder, always, func(animal string, known bool, body value) error {
		var o Order
		if err := unpack(body, &o); err != nil {
			return err
		}
		o.Animal, o.Known = animal, known
		out = append(out, o)
		return nil
	})
	slices.SortStableFunc(out, compareOrders)
	return out, err
}

// LostClaws returns the claws of a farm's animals that are, or were, absent or
// without horn, sorted by animal, foot, claw, state and first day.
func (v *View) LostClaws(ctx context.Context, farm string) (out []LostClaw, err error) {
	err = v.results(ctx, farm, resultClaw, always, func(animal string, known bool, body value) error {
		var c LostClaw
		if err := unpack(body, &c); err != nil {
			return err
		}
		c.Animal, c.Known = animal, known
		out = append(out, c)
		return nil
	})
	slices.SortStableFunc(out, compareLostClaws)
	return out, err
}

// A Group is something that was done to the feet of many animals at once.
type Group struct {
	Fact
	What          string // code list group-works
	Pens          []string
	Product       string // as entered
	Concentration string // as entered
	Passed        *int   // animals that went through; nil if nobody counted
}

// Groups returns what was done to groups of a farm from a day to another, both
// included, sorted by day, time, source and entity. Which animals were in a pen
// on a day their rosters say (see [Animal.Pen]); that each of them went through
// nobody says.
func (v *View) Groups(ctx context.Context, farm, from, to string) ([]Group, error) {
	facts, err := v.Facts(ctx, FactQuery{Farm: farm, Kinds: []events.Kind{events.KindGroup}, From: from, To: to})
	if err != nil {
		return nil, err
	}
	var out []Group
	for _, f := range facts {
		g := f.Payload.(*events.Group)
		out = append(out, Group{f, g.What, g.Pens, g.Product, g.Concentration, g.Passed})
	}
	return out, nil
}
