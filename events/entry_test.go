package events_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dewclaw/events"
)

// entry draws an entry with any of its members, with n events of any kind.
func entry(t *rapid.T) *events.Entry {
	e := new(events.Entry)
	v := reflect.ValueOf(e).Elem()
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if f.Tag.Get("json") == "-" || rapid.Bool().Draw(t, f.Name+"?") {
			continue
		}
		fillEntry(t, v.Field(i), f.Name)
	}
	if e.Archive != "" {
		e.Archive = strings.Repeat("0a", 32) // a hash: it needs no escapes
	}
	e.V, e.At, e.Time = 1, events.Position(rapid.Uint64Range(1, 1<<60).Draw(t, "at")), "2026-04-01T00:00:00.005Z"
	for range rapid.IntRange(0, 3).Draw(t, "events") {
		e.Events = append(e.Events, stored(t))
	}
	for range rapid.IntRange(0, 2).Draw(t, "held") {
		var h events.Held
		fillEntry(t, reflect.ValueOf(&h).Elem(), "held")
		e.Held = append(e.Held, h)
	}
	return e
}

func fillEntry(t *rapid.T, v reflect.Value, label string) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fillEntry(t, v.Field(i), label+"."+v.Type().Field(i).Name)
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fillEntry(t, v.Elem(), label)
	case reflect.Uint64:
		v.SetUint(rapid.Uint64().Draw(t, label))
	case reflect.Uint8:
		v.SetUint(uint64(rapid.Byte().Draw(t, label)))
	default:
		if v.Kind() == reflect.Slice {
			n := rapid.IntRange(1, 2).Draw(t, label)
			v.Set(reflect.MakeSlice(v.Type(), n, n))
			for i := range n {
				fillEntry(t, v.Index(i), label)
			}
			return
		}
		fill(t, v, label)
	}
}

// stored draws the stored form of an event.
func stored(t *rapid.T) []byte {
	k := rapid.SampledFrom(events.Kinds()).Draw(t, "kind")
	data, _ := new(events.Encoder).Append(nil, payload(t, k))
	open := events.AppendOpen(nil, events.Envelope{
		Kind: k, Entity: "0g00000000000000000000000000v", Subject: texts().Draw(t, "subject"), Farm: rapid.SampledFrom([]string{"", "f\"2"}).Draw(t, "farm"),
		Visit: rapid.SampledFrom([]string{"", "v"}).Draw(t, "visit"), Scope: rapid.SampledFrom([]string{"", "Liste Ä"}).Draw(t, "scope"),
	}, data)
	r := events.Revision{Number: rapid.IntRange(1, 3).Draw(t, "revision"), Change: rapid.SampledFrom([]events.Change{events.Recorded, events.Amended, events.Retracted}).Draw(t, "change")}
	if r.Number > 1 {
		r.Before = &events.Place{Position: events.Position(rapid.Uint64Range(0, 9).Draw(t, "before")), Index: rapid.IntRange(0, 511).Draw(t, "index")}
	}
	return events.AppendRevision(nil, open, r)
}

func TestEntry_ReadsBackAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := entry(t)
		b, err := e.Append([]byte("x"))
		if err != nil {
			t.Fatal(err)
		}
		b = b[1:]
		if !json.Valid(b) {
			t.Fatalf("wrote %s", b)
		}
		got, err := events.ParseEntry(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(e, got); d != "" {
			t.Fatalf("read back (-written +read):\n%s", d)
		}
		again, err := got.Append(nil)
		if err != nil || !bytes.Equal(again, b) || events.EntryHash(again) != events.EntryHash(b) {
			t.Fatalf("written again as\n%s, %v, it was\n%s", again, err, b)
		}
		holdEvents(t, got)
	})
}

