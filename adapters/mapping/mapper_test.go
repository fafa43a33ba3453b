package mapping

import (
	"bytes"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"dewclaw/adapters"
	"dewclaw/events"
)

// cloneRecords copies everything of records that lies in blocks.
func cloneRecords(in []adapters.Record) []adapters.Record {
	out := slices.Clone(in)
	for i := range out {
		out[i].Drafts = slices.Clone(in[i].Drafts)
		for k := range out[i].Drafts {
			d := &out[i].Drafts[k]
			d.Open, d.Data, d.Entity = slices.Clone(d.Open), slices.Clone(d.Data), events.Entity(strings.Clone(string(d.Entity)))
		}
		out[i].Animal = strings.Clone(in[i].Animal)
	}
	return out
}

func TestMapper_NeverWritesAgainWhatItHandedOut(t *testing.T) {
	in := parseFile(t, "../../testdata/bench/big.yaml")
	b, _ := bigFile(t, 3000)
	head, rows := readAll(t, in, b)
	run, err := in.Start(job("big", "larkfield"), head)
	if err != nil {
		t.Fatal(err)
	}
	m := run.Mapper()
	first := m.Map(rows[:500], nil)
	want := cloneRecords(first)
	for c := range slices.Chunk(rows[500:], 300) {
		m.Map(c, nil)
	}
	if !reflect.DeepEqual(want, first) {
		t.Error("records of the first call changed")
	}
}

func TestMapper_SeveralAtOnceGiveTheSameRecords(t *testing.T) {
	in := parseFile(t, "../../testdata/bench/big.yaml")
	b, _ := bigFile(t, 4000)
	head, rows := readAll(t, in, b)
	start := func() *Run {
		run, err := in.Start(job("big", "larkfield"), head)
		if err != nil {
			t.Fatal(err)
		}
		return run
	}
	want := start().Mapper().Map(rows, nil)
	run := start()
	chunks := slices.Collect(slices.Chunk(rows, 100))
	got := make([][]adapters.Record, len(chunks))
	var wg sync.WaitGroup
	for w := range 4 {
		wg.Go(func() {
			m := run.Mapper()
			for i := w; i < len(chunks); i += 4 {
				got[i] = m.Map(chunks[i], nil)
			}
		})
	}
	wg.Wait()
	if !reflect.DeepEqual(want, slices.Concat(got...)) {
		t.Error("records differ")
	}
}

// The digest of a row before mapping is that of its record, and depends on all
// that the row is read with.
func TestMapper_RawIsKnownBeforeMapping(t *testing.T) {
	in := parseFile(t, samples+"/07-rotten.yaml")
	b, err := os.ReadFile(samples + "/07-rotten.csv")
	if err != nil {
		t.Fatal(err)
	}
	head, rows := readAll(t, in, b)
	run, err := in.Start(job("larkfield-rotten", "larkfield"), head)
	if err != nil {
		t.Fatal(err)
	}
	m := run.Mapper()
	seen := map[events.Digest]int{}
	for i, r := range m.Map(rows, nil) {
		if raw := run.Mapper().Raw(&rows[i]); raw != r.Raw {
			t.Errorf("line %d: got %v, want %v", r.Line, raw, r.Raw)
		}
		seen[r.Raw]++
	}
	if len(seen) != len(rows) {
		t.Errorf("%d digests of %d rows", len(seen), len(rows))
	}
	doc := parseFile(t, samples+"/04-visit.yaml")
	first := func(day string) events.Digest {
		records, _ := mapAll(t, doc, job("v", "stony-run"), fmt.Appendf(nil, `{"visit":{"day":%q,"kind":"recheck"},"cattle":[{"ids":[],"seen":[]}]}`, day), 10)
		return records[0].Raw
	}
	if first("2026-03-10") == first("2026-03-11") {
		t.Error("the digest does not depend on what is read from the document")
	}
}

