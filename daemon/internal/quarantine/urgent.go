package quarantine

import (
	"context"
	"slices"
	"strings"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/schema/codes"
)

// urgent says what a held record may hide that cannot wait: a wrap, a block, a
// medicine, an order, a lost claw, a severely lame cow. It goes by what can be read of the record, and
// by the more careful reading; read is false if nothing can be seen, at a hub for
// as long as the original has not come.
func (q *Quarantine) urgent(ctx context.Context, k *intake.Kept) (hides string, read bool) {
	seen, err := q.d.Intake.Glimpse(ctx, k)
	if err != nil {
		return "", false
	}
	var what []string
	add := func(s string) {
		if !slices.Contains(what, s) {
			what = append(what, s)
		}
	}
	for _, p := range seen {
		switch p := p.(type) {
		case *events.Treatment:
			if t := codes.Treatments().Get(p.What); t != nil && t.Guarded {
				add(t.Name)
			}
		case *events.Check:
			if c := codes.Find("checked").Entry(p.What); c != nil {
				add(c.Name)
			}
		case *events.Order:
			add("order")
		case *events.Claw:
			add("lost claw")
		case *events.Locomotion:
			if s := p.Derived.Severe; s == "yes" || s == "undetermined" {
				add("a severely lame cow")
			}
		}
	}
	return strings.Join(what, ", "), true
}
