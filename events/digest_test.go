package events_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"math/big"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"

	"dewclaw/events"
)

// uncounted are the members that do not count as content (design, identity:
// origin, notes, derived, raw words, pseudonyms).
var uncounted = []string{"derived", "notes", "observer", "operators", "origin", "who", "words"}

// independentDigest works the digest out from the JSON of a payload alone: the
// uncounted members taken away, every number made a string in shortest form, the
// rest in the canonical form of RFC 8785 by a library, SHA-256 over it.
func independentDigest(t *rapid.T, data []byte) string {
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	var m map[string]any
	if err := d.Decode(&m); err != nil {
		t.Fatalf("%s: %v", data, err)
	}
	for _, name := range uncounted {
		delete(m, name)
	}
	plain, err := json.Marshal(numbersAsText(m))
	if err != nil {
		t.Fatal(err)
	}
	canonical, err := jcs.Transform(plain)
	if err != nil {
		t.Fatalf("%s: %v", plain, err)
	}
	sum := sha256.Sum256(canonical)
	return hex.EncodeToString(sum[:16])
}

func numbersAsText(v any) any {
	switch v := v.(type) {
	case map[string]any:
		for name := range v {
			v[name] = numbersAsText(v[name])
		}
	case []any:
		for i := range v {
			v[i] = numbersAsText(v[i])
		}
	case json.Number:
		r, _ := new(big.Rat).SetString(string(v))
		s := r.FloatString(19)
		return strings.TrimSuffix(strings.TrimRight(s, "0"), ".")
	}
	return v
}

func TestDigest_AgreesWithRFC8785(t *testing.T) {
	everyKind(t, func(t *rapid.T, p events.Payload) {
		data, got := new(events.Encoder).Append(nil, p)
		if want := independentDigest(t, data); got.String() != want {
			t.Fatalf("digest %v, wanted %s, of %s", got, want, data)
		}
		if stored := events.StoredDigest(data); stored != got {
			t.Fatalf("digest of the stored form %v, wanted %v", stored, got)
		}
		if alone := new(events.Encoder).Digest(p); alone != got {
			t.Fatalf("digest alone %v, wanted %v", alone, got)
		}
	})
}

func TestDigest_DoesNotSeeWhatDoesNotCount(t *testing.T) {
	everyKind(t, func(t *rapid.T, p events.Payload) {
		var x events.Encoder
		want := x.Digest(p)
		other := payload(t, p.Kind()).Base()
		c := p.Base()
		c.Derived, c.Notes, c.Origin, c.Words = other.Derived, other.Notes, other.Origin, other.Words
		switch p := p.(type) {
		case *events.Visit:
			p.Operators = append(p.Operators, "p-9")
		case *events.Locomotion:
			p.Observer += "p-9"
		case *events.Decision:
			p.Who += "p-9"
		}
		if got := x.Digest(p); got != want {
			t.Fatalf("digest %v became %v", want, got)
		}
	})
}

// counted lists the fields of a payload that count, as index paths, and what the
// fields that do not count are called.
func countedFields(typ reflect.Type) [][]int {
	var paths [][]int
	var walk func(typ reflect.Type, path []int)
	walk = func(typ reflect.Type, path []int) {
		for i := range typ.NumField() {
			f := typ.Field(i)
			at := append(path[:len(path):len(path)], i)
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			switch {
			case f.Anonymous:
				walk(f.Type, at)
			case !slices.Contains(uncounted, name):
				paths = append(paths, at)
			}
		}
	}
	walk(typ, nil)
	return paths
}

func TestDigest_SeesEverythingElse(t *testing.T) {
	everyKind(t, func(t *rapid.T, p events.Payload) {
		var x events.Encoder
		before := x.Digest(p)
		v := reflect.ValueOf(p).Elem()
		paths := countedFields(v.Type())
		path := paths[rapid.IntRange(0, len(paths)-1).Draw(t, "field")]
		old := v.FieldByIndex(path).Interface()
		f := v.FieldByIndex(path)
		f.SetZero()
		fill(t, f, "other")
		if cmp.Equal(old, f.Interface(), equal) {
			return
		}
		if f.Type() == zonesType && reflect.ValueOf(old).Interface().(events.Zones).IsZero() && f.Interface().(events.Zones).IsZero() {
			return
		}
		if after := x.Digest(p); after == before {
			t.Fatalf("field %s: %+v became %+v and the digest stayed", v.Type().FieldByIndex(path).Name, old, f.Interface())
		}
	})
}

