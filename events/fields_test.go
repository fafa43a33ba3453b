package events_test

import (
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dewclaw/events"
	"dewclaw/schema"
)

// leaf members of the payloads that are no field: lists of objects, and what the
// daemon fills. A mapping reaches them by other keys (animal, feet, remarks).
var noField = map[events.Kind][]string{
	events.KindVisit:       {},
	events.KindExamination: {"feet"},
	events.KindLesion:      {},
	events.KindTreatment:   {"for"},
	events.KindDecision:    {"other", "set", "targets"},
}

var noCommonField = []string{"animal", "derived", "notes", "origin", "remarks", "words"}

// leaves lists the members of a type as fields are named.
func leaves(typ reflect.Type, prefix string) []string {
	var out []string
	for f := range typ.Fields() {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		switch {
		case f.Anonymous:
			out = append(out, leaves(f.Type, prefix)...)
		case f.Type.Kind() == reflect.Struct && f.Type != decimalType && !slices.Contains(noCommonField, name):
			out = append(out, leaves(f.Type, prefix+name+".")...)
		default:
			out = append(out, prefix+name)
		}
	}
	return out
}

func TestFields_AreTheMembersOfThePayload(t *testing.T) {
	for _, k := range events.Kinds() {
		var got []string
		for _, f := range k.Fields() {
			got = append(got, f.Name)
			if same := k.Field(f.Name); same == nil || same.Name != f.Name {
				t.Errorf("%s: field %s is not found by its name", k, f.Name)
			}
		}
		if !slices.IsSorted(got) {
			t.Errorf("%s: fields are not sorted: %v", k, got)
		}
		var want []string
		for _, l := range leaves(reflect.TypeOf(k.New()).Elem(), "") {
			top, _, _ := strings.Cut(l, ".")
			if !slices.Contains(noCommonField, top) && !slices.Contains(noField[k], top) {
				want = append(want, l)
			}
		}
		slices.Sort(want)
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: fields and members differ (-members +fields):\n%s", k, d)
		}
		if k.Field("hat") != nil {
			t.Errorf("%s has a field hat", k)
		}
	}
	if events.Kind("hat").Fields() != nil || events.Kind("hat").Field("x") != nil || events.Kind("hat").New() != nil {
		t.Error("there is a kind hat")
	}
}

// value draws a value for a field.
func value(t *rapid.T, f *events.Field) events.Value {
	switch f.Type {
	case events.DecimalField:
		return events.Value{Number: decimals().Draw(t, "number")}
	case events.IntegerField:
		return events.Value{Number: events.DecimalOf(rapid.Int64Range(1, 1<<40).Draw(t, "integer"), 0)}
	case events.TruthField:
		return events.Value{Text: "true"}
	case events.IntegersField:
		n := rapid.SliceOfN(rapid.IntRange(0, 12), 1, 4).Draw(t, "integers")
		var v events.Value
		for _, x := range n {
			v.List = append(v.List, events.DecimalOf(int64(x), 0).String())
		}
		return v
	case events.TextsField, events.CodesField, events.DaysField:
		return events.Value{List: rapid.SliceOfN(texts(), 1, 3).Draw(t, "list")}
	}
	return events.Value{Text: texts().Draw(t, "text")}
}

// TestFields_AreWhatIsWritten sets a field by name, writes the payload, decodes
// it with encoding/json, and finds the value at the path its name says.
func TestFields_AreWhatIsWritten(t *testing.T) {
	for _, k := range events.Kinds() {
		for _, f := range k.Fields() {
			if !f.Settable() {
				continue
			}
			t.Run(string(k)+"/"+f.Name, func(t *testing.T) {
				rapid.Check(t, func(t *rapid.T) {
					p, want := k.New(), value(t, &f)
					f.Set(p, want)
					if got := f.Get(p); !sameValue(got, want) {
						t.Fatalf("set %v, got %v", want, got)
					}
					if f.Name == "zones.numbers" { // zones without numbers are not stated
						k.Field("zones.map").Set(p, events.Value{Text: "m"})
					}
					if f.Name == "zones.map" {
						k.Field("zones.numbers").Set(p, events.Value{List: []string{"4"}})
					}
					data, _ := new(events.Encoder).Append(nil, p)
					read, err := events.DecodePayload(k, data)
					if err != nil {
						t.Fatal(err)
					}
					if got := f.Get(read); !sameValue(got, want) {
						t.Fatalf("wrote %s, read %v, wanted %v", data, got, want)
					}
					var m any
					if err := json.Unmarshal(data, &m); err != nil {
						t.Fatal(err)
					}
					for part := range strings.SplitSeq(f.Name, ".") {
						o, ok := m.(map[string]any)
						if m = o[part]; !ok || m == nil {
							t.Fatalf("%s has nothing at %s", data, f.Name)
						}
					}
					f.Set(p, events.Value{})
					if got := f.Get(p); !got.IsZero() {
						t.Fatalf("set to nothing, got %v", got)
					}
				})
			})
		}
	}
}

