package worklist

import "slices"

// A kind is a kind of reason: whom it concerns, and whether it takes a place on
// the chute.
type kind struct {
	code    string
	tier    Tier
	readers []Reader
	chute   bool
	routine bool // routine trimming: a guard stops it
	first   bool // before every other reason of its tier, whatever closes first
}

func (k *kind) concerns(r Reader) bool { return r == Everyone || slices.Contains(k.readers, r) }

var (
	trim    = []Reader{Trimmer, Manager}
	bothers = []Reader{Trimmer, Vet}
	milking = []Reader{Milkers, Trimmer}
)

// The kinds of reasons.
var (
	medicineUnknownAnimal = &kind{code: "medicine-unknown-animal", tier: Now, readers: []Reader{Milkers, Vet, Manager}, first: true}
	withdrawalUnknown     = &kind{code: "withdrawal-unknown", tier: Now, readers: []Reader{Milkers, Vet, Manager}}
	severe                = &kind{code: "severe", tier: Now, readers: []Reader{Trimmer, Vet, Manager}, chute: true}
	deepSigns             = &kind{code: "deep", tier: Now, readers: bothers, chute: true}
	withdrawalLeaving     = &kind{code: "withdrawal-leaving", tier: Now, readers: []Reader{Manager, Milkers, Vet}}
	hotSwollen            = &kind{code: "hot-swollen", tier: Now, readers: bothers, chute: true}
	wrapLate              = &kind{code: "wrap-late", tier: Now, readers: []Reader{Milkers, Trimmer, Manager}}
	wrapUnknown           = &kind{code: "wrap-unknown", tier: Now, readers: milking}
	dressing              = &kind{code: "vet-dressing", tier: Today, readers: []Reader{Vet, Milkers, Trimmer}}
	lame                  = &kind{code: "lame", tier: Today, readers: trim, chute: true}
	worse                 = &kind{code: "worse", tier: Today, readers: []Reader{Trimmer, Vet, Manager}, chute: true}
	whichFootWrap         = &kind{code: "which-foot", tier: Today, readers: []Reader{Trimmer, Milkers, Manager}}
	rocking               = &kind{code: "block-rocking", tier: Today, readers: trim, chute: true}
	severeSeen            = &kind{code: "severe-seen", tier: Today, readers: []Reader{Vet}}
	wrapDue               = &kind{code: "wrap-due", tier: Today, readers: milking}
	withdrawalOpen        = &kind{code: "withdrawal", tier: Today, readers: []Reader{Milkers}}
	leaving               = &kind{code: "lame-leaving", tier: Today, readers: []Reader{Manager, Vet}}
	notImproving          = &kind{code: "not-improving", tier: ThisVisit, readers: []Reader{Trimmer, Vet, Manager}, chute: true}
	lameAfterLook         = &kind{code: "lame-after-look", tier: ThisVisit, readers: trim, chute: true}
	whichFootBlock        = &kind{code: "which-foot", tier: ThisVisit, readers: trim, chute: true}
	deepPast              = &kind{code: "deep", tier: ThisVisit, readers: bothers, chute: true}
	hotPast               = &kind{code: "hot-swollen", tier: ThisVisit, readers: bothers, chute: true}
	blockLost             = &kind{code: "block-lost", tier: ThisVisit, readers: trim, chute: true}
	blockBad              = &kind{code: "block-bad", tier: ThisVisit, readers: trim, chute: true}
	orderGiven            = &kind{code: "order", tier: ThisVisit, readers: trim, chute: true}
	orderVet              = &kind{code: "order-vet", tier: ThisVisit, readers: []Reader{Vet, Manager}}
	orderKeep             = &kind{code: "order-keep", tier: ThisVisit, readers: []Reader{Milkers, Manager}}
	incomplete            = &kind{code: "incomplete", tier: ThisVisit, readers: []Reader{Trimmer, Vet, Manager}}
	missed                = &kind{code: "missed", tier: ThisVisit, readers: trim, chute: true}
	blockDry              = &kind{code: "block-dry", tier: ThisVisit, readers: trim, chute: true}
	dermatitisActive      = &kind{code: "dd-active", tier: ThisVisit, readers: []Reader{Vet}}
	dermatitisHorn        = &kind{code: "dd-horn", tier: ThisVisit, readers: []Reader{Vet}}
	noCause               = &kind{code: "no-cause", tier: ThisVisit, readers: []Reader{Vet, Manager}}
	dryPassed             = &kind{code: "dry-passed", tier: ThisVisit, readers: trim, chute: true, routine: true}
	preDryNow             = &kind{code: "pre-dry", tier: ThisVisit, readers: trim, chute: true, routine: true}
	preDry                = &kind{code: "pre-dry", tier: Planned, readers: trim, chute: true, routine: true}
	recheck               = &kind{code: "recheck", tier: Planned, readers: trim, chute: true}
	blockLong             = &kind{code: "block-long", tier: Planned, readers: trim, chute: true}
	blockOff              = &kind{code: "block-off", tier: Planned, readers: trim, chute: true}
	blockCheck            = &kind{code: "block-check", tier: Planned, readers: trim, chute: true}
	midLactation          = &kind{code: "mid-lactation", tier: Planned, readers: trim, chute: true, routine: true}
	wrapOn                = &kind{code: "wrap-on", tier: Planned, readers: []Reader{Milkers}}
	chronic               = &kind{code: "chronic", tier: Planned, readers: []Reader{Manager}}
	heiferCheck           = &kind{code: "heifer", tier: Routine, readers: trim, chute: true, routine: true}
	highRisk              = &kind{code: "high-risk", tier: Routine, readers: trim, chute: true, routine: true}
	neverExamined         = &kind{code: "never-examined", tier: Routine, readers: trim, chute: true, routine: true}
	overdue               = &kind{code: "overdue", tier: Routine, readers: trim, chute: true, routine: true}
)
