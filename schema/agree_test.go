package schema

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v5"

	"dewclaw/events"
)

var long = flag.Bool("long", false, "run the long form: ten million mutants")

// oracle decodes data with encoding/json and asks the schema library, with
// nothing of ours between them but the guard for what panics it.
func oracle(k events.Kind, data []byte) (valid bool) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.UseNumber()
	var v any
	if d.Decode(&v) != nil {
		return false
	}
	if _, err := d.Token(); err != io.EOF {
		return false
	}
	defer func() {
		if recover() != nil {
			valid = false
		}
	}()
	return library(string(k)).Validate(v) == nil
}

// guarded are the keywords of violations that are ours, not the library's.
var guarded = []string{"duplicate", "number", "utf-8", "depth", "json"}

// holdAgreement holds that the fast check, the whole check and the library agree
// on data. It reports whether data is valid, and whether the fast check was sure.
func holdAgreement(t *testing.T, k events.Kind, data []byte) (valid, sure bool) {
	t.Helper()
	valid = oracle(k, data)
	sure = surely(program().kinds[k], data)
	if sure && !valid {
		t.Fatalf("the fast check accepts a %s the library refuses: %s\n%v", k, data, explain(string(k), data))
	}
	got := Check(k, data)
	if !valid && got == nil {
		t.Fatalf("Check accepts a %s the library refuses: %s", k, data)
	}
	if valid && got != nil && !slices.ContainsFunc(got, func(v Violation) bool { return slices.Contains(guarded, v.Keyword) }) {
		t.Fatalf("Check refuses a %s the library accepts: %s\n%v", k, data, got)
	}
	if !slices.IsSortedFunc(got, func(a, b Violation) int { return comparePaths(a.Path, b.Path) }) {
		t.Fatalf("violations are not sorted: %v", got)
	}
	return valid && got == nil, sure
}

// TestCheck_AgreesWithTheLibraryOnMutants changes real events a little, so that
// many of them stay valid, and compares. Its long form runs ten million
// (go test ./schema -run Mutants -long -timeout 24h).
func TestCheck_AgreesWithTheLibraryOnMutants(t *testing.T) {
	count := 6_000
	if *long {
		count = 10_000_000
	}
	seed, workers := rand.Uint64(), runtime.GOMAXPROCS(0)
	t.Logf("seed %d", seed)
	all := samples()
	var accepted, fallbacks, refused atomic.Int64
	t.Run("mutants", func(t *testing.T) {
		for w := range workers {
			t.Run(fmt.Sprint(w), func(t *testing.T) {
				t.Parallel()
				r := rand.New(rand.NewPCG(seed, uint64(w)))
				for i := w; i < count; i += workers {
					s := all[r.IntN(len(all))]
					data := s.data
					for range 1 + r.IntN(5)/3 {
						data = mutate(r, data)
					}
					valid, sure := holdAgreement(t, s.kind, data)
					switch {
					case !valid:
						refused.Add(1)
					case sure:
						accepted.Add(1)
					default:
						fallbacks.Add(1)
					}
					if *long && i%1_000_000 == 0 {
						t.Logf("%d: accepted %d, fallbacks %d, refused %d", i, accepted.Load(), fallbacks.Load(), refused.Load())
					}
				}
			})
		}
	})
	judgeMutants(t, int64(count), accepted.Load(), fallbacks.Load(), refused.Load())
}

// judgeMutants wants mutants of every sort.
func judgeMutants(t *testing.T, count, accepted, fallbacks, refused int64) {
	t.Helper()
	t.Logf("accepted on the fast path %d, by the library %d, refused %d", accepted, fallbacks, refused)
	if accepted < count/8 || refused < count/5 {
		t.Errorf("mutants are one-sided: accepted %d, refused %d of %d", accepted, refused, count)
	}
	// What the fast check leaves to the library among the valid: escapes where a
	// code stands, numbers written as 1.0 or 1e0.
	if fallbacks*4 > accepted {
		t.Errorf("the fast check is unsure of %d valid mutants and sure of %d", fallbacks, accepted)
	}
}

