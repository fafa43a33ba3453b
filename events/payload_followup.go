package events

// Check is somebody looking at a block, a wrap or a wound that is there.
type Check struct {
	Common
	Claw  string `json:"claw,omitempty"`
	Foot  string `json:"foot,omitempty"`
	Since string `json:"since,omitempty"` // if it is gone: since when, a day
	State string `json:"state,omitempty"` // code list check-states
	What  string `json:"what,omitempty"`  // code list checked: block, wrap or wound
}

// Kind returns [KindCheck].
func (*Check) Kind() Kind { return KindCheck }

func (c *Check) slotParts(b []string) []string { return append(b, c.Foot, c.Claw, c.What) }

func (c *Check) appendCounted(e *encoder) {
	c.appendHead(e)
	e.text("claw", c.Claw)
	e.text("examination", string(c.Examination))
	e.text("foot", c.Foot)
	c.appendOccurred(e)
	c.appendRemarks(e)
	e.text("role", c.Role)
	e.text("since", c.Since)
	e.text("state", c.State)
	e.text("what", c.What)
}

// Claw says that a claw is absent, or that it lost its horn capsule. It is a
// statement about a claw for all time from a day on, not about the day on which
// somebody wrote it down.
type Claw struct {
	Common
	Cause string `json:"cause,omitempty"` // code list claw-causes
	Claw  string `json:"claw,omitempty"`
	Foot  string `json:"foot,omitempty"`
	Since string `json:"since,omitempty"` // first day it was so; "" if nobody said, and then it was so when this occurred
	State string `json:"state,omitempty"` // code list claw-states: absent or capsule-lost
	Until string `json:"until,omitempty"` // capsule lost: day from which it has a horn capsule again
}

// Kind returns [KindClaw].
func (*Claw) Kind() Kind { return KindClaw }

func (c *Claw) slotParts(b []string) []string { return append(b, c.Foot, c.Claw) }

func (c *Claw) appendCounted(e *encoder) {
	c.appendHead(e)
	e.text("cause", c.Cause)
	e.text("claw", c.Claw)
	e.text("examination", string(c.Examination))
	e.text("foot", c.Foot)
	c.appendOccurred(e)
	c.appendRemarks(e)
	e.text("role", c.Role)
	e.text("since", c.Since)
	e.text("state", c.State)
	e.text("until", c.Until)
}

// Order is what somebody said must happen, or must not. Who said it is a role:
// it need not be who wrote it down.
type Order struct {
	Common
	Cancels   []string `json:"cancels,omitempty"` // code list order-cancels: which defaults or orders no longer hold
	Claw      string   `json:"claw,omitempty"`
	Detail    string   `json:"detail,omitempty"` // in words
	Due       string   `json:"due,omitempty"`    // when it must happen: a day or RFC 3339
	Foot      string   `json:"foot,omitempty"`
	OrderedBy string   `json:"orderedBy,omitempty"` // code list roles; "" is the role of who wrote it down
	Until     string   `json:"until,omitempty"`     // until when it holds: a day, which counts, or RFC 3339
	What      string   `json:"what,omitempty"`      // code list orders
}

// Kind returns [KindOrder].
func (*Order) Kind() Kind { return KindOrder }

func (o *Order) slotParts(b []string) []string { return append(b, o.Foot, o.Claw, o.What) }

func (o *Order) appendCounted(e *encoder) {
	o.appendHead(e)
	e.texts("cancels", o.Cancels)
	e.text("claw", o.Claw)
	e.text("detail", o.Detail)
	e.text("due", o.Due)
	e.text("examination", string(o.Examination))
	e.text("foot", o.Foot)
	o.appendOccurred(e)
	e.text("orderedBy", o.OrderedBy)
	o.appendRemarks(e)
	e.text("role", o.Role)
	e.text("until", o.Until)
	e.text("what", o.What)
}

// Group is something that was done to many animals at once: a footbath of a pen.
// Product and concentration are kept as entered; none is ever supplied.
type Group struct {
	Common
	Concentration string   `json:"concentration,omitempty"` // as entered
	Passed        *int     `json:"passed,omitempty"`        // animals that went through
	Pens          []string `json:"pens,omitempty"`
	Product       string   `json:"product,omitempty"` // as entered
	What          string   `json:"what,omitempty"`    // code list group-works
}

// Kind returns [KindGroup].
func (*Group) Kind() Kind { return KindGroup }

func (g *Group) slotParts(b []string) []string { return append(append(b, g.What), g.Pens...) }

func (g *Group) appendCounted(e *encoder) {
	g.appendHead(e)
	e.text("concentration", g.Concentration)
	e.text("examination", string(g.Examination))
	g.appendOccurred(e)
	e.count("passed", g.Passed)
	e.texts("pens", g.Pens)
	e.text("product", g.Product)
	g.appendRemarks(e)
	e.text("role", g.Role)
	e.text("what", g.What)
}
