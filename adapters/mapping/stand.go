package mapping

// ByRow reports whether every row stands for itself: it is one record, and what
// another row comes to does not depend on it. Such rows need not be mapped again
// when they are known already.
func (in *Inward) ByRow() bool {
	return in.record.group == nil && in.total == nil && in.complete == nil && in.gone == nil && len(in.documents) == 0 && in.layout.Format != "json" && in.layout.Format != "ade"
}

// RowIsRecord reports whether every row is one record, though what it comes to may
// depend on others.
func (in *Inward) RowIsRecord() bool {
	return in.ByRow() || in.language > 1 && in.record.group == nil && in.complete == nil && in.gone == nil && len(in.documents) == 0
}

// AsOf returns as of when the original speaks, as far as that was read: RFC 3339
// in UTC, or "". Titles and constants are read by Start, a document by the
// mapping of its first row. It may be called while mappers work.
func (r *Run) AsOf() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.asOfAt
}