func sameValue(a, b events.Value) bool {
	return a.Text == b.Text && slices.Equal(a.List, b.List) && a.Number.Cmp(b.Number) == 0
}

func TestFields_HaveATypeAndAListThatFit(t *testing.T) {
	for _, k := range events.Kinds() {
		leads := 0
		for _, f := range k.Fields() {
			coded := f.Type == events.CodeField || f.Type == events.CodesField
			if coded != (f.List != "") {
				t.Errorf("%s.%s: type %s and list %q", k, f.Name, f.Type, f.List)
			}
			if f.Unit != "" && f.Type != events.DecimalField {
				t.Errorf("%s.%s: type %s has the unit %s", k, f.Name, f.Type, f.Unit)
			}
			if f.Lead {
				leads++
			}
		}
		if leads > 1 {
			t.Errorf("%s has %d leading fields", k, leads)
		}
	}
}

// Members of a payload type that no event of the kind ever has.
var neverThere = map[events.Kind][]string{
	events.KindVisit: {"animal", "asGiven", "examination"}, events.KindGroup: {"animal", "asGiven", "examination"},
}

// TestPayloads_AndSchemasHaveTheSameMembers compares the JSON of each payload
// type with the published schema, member by member, at every level.
func TestPayloads_AndSchemasHaveTheSameMembers(t *testing.T) {
	docs := map[string]map[string]any{}
	for _, name := range schema.Names() {
		b, err := schema.Source(name)
		if err != nil {
			t.Fatal(err)
		}
		var doc map[string]any
		if err := json.Unmarshal(b, &doc); err != nil {
			t.Fatal(err)
		}
		docs[name] = doc
	}
	for _, k := range events.Kinds() {
		compare(t, docs, string(k), string(k), docs[string(k)], reflect.TypeOf(k.New()).Elem(), neverThere[k])
	}
}

// compare compares the properties of schema s, which stands in doc, with the
// JSON members of typ.
func compare(t *testing.T, docs map[string]map[string]any, where, doc string, s map[string]any, typ reflect.Type, without []string) {
	t.Helper()
	if ref, ok := s["$ref"].(string); ok {
		file, pointer, _ := strings.Cut(ref, "#")
		if file != "" {
			doc = strings.TrimSuffix(file, ".schema.json")
		}
		s = docs[doc]
		for part := range strings.SplitSeq(strings.TrimPrefix(pointer, "/"), "/") {
			s, _ = s[part].(map[string]any)
		}
		compare(t, docs, where, doc, s, typ, without)
		return
	}
	for typ.Kind() == reflect.Slice || typ.Kind() == reflect.Pointer {
		if typ == wordsType {
			return
		}
		if typ.Kind() == reflect.Slice {
			s, _ = s["items"].(map[string]any)
			if s["$ref"] != nil {
				compare(t, docs, where, doc, s, typ.Elem(), without)
				return
			}
		}
		typ = typ.Elem()
	}
	if typ.Kind() != reflect.Struct || typ == decimalType {
		if s["properties"] != nil {
			t.Errorf("%s is an object in the schema and a %s in the payload", where, typ)
		}
		return
	}
	props, _ := s["properties"].(map[string]any)
	members := map[string]reflect.Type{}
	var gather func(typ reflect.Type)
	gather = func(typ reflect.Type) {
		for f := range typ.Fields() {
			if f.Anonymous {
				gather(f.Type)
				continue
			}
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			members[name] = f.Type
		}
	}
	gather(typ)
	for _, name := range without {
		delete(members, name)
	}
	for name, ft := range members {
		p, ok := props[name].(map[string]any)
		if !ok {
			t.Errorf("%s.%s is in the payload and not in the schema", where, name)
			continue
		}
		compare(t, docs, where+"."+name, doc, p, ft, nil)
	}
	for name := range props {
		if members[name] == nil {
			t.Errorf("%s.%s is in the schema and not in the payload", where, name)
		}
	}
	if s["additionalProperties"] != false {
		t.Errorf("%s allows members the payload does not have", where)
	}
}
