package herd

import (
	"cmp"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// An ident is one identifier in its normalized form.
type ident struct{ scheme, value string }

// String returns scheme:value, as the subject of an event has it.
func (i ident) String() string { return i.scheme + ":" + i.value }

// Schemes of identifiers, code list schemes.
const (
	earTag      = codes.EarTag
	transponder = codes.Transponder
	herdbook    = "herdbook"
	herdNumber  = "herd-number"
	place       = "place"
	temporary   = "temporary"
)

// rank orders schemes by how much an identifier of the scheme proves: an
// official tag first.
func rank(scheme string) int {
	switch scheme {
	case earTag:
		return 0
	case transponder:
		return 1
	case herdbook:
		return 2
	case herdNumber:
		return 3
	case place:
		return 5
	case temporary:
		return 6
	}
	return 4
}

// lasting reports whether identifiers of the scheme belong to one animal for
// longer than its stay on a farm.
func lasting(scheme string) bool { return rank(scheme) <= rank(herdbook) }

// passing reports whether identifiers of the scheme mean nothing beyond one visit.
func passing(scheme string) bool { return scheme == place || scheme == temporary }

func compareIdents(a, b ident) int {
	return cmp.Or(cmp.Compare(rank(a.scheme), rank(b.scheme)), cmp.Compare(a.scheme, b.scheme), cmp.Compare(a.value, b.value))
}

// Normalized returns the identifiers of an event in their normalized form: the
// one the rules derived, or the given one where they derived none. The order is
// kept; From and To are.
func Normalized(c *events.Common) []events.Identifier {
	return normalized(c.Animal, c.Derived.Animal)
}

func normalized(given, derived []events.Identifier) []events.Identifier {
	out := slices.Clone(given)
	for _, d := range derived {
		best := -1
		for i := range out {
			if out[i].Scheme != d.Scheme {
				continue
			}
			if best < 0 || events.Compact(given[i].Value) == events.Compact(d.Value) {
				best = i
			}
		}
		if best >= 0 {
			out[best].Value = d.Value
		}
	}
	return out
}

// idents returns the identifiers sorted, each once.
func idents(ids []events.Identifier) []ident {
	out := make([]ident, 0, len(ids))
	for _, i := range ids {
		if i.Value != "" {
			out = append(out, ident{i.Scheme, i.Value})
		}
	}
	slices.SortFunc(out, compareIdents)
	return slices.Compact(out)
}

// asGiven normalizes identifiers of which nothing was derived, as somebody
// types them. What has no form stays as it is.
func asGiven(ids []events.Identifier) []ident {
	out := make([]events.Identifier, 0, len(ids))
	for _, i := range ids {
		if v, problem := codes.ParseIdentifier(i.Scheme, i.Value); problem == nil {
			i.Value = v
		}
		out = append(out, i)
	}
	return idents(out)
}

// Separators of a key; identifiers have no control characters.
const (
	schemeEnd = "\x1f"
	identEnd  = "\x1e"
	visitMark = "\x1d"
)

// namingKey returns the key of a way to name an animal. Where an identifier
// means nothing beyond one visit, the visit is part of the key, or the record if
// the source tells of no visit.
func namingKey(ids []ident, visit string) string {
	var b strings.Builder
	bound := false
	for _, i := range ids {
		b.WriteString(i.scheme + schemeEnd + i.value + identEnd)
		bound = bound || passing(i.scheme)
	}
	if bound {
		b.WriteString(visitMark + visit)
	}
	return b.String()
}

// parseNaming reads what namingKey made.
func parseNaming(key string) (ids []ident, visit string) {
	key, visit, _ = strings.Cut(key, visitMark)
	for part := range strings.SplitSeq(key, identEnd) {
		if scheme, value, ok := strings.Cut(part, schemeEnd); ok {
			ids = append(ids, ident{scheme, value})
		}
	}
	return ids, visit
}

// recordOf returns the record of an entity: its first 21 characters.
func recordOf(e string) string { return e[:min(21, len(e))] }
