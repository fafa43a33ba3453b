package intake_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
)

const samples = "../../../testdata/samples"

// A sample is one of the inputs with what must become of it.
type sample struct {
	file, mapping, source, farm string
	counts                      events.Counts
	events                      map[events.Change]int
}

// inputs are the samples in their order. The counts of the first seven are those
// of the page that describes them; all are worked out by hand from what the files say.
var inputs = []sample{
	{"01-semicolon.csv", "01-semicolon", "larkfield-chute", "larkfield", events.Counts{Read: 7, Accepted: 6, Ignored: 1}, map[events.Change]int{events.Recorded: 23}},
	{"02-inches.csv", "02-inches", "stony-run-chute", "stony-run", events.Counts{Read: 7, Accepted: 6, Held: 1}, map[events.Change]int{events.Recorded: 21}},
	{"03-gait.ndjson", "03-gait", "larkfield-gait", "larkfield", events.Counts{Read: 12, Accepted: 5, Duplicate: 1, Amended: 1, Held: 5}, map[events.Change]int{events.Recorded: 5, events.Amended: 1}},
	{"04-visit.json", "04-visit", "stony-run-visit", "stony-run", events.Counts{Read: 4, Accepted: 3, Held: 1}, map[events.Change]int{events.Recorded: 8}},
	{"05-roster.tsv", "05-roster", "larkfield-roster", "larkfield", events.Counts{Read: 8, Accepted: 8}, map[events.Change]int{events.Recorded: 8}},
	{"06-reexport.csv", "01-semicolon", "larkfield-chute", "larkfield", events.Counts{Read: 8, Accepted: 2, Duplicate: 4, Amended: 1, Ignored: 1, Retracted: 3}, map[events.Change]int{events.Recorded: 5, events.Amended: 1, events.Retracted: 3}},
	{"07-rotten.csv", "07-rotten", "larkfield-rotten", "larkfield", events.Counts{Read: 20, Accepted: 2, Held: 18}, map[events.Change]int{events.Recorded: 6}},
	{"08-barn-diary.csv", "08-barn-diary", "larkfield-barn", "larkfield", events.Counts{Read: 17, Accepted: 11, Held: 5, Ignored: 1}, map[events.Change]int{events.Recorded: 13}},
}

func (s sample) bytes(t tb) []byte { t.Helper(); return readFile(t, filepath.Join(samples, s.file)) }

func (s sample) of(t tb) *intake.Source {
	t.Helper()
	name := s.mapping + ".yaml"
	return source(t, s.source, s.farm, name, readFile(t, filepath.Join(samples, name)))
}

// TestSamples_GiveWhatTheyMust takes them in and compares counts, changes
// and, event for event, what is written by hand in the golden files.
func TestSamples_GiveWhatTheyMust(t *testing.T) {
	h := fresh(t)
	labels := newLabels()
	var total events.Counts
	for _, s := range inputs {
		last, _ := h.log.Last()
		r := h.take(s.of(t), s.file, s.bytes(t))
		if r.Counts != s.counts {
			t.Errorf("%s: got %v, want %v", s.file, r.Counts, s.counts)
		}
		total = total.Add(r.Counts)
		got := eventsOf(t, h.log, last+1)
		changes := map[events.Change]int{}
		for _, ev := range got {
			changes[ev.Change]++
		}
		if fmt.Sprint(changes) != fmt.Sprint(s.events) {
			t.Errorf("%s: got events %v, want %v", s.file, changes, s.events)
		}
		compareGolden(t, labels, strings.TrimSuffix(s.file, filepath.Ext(s.file)), got)
	}
	want := events.Counts{Read: 83, Accepted: 43, Amended: 2, Duplicate: 5, Held: 30, Ignored: 3, Retracted: 3}
	if total != want {
		t.Errorf("all of them: got %v, want %v", total, want)
	}
	if n, err := h.ix.CountHeld(""); err != nil || n != 30 {
		t.Errorf("held: got %d, %v, want 30", n, err)
	}
}