func TestEncoder_WritesWhatReadsBack(t *testing.T) {
	everyKind(t, func(t *rapid.T, p events.Payload) {
		var x events.Encoder
		data, digest := x.Append([]byte("before"), p)
		data, ok := bytes.CutPrefix(data, []byte("before"))
		if !ok || !json.Valid(data) {
			t.Fatalf("wrote %s", data)
		}
		got, err := events.DecodePayload(p.Kind(), data)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(p, got, equal); d != "" {
			t.Fatalf("read back (-written +read):\n%s", d)
		}
		again, same := x.Append(nil, got)
		if !bytes.Equal(again, data) || same != digest {
			t.Fatalf("written again as\n%s, it was\n%s", again, data)
		}
		holdSorted(t, data)
	})
}

// holdSorted holds that the members that count stand first, in the order of RFC
// 8785, and the others behind them in the order of the package comment.
func holdSorted(t *rapid.T, data []byte) {
	order := []string{"derived", "notes", "observer", "operators", "who", "origin", "words"}
	var counted, others []string
	for i := 1; ; {
		name, _, next := events.Member(data, i)
		if next <= 0 {
			break
		}
		if slices.Contains(order, string(name)) {
			others = append(others, string(name))
		} else if counted = append(counted, string(name)); others != nil {
			t.Fatalf("%s stands behind %v", name, others)
		}
		i = next
	}
	rank := func(a, b string) int { return slices.Index(order, a) - slices.Index(order, b) }
	if !slices.IsSorted(counted) || !slices.IsSortedFunc(others, rank) {
		t.Fatalf("members stand in the order %v %v", counted, others)
	}
}

func TestDigest_OfKnownPayloads(t *testing.T) {
	// Digests must never change: equal content would be a new revision. The
	// canonical text of each is written out by hand, its SHA-256 is of crypto/sha256.
	tests := []struct {
		p    events.Payload
		text string
	}{
		{&events.Lesion{}, `{}`},
		{
			&events.Lesion{
				Common: events.Common{Animal: []events.Identifier{{Scheme: "ear-tag", Value: "DE 09 412 00731"}}, Words: events.Words{{Field: "code", Text: "SG"}}},
				Code:   "SU", Foot: "RH", SizeMM: events.DecimalOf(1550, 2), Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4, 12}},
			},
			`{"animal":[{"scheme":"ear-tag","value":"DE 09 412 00731"}],"code":"SU","foot":"RH","sizeMM":"15.5","zones":{"map":"claw-zones-13","numbers":["4","12"]}}`,
		},
		{
			&events.Animal{Common: events.Common{Remarks: []events.Remark{{Text: "a\u2028\"ß\x01"}}}, Calvings: []string{"2025-11-28"}},
			`{"calvings":["2025-11-28"],"remarks":[{"text":"a` + "\u2028" + `\"ß\u0001"}]}`,
		},
	}
	for _, tt := range tests {
		sum := sha256.Sum256([]byte(tt.text))
		if got, want := new(events.Encoder).Digest(tt.p).String(), hex.EncodeToString(sum[:16]); got != want {
			t.Errorf("digest of %s: %s, wanted %s", tt.text, got, want)
		}
	}
}

func BenchmarkEncoder(b *testing.B) {
	l := &events.Lesion{
		Common: events.Common{
			Animal:   []events.Identifier{{Scheme: "transponder", Value: "276000941200731"}},
			Occurred: events.Occurred{Date: "2026-03-04", Offset: "+01:00", Precision: "second", Time: "08:12:01", Zone: "Europe/Berlin"},
			Origin:   events.Origin{Line: 4}, Words: events.Words{{Field: "foot", Text: "HR"}},
		},
		Claw: "outer", Code: "SU", Foot: "RH", Severity: events.Severity{Scale: "grade-3", Value: "2"}, Zones: events.Zones{Map: "claw-zones-13", Numbers: []int{4}},
	}
	var x events.Encoder
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		buf, _ = x.Append(buf[:0], l)
	}
	b.SetBytes(int64(len(buf)))
}
