package events_test

import (
	"encoding/json"
	"testing"

	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"

	"dewclaw/events"
)

// The oracle is a library for RFC 8785.
func TestAppendJSONString_AgreesWithRFC8785(t *testing.T) {
	hold := func(t interface{ Fatalf(string, ...any) }, s string) {
		plain, err := json.Marshal([]string{s})
		if err != nil {
			t.Fatalf("%v", err)
		}
		want, err := jcs.Transform(plain)
		if err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		if got := "[" + string(events.AppendJSONString(nil, s)) + "]"; got != string(want) {
			t.Fatalf("%q is written %s, wanted %s", s, got, want)
		}
	}
	for c := rune(0); c < 0x300; c++ {
		hold(t, "a"+string(c)+"b")
	}
	rapid.Check(t, func(t *rapid.T) { hold(t, rapid.String().Draw(t, "s")) })
	if got := string(events.AppendJSONString([]byte("x"), "a\xffb\xe9")); got != "x\"a\ufffdb\ufffd\"" {
		t.Errorf("bytes that are no UTF-8 are written %q", got)
	}
}

func TestWords_KeepTheirOrder(t *testing.T) {
	w := events.Words{{Field: "foot", Text: "HR"}, {Field: "claw", Text: "außen \"x\""}}
	b, err := json.Marshal(w)
	if err != nil || string(b) != `{"foot":"HR","claw":"außen \"x\""}` {
		t.Fatalf("%s, %v", b, err)
	}
	var got events.Words
	if err := json.Unmarshal([]byte(` {"foot" : "HR", "claw":"außen \"x\""} `), &got); err != nil || len(got) != 2 || got[1] != w[1] {
		t.Errorf("%v, %v", got, err)
	}
	if got.Get("claw") != w[1].Text || got.Get("hat") != "" {
		t.Errorf("Get: %q, %q", got.Get("claw"), got.Get("hat"))
	}
	if err := json.Unmarshal([]byte(`null`), &got); err != nil || got != nil {
		t.Errorf("null is %v, %v", got, err)
	}
	for _, bad := range []string{`[]`, `{"a":1}`, `"x"`, `{"a":{}}`} {
		if err := json.Unmarshal([]byte(bad), &got); err == nil {
			t.Errorf("%s was read as %v", bad, got)
		}
	}
}
