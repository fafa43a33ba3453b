package mapping

// Language is the newest revision of the mapping language; the first is 0. What
// decides otherwise of a row than before, by the same file, raises it. A log keeps
// with each entry by which revision its rows were read, so that they can be read
// again as they were: see [Inward.Of].
//
//   - 1: a row that tells of what is not there is held; so is a last line without a
//     line end where a total line must follow. A column that is there twice is
//     refused under "columns", too. Names of columns are compared in NFC.
//   - 2: a held record says of which farm it is, if its source tells of several. If
//     the farm stands around the rows, equal rows of two farms are two held records.
//     An element of a document whose held record was settled is known again, as a
//     row is, when the mapping no longer refuses it.
const Language = 2

// Language returns the revision by which the mapping reads.
func (in *Inward) Language() int { return in.language }

// Of returns the mapping as a revision of the language reads it, at most [Language].
func (in *Inward) Of(language int) *Inward {
	if language == in.language {
		return in
	}
	other := *in
	other.language = language
	return &other
}
