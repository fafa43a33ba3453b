package events_test

import (
	"reflect"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dewclaw/events"
)

// texts are what a generated text is drawn from: odd characters of JSON, of
// Unicode and of our own format.
func texts() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.SampledFrom([]string{
			"x", `"`, `\`, `,"origin":{`, "\u2028", "\u0000\u001f\u007f", "é", "😀", "ﬀ", "a\nb\tc", "</script>&", "0", "null", "{", "}", `\u0041`, "\ufffd", "ß",
		}),
		rapid.StringN(1, 12, -1),
	)
}

func decimals() *rapid.Generator[events.Decimal] {
	return rapid.Custom(func(t *rapid.T) events.Decimal {
		return events.DecimalOf(rapid.Int64().Draw(t, "n"), rapid.IntRange(0, 19).Draw(t, "places"))
	})
}

// payload draws a payload of kind k with any of its members. Texts that the
// format leaves out when empty are never drawn empty inside lists, so that a
// payload reads back as it was written.
func payload(t *rapid.T, k events.Kind) events.Payload {
	p := k.New()
	fill(t, reflect.ValueOf(p).Elem(), string(k))
	return p
}

// equal compares payloads; nothing is not zero.
var equal = cmp.Comparer(func(a, b events.Decimal) bool { return a.Cmp(b) == 0 && a.IsSet() == b.IsSet() })

var (
	decimalType = reflect.TypeFor[events.Decimal]()
	wordsType   = reflect.TypeFor[events.Words]()
	zonesType   = reflect.TypeFor[events.Zones]()
)

func fill(t *rapid.T, v reflect.Value, label string) {
	if v.Type() == decimalType {
		if rapid.Bool().Draw(t, label) {
			v.Set(reflect.ValueOf(decimals().Draw(t, label)))
		}
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Type().Field(i)
			if f.Anonymous || rapid.IntRange(0, 2).Draw(t, label+"."+f.Name+"?") > 0 || required(f) {
				fill(t, v.Field(i), label+"."+f.Name)
			}
		}
		if v.Type() == zonesType && v.FieldByName("Numbers").Len() == 0 {
			v.SetZero() // no zone is stated: see Zones.IsZero
		}
	case reflect.String:
		v.SetString(texts().Draw(t, label))
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int:
		v.SetInt(int64(rapid.IntRange(1, 1<<40).Draw(t, label)))
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		v.Elem().SetInt(int64(rapid.IntRange(0, 400).Draw(t, label)))
	case reflect.Slice:
		n := rapid.IntRange(1, 3).Draw(t, label)
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			fill(t, v.Index(i), label)
		}
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		for range rapid.IntRange(1, 3).Draw(t, label) {
			key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
			fill(t, key, label)
			fill(t, value, label)
			v.SetMapIndex(key, value)
		}
	default:
		t.Fatalf("%s: no rule to draw a %s", label, v.Type())
	}
}

// required reports whether JSON always has the field.
func required(f reflect.StructField) bool {
	tag := f.Tag.Get("json")
	return f.Anonymous || tag == "" || !strings.Contains(tag, "omit")
}

// everyKind runs a property for payloads of each kind.
func everyKind(t *testing.T, property func(t *rapid.T, p events.Payload)) {
	for _, k := range events.Kinds() {
		t.Run(string(k), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) { property(t, payload(t, k)) })
		})
	}
}
