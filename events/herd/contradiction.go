package herd

import "dewclaw/events"

// Kinds of contradictions.
const (
	KindAfterLeaving     = "after-leaving"     // seen after she left, and not in a later stay
	KindBeforeEntry      = "before-entry"      // seen before she came
	KindBeforeBirth      = "before-birth"      // seen before she was born
	KindSharedIdentifier = "shared-identifier" // two live animals have one identifier
	KindTwoAnimals       = "two-animals"       // the identifiers of one event are those of different animals
	KindClawGone         = "claw-gone"         // a claw is told to be absent, and later told of
	KindMirroredFoot     = "mirrored-foot"     // two sources have one lesion on left and on right
	KindNearDuplicate    = "near-duplicate"    // one source tells one thing twice, under another time, day or identifier
	KindChangedAfter     = "changed-after"     // the source changed a fact that a person had corrected
)

// A Contradiction is facts that cannot all be true of one animal. It is shown,
// and what it concerns is left out of figures, until a person decides. It goes
// by itself when the facts no longer contradict each other.
type Contradiction struct {
	Kind    string
	Farm    string
	Animals []string        // sorted; at least one
	Events  []events.Entity // the facts it is about, sorted; of roster statements where no fact is concerned
	LeftOut []events.Entity // those of them that no figure may use, sorted
	Day     string          // the first day it concerns; "" if none can be told
	Words   string          // one sentence for people
}