// FuzzCheck_Agrees is the same for the fuzzer's own mutants and a seed for ours.
func FuzzCheck_Agrees(f *testing.F) {
	all := samples()
	if len(all) < 15 {
		f.Fatalf("%d seeds", len(all))
	}
	for i, s := range all {
		f.Add(uint8(slices.Index(events.Kinds(), s.kind)), s.data, uint64(i))
	}
	f.Fuzz(func(t *testing.T, kind uint8, data []byte, seed uint64) {
		k := events.Kinds()[int(kind)%len(events.Kinds())]
		holdAgreement(t, k, data)
		if json.Valid(data) {
			holdAgreement(t, k, mutate(rand.New(rand.NewPCG(seed, 1)), data))
		}
	})
}

// values are what a mutant puts in place of a value: every text of the schemas
// that means something, and odd ones.
var values = sync.OnceValue(func() []string {
	all := []string{
		`""`, `"x"`, `"M4.1"`, `0`, `1`, `2.5`, `-1`, `3`, `82.55`, `1.0`, `-0`, `1e2`, `99999999999999999999`, `true`, `false`, `null`, `[]`, `{}`,
		`"2026-02-29"`, `"2024-02-29"`, `"2026-03-04T08:12:00+01:00"`, `"2026-03-04T08:12:60Z"`, `"2026-03-04t08:12:00z"`, `"08:12"`, `"08:12:13.5"`,
		`"+01:00"`, `"+15:00"`, `"0g00000000000000000000000000v"`, `["LF"]`, `[4,4]`, `[12]`, `"\u0053U"`, `"caf\u00e9"`, `"a\nb"`, `{"a":{"a":1}}`,
		`{"foot":"LF","examined":"yes"}`, `{"scheme":"ear-tag","value":"1"}`, `"` + strings.Repeat("0", 64) + `"`, `7777777.777`, `0.5`,
	}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case map[string]any:
			for word, x := range v {
				if word == "enum" || word == "const" {
					list, ok := x.([]any)
					if !ok {
						list = []any{x}
					}
					for _, e := range list {
						b, _ := json.Marshal(e)
						all = append(all, string(b))
					}
				}
				walk(x)
			}
		case []any:
			for _, x := range v {
				walk(x)
			}
		}
	}
	for _, k := range events.Kinds() {
		walk(documents()[string(k)])
	}
	walk(documents()["common"])
	slices.Sort(all)
	return slices.Compact(all)
})

// names are member names of the schemas.
var names = sync.OnceValue(func() []string {
	var all []string
	for _, k := range events.Kinds() {
		for name := range documents()[string(k)].(map[string]any)["properties"].(map[string]any) {
			all = append(all, name)
		}
	}
	all = append(all, "hat", "scheme", "value", "numbers", "map", "precision", "detail")
	slices.Sort(all)
	return slices.Compact(all)
})