// holdEvents compares the sliced events of an entry with encoding/json.
func holdEvents(t *rapid.T, e *events.Entry) {
	n := 0
	for ev, err := range e.All() {
		if err != nil {
			t.Fatal(err)
		}
		var want struct {
			Kind     events.Kind
			Entity   events.Entity
			Subject  string
			Farm     *string
			Visit    string
			Scope    *string
			Change   events.Change
			Revision int
			Before   *events.Place
			Data     map[string]any
		}
		if err := json.Unmarshal(e.Events[n], &want); err != nil {
			t.Fatal(err)
		}
		if want.Farm == nil {
			want.Farm = &e.Defaults.Farm
		}
		if want.Scope == nil {
			want.Scope = &e.Defaults.Scope
		}
		if want.Change == "" {
			want.Change = events.Recorded
		}
		if want.Revision == 0 {
			want.Revision = 1
		}
		if want.Before != nil && want.Before.Position == 0 {
			want.Before.Position = e.At
		}
		if ev.Kind != want.Kind || ev.Entity != want.Entity || ev.Subject != want.Subject || ev.Farm != *want.Farm || ev.Visit != want.Visit ||
			ev.Scope != *want.Scope || ev.Change != want.Change || ev.Revision != want.Revision || !cmp.Equal(ev.Before, want.Before) ||
			ev.Place != (events.Place{Position: e.At, Index: n}) || ev.Source != e.Source || events.FormatTime(ev.Recorded) != e.Time {
			t.Fatalf("event %d is %+v, wanted %+v", n, ev, want)
		}
		var data map[string]any
		if err := json.Unmarshal(ev.Data, &data); err != nil {
			t.Fatal(err)
		}
		origin, has := want.Data["origin"].(map[string]any)
		if has && len(want.Data) > 1 && e.Archive != "" && origin["archive"] == nil {
			origin["archive"] = e.Archive
		}
		if d := cmp.Diff(want.Data, data); d != "" {
			t.Fatalf("data of event %d (-stored +read):\n%s", n, d)
		}
		n++
	}
	if n != len(e.Events) {
		t.Fatalf("saw %d of %d events", n, len(e.Events))
	}
}

func TestEntry_RefusesWhatIsNotWhole(t *testing.T) {
	e := &events.Entry{V: 1, Log: "l", At: 3, Prev: events.NoEntry, Time: "2026-04-01T00:00:00Z", Cause: events.CauseChunk, Events: [][]byte{[]byte(`{"kind":"lesion","entity":"e","data":{"code":"SU"}}`)}}
	whole, err := e.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	for end := range whole {
		got, err := events.ParseEntry(whole[:end])
		if err == nil && end < len(whole)-1 {
			t.Errorf("ParseEntry(%s) = %+v, wanted an error", whole[:end], got)
		}
		if err != nil && !errors.Is(err, events.ErrCorrupt) {
			t.Errorf("ParseEntry(%s): %v, wanted an error of kind corrupt", whole[:end], err)
		}
	}
	newer := bytes.Replace(whole, []byte(`"v":1`), []byte(`"v":2`), 1)
	_, err = events.ParseEntry(newer)
	if !errors.Is(err, events.ErrInvalid) || errors.Is(err, events.ErrCorrupt) || len(events.Hints(err)) != 1 || !strings.Contains(err.Error(), "log position 3: entry version: wanted at most 1, got 2") {
		t.Errorf("a newer entry: %v", err)
	}
	for _, bad := range []string{`{"kind":7}`, `{"revision":"x"}`, `[]`, `{"before":[]}`, `{"entity":"\x"}`} {
		e.Events[0] = []byte(bad)
		if _, err := e.Event(0); !errors.Is(err, events.ErrCorrupt) {
			t.Errorf("event %s: %v, wanted an error of kind corrupt", bad, err)
		}
	}
	e.Events[0], e.Time = []byte(`{"kind":"lesion"}`), "yesterday"
	if _, err := e.Event(0); !errors.Is(err, events.ErrCorrupt) || !strings.Contains(err.Error(), "event 0 of log position 3") {
		t.Errorf("an entry without a time: %v", err)
	}
}