// Rows of few animals in any order, some of them rotten: any chunking gives the
// same records, every good row is in exactly one record, and an examination with
// a held row is incomplete.
func TestMapper_GroupsAreTheSameInAnyChunking(t *testing.T) {
	in := parseFile(t, "testdata/language/groups.yaml")
	rapid.Check(t, func(t *rapid.T) {
		var b bytes.Buffer
		b.WriteString("exam,tag,day,pass,foot,claw,why,how,trim,result,code,text\n")
		n := rapid.IntRange(0, 25).Draw(t, "rows")
		for range n {
			exam := rapid.SampledFrom([]string{"A", "B"}).Draw(t, "exam")
			foot := rapid.SampledFrom([]string{"LF", "RF", "LH", "RH", "??"}).Draw(t, "foot")
			code := rapid.SampledFrom([]string{"", "SU", "DD"}).Draw(t, "code")
			how := rapid.SampledFrom([]string{"", "tilt", "standing"}).Draw(t, "how")
			fmt.Fprintf(&b, "%s,DE%s,2026-03-04,,%s,,,%s,,,%s,\n", exam, exam, foot, how, code)
		}
		d, err := formats["csv"](bytes.NewReader(b.Bytes()), in.Layout())
		if err != nil {
			t.Fatal(err)
		}
		head, err := d.Head()
		if err != nil {
			t.Fatal(err)
		}
		rows, _ := d.Read(nil, 100)
		mapped := func(chunk int) []adapters.Record {
			run, err := in.Start(job("g", "larkfield"), head)
			if err != nil {
				t.Fatal(err)
			}
			m := run.Mapper()
			var out []adapters.Record
			for c := range slices.Chunk(rows, chunk) {
				out = m.Map(c, out)
			}
			return m.Flush(out)
		}
		want := mapped(1000)
		if got := mapped(rapid.IntRange(1, 7).Draw(t, "chunk")); !reflect.DeepEqual(want, got) {
			t.Fatalf("records differ:\n%s", cmp.Diff(want, got))
		}
		total, held := 0, map[events.RecordID]bool{}
		for _, r := range want {
			total += r.Rows
			if r.Held != nil {
				held[r.ID] = true
			}
		}
		if total != n {
			t.Fatalf("%d rows are in records, %d were read", total, n)
		}
		// A row held before the last row of its record, or right after it, makes
		// the examination incomplete; one far behind a closed group cannot.
		for _, r := range want {
			incomplete := len(r.Drafts) > 0 && bytes.Contains(r.Drafts[0].Data, []byte(`"outcome":"incomplete"`))
			if incomplete && !held[r.ID] {
				t.Fatalf("line %d is incomplete without a held row", r.Line)
			}
			for _, h := range want {
				if h.Held != nil && h.ID == r.ID && r.Held == nil && h.Line > r.Line && h.Line < r.LastLine && !incomplete {
					t.Fatalf("line %d is not incomplete, line %d is held", r.Line, h.Line)
				}
			}
		}
	})
}

func TestMapper_HostileValuesCostNothing(t *testing.T) {
	in := parseFile(t, samples+"/07-rotten.yaml")
	digits := strings.Repeat("7", 200_000)
	for _, row := range []string{
		digits + ";2026-03-04;08:12;RH;outer;4;SU;2;78.5", "276000941200731;" + digits + ";08:12;RH;outer;4;SU;2;78.5",
		"276000941200731;2026-03-04;" + digits + ";RH;outer;4;SU;2;78.5", "276000941200731;2026-03-04;08:12;RH;outer;" + digits + ";SU;2;78.5",
		"276000941200731;2026-03-04;08:12;RH;outer;4;SU;2;" + digits, "276000941200731;2026-03-04;08:12;RH;outer;4;" + digits + ";2;78.5",
		"276000941200731;2026-03-04;08:12;RH;outer;4;SU;2;1e1000001", "9.82E+14;2026-03-04;08:12;RH;outer;4;SU;2;78.5",
	} {
		start := time.Now()
		records, _ := mapAll(t, in, job("r", "larkfield"), []byte("tag;date;time;foot;claw;zone;lesion;sev;toe_mm\n"+row+"\n"), 10)
		if len(records) != 1 || records[0].Held == nil || len(records[0].Held.Reasons) != 1 {
			t.Errorf("%.40s…: got %+v", row, records)
			continue
		}
		if s := records[0].Held.Reasons[0].String(); len(s) > 300 {
			t.Errorf("%.40s…: a reason of %d bytes", row, len(s))
		}
		if d := time.Since(start); d > 2*time.Second {
			t.Errorf("%.40s…: took %v", row, d)
		}
	}
}

func TestMapper_AnExpressionHasALimit(t *testing.T) {
	in, err := ParseInward("m.yaml", []byte(`
mapping: m
direction: in
dates: YYYY-MM-DD
read: {format: csv}
record: {key: id}
animal: {ear-tag: tag}
occurred: {date: day}
events:
  - lesion:
      code: =SU
      description: {cel: 'row["tag"].split("").all(a, row["tag"].split("").all(b, row["tag"].split("").all(c, a + b + c != "x"))) ? "many" : "few"'}
`))
	if err == nil {
		t.Fatal("split is no function of the language:", in)
	}
	in, err = ParseInward("m.yaml", []byte(`
mapping: m
direction: in
dates: YYYY-MM-DD
read: {format: csv}
record: {key: id}
animal: {ear-tag: tag}
occurred: {date: day}
events:
  - lesion:
      code: =SU
      description: {cel: 'row.all(a, row.all(b, row.all(c, row.all(d, row.all(e, a + b + c + d + e != "x"))))) ? "many" : "few"'}
`))
	if err != nil {
		t.Fatal(err)
	}
	records, _ := mapAll(t, in, job("m", "larkfield"), []byte("id,tag,day,a,b,c,d\n1,DE1,2026-03-04,,,,\n"), 10)
	if records[0].Held == nil || !strings.Contains(records[0].Held.Reasons[0].Got, "cost limit exceeded") {
		t.Errorf("got %+v", records[0])
	}
}
