package herd

import (
	"encoding/json"
	"errors"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"dewclaw/events"
)

// fill sets every field of the struct v points to, texts with quotes and other
// things that are escaped, lists with one to two elements.
func fill(t *rapid.T, v reflect.Value) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(rapid.StringMatching(`[a-z"\\ {}\[\]äß0-9-]{0,9}`).Draw(t, "text"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "truth"))
	case reflect.Int:
		v.SetInt(rapid.Int64Range(0, 12).Draw(t, "number"))
	case reflect.Slice:
		n := rapid.IntRange(0, 2).Draw(t, "length")
		if n == 0 {
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			fill(t, v.Index(i))
		}
	case reflect.Struct:
		if d, ok := v.Addr().Interface().(*events.Decimal); ok {
			*d = events.DecimalOf(rapid.Int64Range(-99, 99).Draw(t, "decimal"), 1)
			return
		}
		for i := range v.NumField() {
			fill(t, v.Field(i))
		}
	case reflect.Pointer:
		if rapid.Bool().Draw(t, "there") {
			v.Set(reflect.New(v.Type().Elem()))
			fill(t, v.Elem())
		}
	default:
		t.Fatalf("a field of type %s is not filled", v.Type())
	}
}

// encoding/json is the outside here.
func TestUnpack_AgreesWithJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var a, gotAnimal Animal
		fill(t, reflect.ValueOf(&a).Elem())
		check(t, a, &gotAnimal, gotAnimal.unpack)
		var x, gotStanding Standing
		fill(t, reflect.ValueOf(&x).Elem())
		x.Animal = Animal{} // a row of its own
		for i := range x.Withdrawals {
			x.Withdrawals[i].Animal, x.Withdrawals[i].Known = "", false
		}
		for i := range x.Cases {
			x.Cases[i].Animal, x.Cases[i].Known = "", false
		}
		for i := range x.Devices {
			x.Devices[i].Animal, x.Devices[i].Known = "", false
			if o := x.Devices[i].Order; o != nil {
				o.Animal, o.Known = "", false
			}
		}
		for i := range x.Orders {
			x.Orders[i].Animal, x.Orders[i].Known = "", false
		}
		for i := range x.Claws {
			x.Claws[i].Animal, x.Claws[i].Known = "", false
		}
		if err := unpack(packed(&x), &gotStanding); err != nil || !reflect.DeepEqual(gotStanding, x) {
			t.Fatalf("%v:\ngot  %+v\nwant %+v", err, gotStanding, x)
		}
		var k, gotContradiction Contradiction
		fill(t, reflect.ValueOf(&k).Elem())
		if rapid.Bool().Draw(t, "all left out") {
			k.LeftOut = k.Events
		}
		if err := unpack(packed(&k), &gotContradiction); err != nil || !reflect.DeepEqual(gotContradiction, k) {
			t.Fatalf("%v:\ngot  %+v\nwant %+v", err, gotContradiction, k)
		}
		whole := packed(&x)
		cut := whole[:rapid.IntRange(0, len(whole)-1).Draw(t, "cut")]
		if err := unpack(cut, new(Standing)); !errors.Is(err, errDamaged) {
			t.Fatalf("cut to %d of %d bytes: got %v, want damage", len(cut), len(whole), err)
		}
	})
}

func check[T any](t *rapid.T, want T, got *T, unpack func(value) error) {
	b, err := json.Marshal(want)
	if err != nil {
		t.Fatal(err)
	}
	if err := unpack(string(b)); err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(*got, want) {
		t.Fatalf("%s:\ngot  %+v\nwant %+v", b, *got, want)
	}
}
