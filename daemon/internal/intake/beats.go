package intake

// The beats of the way in, as [Deps.Beat] names them when they begin. A crash in
// any of them repeats work and loses nothing.
const (
	BeatDecide      = "decide"      // not of a record: what follows from a decision of a person is worked out
	BeatArchive     = "archive"     // the bytes go into the archive
	BeatMap         = "map"         // a block of rows is mapped
	BeatKnown       = "known"       // its records are looked up
	BeatCheck       = "check"       // what is new is checked and collected
	BeatAppend      = "append"      // an entry is appended
	BeatIndex       = "index"       // the index takes it in
	BeatAcknowledge = "acknowledge" // the source is told, or whoever decided
)

// Beats lists the beats of a record on its way in, in their order.
func Beats() []string {
	return []string{BeatArchive, BeatMap, BeatKnown, BeatCheck, BeatAppend, BeatIndex, BeatAcknowledge}
}