// compareGolden compares events with a golden file, one for one and in order.
func compareGolden(t *testing.T, l *labels, name string, got []events.Event) {
	t.Helper()
	sc := bufio.NewScanner(bytes.NewReader(readFile(t, filepath.Join(samples, name+".golden.ndjson"))))
	sc.Buffer(nil, 1<<20)
	i := 0
	for ; sc.Scan(); i++ {
		var want map[string]any
		if err := json.Unmarshal(sc.Bytes(), &want); err != nil {
			t.Fatalf("%s golden event %d: %v", name, i+1, err)
		}
		if i >= len(got) {
			t.Errorf("%s: no event for golden event %d: %s", name, i+1, sc.Text())
			continue
		}
		var have map[string]any
		if err := json.Unmarshal(got[i].AppendCloudEvent(nil), &have); err != nil {
			t.Fatal(err)
		}
		delete(have, "recordedtime")
		l.farm = got[i].Farm
		for _, d := range l.differ("", want, have) {
			t.Errorf("%s event %d %s", name, i+1, d)
		}
	}
	for ; i < len(got); i++ {
		t.Errorf("%s: event %d is too many: %s", name, i+1, got[i].AppendCloudEvent(nil))
	}
}

// labels binds the labels of golden files (@…) to values: on one farm, equal
// labels are equal values and different ones different.
type labels struct {
	farm         string
	value, label map[string]string
}

func newLabels() *labels { return &labels{value: map[string]string{}, label: map[string]string{}} }

func (l *labels) bind(label, value string) bool {
	label = l.farm + label
	if v, ok := l.value[label]; ok {
		return v == value
	}
	if _, taken := l.label[value]; taken {
		return false
	}
	l.value[label], l.label[value] = value, label
	return true
}

// differ says where have is not as the golden want. Advisories are compared by
// the codes that want names; the version of the rules is not compared.
func (l *labels) differ(path string, want, have any) []string {
	switch w := want.(type) {
	case map[string]any:
		h, ok := have.(map[string]any)
		if !ok {
			return []string{fmt.Sprintf("%s: want %v, got %v", path, want, have)}
		}
		return l.differObject(path, w, h)
	case []any:
		h, ok := have.([]any)
		if !ok || len(h) != len(w) {
			return []string{fmt.Sprintf("%s: want %v, got %v", path, want, have)}
		}
		var out []string
		for i := range w {
			out = append(out, l.differ(fmt.Sprintf("%s[%d]", path, i), w[i], h[i])...)
		}
		return out
	case string:
		if strings.HasPrefix(w, "@") {
			return l.differLabel(path, w, fmt.Sprint(have))
		}
	}
	if fmt.Sprint(want) != fmt.Sprint(have) {
		return []string{fmt.Sprintf("%s: want %v, got %v", path, want, have)}
	}
	return nil
}

func (l *labels) differLabel(path, want, have string) []string {
	if path == ".id" {
		wl, wr, _ := cutLast(want)
		hl, hr, _ := cutLast(have)
		if wr != hr || !l.bind(wl, hl) {
			return []string{fmt.Sprintf("%s: want %s, got %s", path, want, have)}
		}
		return nil
	}
	if !l.bind(want, have) {
		return []string{fmt.Sprintf("%s: want the value of %s (%s), got %s", path, want, l.value[l.farm+want], have)}
	}
	return nil
}

func cutLast(s string) (before, after string, ok bool) {
	i := strings.LastIndexByte(s, '.')
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+1:], true
}

func (l *labels) differObject(path string, want, have map[string]any) []string {
	var out []string
	keys := map[string]bool{}
	for k := range want {
		keys[k] = true
	}
	for k := range have {
		keys[k] = true
	}
	var names []string
	for k := range keys {
		names = append(names, k)
	}
	slices.Sort(names)
	for _, k := range names {
		p := path + "." + k
		w, inWant := want[k]
		h, inHave := have[k]
		switch {
		case p == ".data.notes":
			for _, code := range noteCodes(w) {
				if !slices.Contains(noteCodes(h), code) {
					out = append(out, fmt.Sprintf("%s: want advisory %s, got %v", p, code, noteCodes(h)))
				}
			}
		case p == ".data.derived.rules" || p == ".data.derived" && !inWant && onlyRules(h):
		case !inWant:
			out = append(out, fmt.Sprintf("%s: got %v, want nothing", p, h))
		case !inHave:
			out = append(out, fmt.Sprintf("%s: got nothing, want %v", p, w))
		default:
			out = append(out, l.differ(p, w, h)...)
		}
	}
	return out
}

func onlyRules(v any) bool {
	m, ok := v.(map[string]any)
	_, rules := m["rules"]
	return ok && rules && len(m) == 1
}

func noteCodes(v any) []string {
	list, _ := v.([]any)
	var codes []string
	for _, n := range list {
		m, _ := n.(map[string]any)
		codes = append(codes, fmt.Sprint(m["code"]))
	}
	return codes
}