// A text that looks like the origin of an event is a text.
func TestEntry_PutsTheArchiveIntoTheOriginAlone(t *testing.T) {
	const trap = `x,"origin":{"line":1}`
	l := &events.Lesion{
		Common: events.Common{
			Animal: []events.Identifier{{Scheme: "place", Value: trap}}, Remarks: []events.Remark{{Text: trap + `\`}},
			Notes: []events.Note{{Code: "c", Detail: trap}}, Origin: events.Origin{Line: 4}, Words: events.Words{{Field: "origin", Text: "{"}, {Field: trap, Text: trap}},
		},
		Code: "SU",
	}
	data, digest := new(events.Encoder).Append(nil, l)
	open := events.AppendOpen(nil, events.Envelope{Kind: events.KindLesion, Entity: "e"}, data)
	e := &events.Entry{V: 1, Time: "2026-04-01T00:00:00Z", Archive: "ab12", Events: [][]byte{events.AppendRevision(nil, open, events.Revision{Number: 1, Change: events.Recorded})}}
	ev, err := e.Event(0)
	if err != nil {
		t.Fatal(err)
	}
	p, err := ev.Payload()
	if err != nil {
		t.Fatal(err)
	}
	want := *l
	want.Origin.Archive = "ab12"
	if d := cmp.Diff(&want, p, equal); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if got := events.StoredDigest(ev.Data); got != digest {
		t.Errorf("the digest became %v, it was %v", got, digest)
	}
	own := bytes.Replace(data, []byte(`"origin":{`), []byte(`"origin":{"archive":"cd34",`), 1)
	e.Events[0] = append(events.AppendOpen(nil, events.Envelope{Kind: events.KindLesion, Entity: "e"}, own), '}')
	if ev, err = e.Event(0); err != nil || bytes.Contains(ev.Data, []byte("ab12")) {
		t.Errorf("an archive of its own was replaced: %s, %v", ev.Data, err)
	}
	if !bytes.Contains(e.Events[0], []byte("cd34")) || bytes.Contains(e.Events[0], []byte("ab12")) {
		t.Errorf("the stored form was changed: %s", e.Events[0])
	}
}

func FuzzParseEntry(f *testing.F) {
	for _, s := range []string{
		`{"v":1,"log":"l","at":1,"prev":"","time":"2026-04-01T00:00:00Z","cause":"chunk","events":[{"kind":"lesion","entity":"e","data":{"origin":{"line":1}}}],"held":[{"id":"h","reasons":[]}]}`,
		`{"events":[`, `{"events":"\`, `{"held":{}}`, `{`, `{}`, `{"v":9}`, `{"events":[1,2],"events":[3]}`, `{"a":{"b":"]}"},"events":[{"data":null}]}`,
	} {
		f.Add([]byte(s), 1)
	}
	f.Fuzz(func(t *testing.T, b []byte, at int) {
		_, _, _ = events.Member(b, at)
		_, _ = events.Element(b, at)
		_ = events.StoredDigest(b)
		e, err := events.ParseEntry(b)
		if err != nil {
			if e != nil || !errors.Is(err, events.ErrCorrupt) && !errors.Is(err, events.ErrInvalid) {
				t.Fatalf("ParseEntry(%q) = %v, %v", b, e, err)
			}
			return
		}
		for i := range e.Events {
			ev, err := e.Event(i)
			if err == nil {
				_ = ev.AppendCloudEvent(nil)
				_, _ = ev.Payload()
			}
		}
	})
}

func TestCounts(t *testing.T) {
	c := events.Counts{Read: 7, Accepted: 6, Ignored: 1}
	if !c.Balanced() || c.String() != "read 7 = accepted 6 + duplicate 0 + amended 0 + held 0 + ignored 1" {
		t.Errorf("%v, balanced %v", c, c.Balanced())
	}
	rapid.Check(t, func(t *rapid.T) {
		n := func(s string) int { return rapid.IntRange(0, 1000).Draw(t, s) }
		mk := func() events.Counts {
			c := events.Counts{Accepted: n("accepted"), Duplicate: n("duplicate"), Amended: n("amended"), Held: n("held"), Ignored: n("ignored"), Retracted: n("retracted")}
			c.Read = c.Accepted + c.Duplicate + c.Amended + c.Held + c.Ignored
			return c
		}
		a, b := mk(), mk()
		sum := a.Add(b)
		if !a.Balanced() || !sum.Balanced() || sum.Read != a.Read+b.Read || sum.Retracted != a.Retracted+b.Retracted || sum != b.Add(a) {
			t.Fatalf("%v and %v make %v", a, b, sum)
		}
		v := reflect.ValueOf(&a).Elem().Field(rapid.IntRange(0, 5).Draw(t, "field"))
		v.SetInt(v.Int() + 1)
		if a.Balanced() {
			t.Fatalf("%v balances", a)
		}
	})
	if s := (events.Counts{Read: 1, Amended: 1, Retracted: 2}).String(); !strings.HasSuffix(s, "; 2 events retracted") {
		t.Error(s)
	}
	if s := (events.Reason{Field: "foot", Column: "Fuß", Wanted: "one of LF", Got: `"RX"`}).String(); s != `Fuß (foot): wanted one of LF, got "RX"` {
		t.Error(s)
	}
	if s := (events.Reason{Field: "row", Column: "row", Wanted: "3 cells", Got: "2"}).String(); s != "row: wanted 3 cells, got 2" {
		t.Error(s)
	}
}

func TestPlace_Before(t *testing.T) {
	a, b, c := events.Place{Position: 1, Index: 9}, events.Place{Position: 2, Index: 0}, events.Place{Position: 2, Index: 1}
	if !a.Before(b) || !b.Before(c) || c.Before(b) || b.Before(a) || a.Before(a) {
		t.Error("places are not in the order of the log")
	}
}

func TestFormatTime(t *testing.T) {
	at := time.Date(2026, 3, 4, 8, 12, 1, 120_999_999, time.FixedZone("", 3600))
	for in, want := range map[time.Time]string{at: "2026-03-04T07:12:01.12Z", at.Truncate(time.Second): "2026-03-04T07:12:01Z"} {
		if got := events.FormatTime(in); got != want {
			t.Errorf("FormatTime(%v) = %s, wanted %s", in, got, want)
		}
	}
}
