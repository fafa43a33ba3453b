package events

// The actions of a [Decision], code list decisions. What a decision does to the
// entities behind it in its entry follows from its action alone: see the
// comments.
const (
	ActionReassign = "reassign-animal"    // amends: the facts belong to another animal
	ActionSwapFoot = "swap-foot"          // amends: feet were mixed up
	ActionChange   = "change-value"       // amends: one or more values were wrong; nothing if they are as their source has them now, which that confirms
	ActionWithdraw = "withdraw"           // retracts: the fact is not so, whatever its source says
	ActionSame     = "same-animal"        // nothing: the herd reads it
	ActionNotSame  = "not-same-animal"    // nothing: the herd reads it
	ActionFix      = "fix-held"           // nothing: a later release maps the fixed record
	ActionRelease  = "release-held"       // records what the held record says
	ActionDrop     = "drop-held"          // nothing: the held record stays out
	ActionConfirm  = "confirm-retraction" // retracts: the source no longer has the fact
	ActionRefuse   = "refuse-retraction"  // nothing: the fact stays though its source is silent
)