// mutate changes one thing of a JSON text.
func mutate(r *rand.Rand, data []byte) []byte {
	var t tape
	if t.read(data) != nil || len(t.tokens) < 2 {
		return slices.Concat(data, []byte(" "))
	}
	i := int32(1 + r.IntN(len(t.tokens)-1))
	k := t.tokens[i]
	from, to := int(k.start), int(k.end)
	if k.kind == kindString || k.kind == kindName {
		from, to = from-1, to+1
	}
	put := func(text string) []byte { return slices.Concat(data[:from], []byte(text), data[to:]) }
	value := values()[r.IntN(len(values()))]
	switch op := r.IntN(12); {
	case op == 0 && r.IntN(2) == 0:
		at := r.IntN(len(data))
		return slices.Concat(data[:at], []byte{byte(r.IntN(256))}, data[at+1:])
	case op < 3: // a space between
		return slices.Concat(data[:from], []byte([]string{" ", "\n\t", "  "}[r.IntN(3)]), data[from:])
	case k.kind == kindName && op < 6: // take a member away
		end := int(t.tokens[i+1].end)
		if t.tokens[i+1].kind == kindString {
			end++
		}
		if end < len(data) && data[end] == ',' {
			end++
		} else if from > 0 && data[from-1] == ',' {
			from--
		}
		return slices.Concat(data[:from], data[end:])
	case k.kind == kindName && op < 9: // put one in, perhaps one that stands already
		return slices.Concat(data[:from], []byte(`"`+names()[r.IntN(len(names()))]+`":`+value+`,`), data[from:])
	case k.kind == kindName:
		return put(`"` + names()[r.IntN(len(names()))] + `"`)
	case k.kind == kindString && op < 5: // the same text with an escape
		for j := int(k.start); j < int(k.end) && data[j] < 0x80 && data[j] != '\\'; j++ {
			if r.IntN(3) == 0 {
				return slices.Concat(data[:j], fmt.Appendf(nil, `\u%04x`, data[j]), data[j+1:])
			}
		}
		return put(value)
	case k.kind == kindString && op < 8: // another text, free
		return put(`"` + strings.Repeat("ä", r.IntN(3)) + `é"`)
	case k.kind == kindNumber && op < 6:
		return put(string(t.bytes(i)) + []string{"0", ".0", ".5", "e0", "00000000000000000000"}[r.IntN(5)])
	case (k.kind == kindArray || k.kind == kindObject) && op < 5:
		return put(map[byte]string{kindArray: "[]", kindObject: "{}"}[k.kind])
	case k.kind == kindArray && op < 9 && k.end-k.start > 2: // an element twice
		first := t.tokens[i+1]
		a, b := int(first.start), int(first.end)
		if first.kind == kindString {
			a, b = a-1, b+1
		}
		return slices.Concat(data[:a], data[a:b], []byte(","), data[a:])
	}
	return put(value)
}

// TestCheck_SeesEachKeywordAlone breaks one keyword at a time in an otherwise
// valid payload: neither form of the check may miss it.
func TestCheck_SeesEachKeywordAlone(t *testing.T) {
	const head = `{"animal":[{"scheme":"ear-tag","value":"1"}],"occurred":{"date":"2026-03-04","precision":"date"},`
	tests := []struct {
		keyword string
		kind    events.Kind
		data    string
	}{
		{"type", "lesion", head + `"code":"SU","site":7}`},
		{"enum", "lesion", head + `"code":"QQ"}`},
		{"const", "lesion", head + `"code":"SU","ddAssociated":false}`},
		{"required", "lesion", head + `"foot":"RH"}`},
		{"additionalProperties", "lesion", head + `"code":"SU","hat":"x"}`},
		{"minProperties", "lesion", head + `"code":"SU","derived":{}}`},
		{"minItems", "lesion", head + `"code":"SU","signs":[]}`},
		{"maxItems", "locomotion", head + `"scale":"mob4-uk","score":3,"derived":{"gait":[1,2,3]}}`},
		{"uniqueItems", "examination", head + `"outcome":"clear","reasons":["lame","lame"]}`},
		{"maxContains", "examination", head + `"outcome":"clear","feet":[{"examined":"yes","foot":"RH"},{"examined":"no","foot":"RH"}]}`},
		{"minLength", "lesion", head + `"code":"SU","site":""}`},
		{"pattern", "lesion", head + `"code":"SU","examination":"x"}`},
		{"format", "animal", `{"animal":[{"scheme":"ear-tag","value":"1"}],"born":"2026-02-29"}`},
		{"anyOf", "treatment", head + `"what":"wrap","plannedOff":"soon"}`},
		{"minimum", "examination", head + `"outcome":"clear","pass":1}`},
		{"maximum", "claw-measure", head + `"what":"toe-length","unit":"mm","value":180.01}`},
		{"exclusiveMinimum", "lesion", head + `"code":"SU","sizeMM":0}`},
		{"false", "examination", head + `"outcome":"clear","notDone":"refused"}`},
		{"required", "lesion", head + `"code":"OTHER"}`},
		{"required", "locomotion", head + `"scale":"mob4-uk"}`},
		{"enum", "locomotion", head + `"scale":"nrs5","score":0.5}`},
		{"type", "examination", head + `"outcome":"clear","pass":2.5}`},
	}
	for _, tt := range tests {
		data := []byte(tt.data)
		if surely(program().kinds[tt.kind], data) {
			t.Errorf("%s: the fast check accepts %s", tt.keyword, data)
		}
		if oracle(tt.kind, data) {
			t.Errorf("%s: the library accepts %s", tt.keyword, data)
		}
		got := Check(tt.kind, data)
		if len(got) != 1 || got[0].Keyword != tt.keyword {
			t.Errorf("%s: violations %v of %s, wanted one of that keyword", tt.keyword, got, data)
		}
	}
}

func TestPatterns_AgreeWithTheirExpressions(t *testing.T) {
	r := rand.New(rand.NewPCG(rand.Uint64(), 2))
	seeds := []string{
		"00:00", "23:59", "24:00", "09:60", "23:59:59", "23:59:60", "23:59:59.999", "23:59:59.99", "+01:00", "-14:59", "+15:00", "+1:00", "",
		strings.Repeat("v", 29), strings.Repeat("w", 29), strings.Repeat("0", 21), strings.Repeat("f", 64), strings.Repeat("F", 64), "12:34\n",
	}
	for expression, match := range patterns {
		std := patternOf("(?:" + expression + ")") // not in the table, so the library's
		hits := 0
		for range 4000 {
			b := []byte(seeds[r.IntN(len(seeds))])
			for range r.IntN(3) {
				if len(b) > 0 {
					b[r.IntN(len(b))] = "0123456789:.+-afvwgTZ \n"[r.IntN(23)]
				}
			}
			if std(b) {
				hits++
			}
			if match(b) != std(b) {
				t.Fatalf("%s on %q: %v, the expression says %v", expression, b, match(b), std(b))
			}
		}
		if hits == 0 {
			t.Errorf("no text matched %s", expression)
		}
	}
	used := map[string]bool{}
	for _, name := range Names() {
		b, _ := Source(name)
		for expression := range patterns {
			quoted, _ := json.Marshal(expression)
			used[expression] = used[expression] || bytes.Contains(b, quoted)
		}
	}
	for expression := range patterns {
		if !used[expression] {
			t.Errorf("no schema uses the pattern %s", expression)
		}
	}
}

func TestFormats_AgreeWithTheLibrary(t *testing.T) {
	r := rand.New(rand.NewPCG(rand.Uint64(), 3))
	for format, judge := range formats {
		sure := 0
		for range 20_000 {
			day := fmt.Sprintf("%04d-%02d-%02d", []int{1900, 2000, 2024, 2026, 0}[r.IntN(5)], r.IntN(14), r.IntN(33))
			s := day
			if format == "date-time" {
				s += fmt.Sprintf("%c%02d:%02d:%02d%s%s", "Tt "[r.IntN(3)], r.IntN(25), r.IntN(61), r.IntN(62), []string{"", ".", ".5", ".123456789"}[r.IntN(4)], []string{"Z", "z", "+01:00", "-14:59", "+23:59", "+24:00", ""}[r.IntN(7)])
			}
			if r.IntN(5) == 0 {
				b := []byte(s)
				b[r.IntN(len(b))] = byte(r.IntN(128))
				s = string(b)
			}
			want := jsonschema.Formats[format](s)
			switch got := judge([]byte(s)); {
			case got == yes && !want, got == no && want:
				t.Fatalf("%s %q: %d, the library says %v", format, s, got, want)
			case got == yes:
				sure++
			}
		}
		if sure == 0 {
			t.Errorf("never sure of a %s", format)
		}
	}
}
