package worklist_test

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"dewclaw/events/herd"
	"dewclaw/events/worklist"
	"dewclaw/events/worklist/oracle"
)

// Lists of random herds are what the oracle works out from the raw events: ten
// cows a herd, two days each; a thousand herds, ten thousand with -long.
func TestMake_AgreesWithTheOracle(t *testing.T) {
	logs := 10
	switch {
	case *long:
		logs = 100
	case testing.Short():
		logs = 1
	}
	all := &tally{told: map[string]int{}}
	t.Run("logs", func(t *testing.T) {
		for seed := range uint64(logs) {
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				t.Parallel()
				judge(t, seed, all)
			})
		}
	})
	t.Logf("%d herds, %d rows agree; %d animals left out because their records contradict", logs*herdsOfLog, all.rows, all.left)
	if all.left*20 > all.rows {
		t.Errorf("%d animals of %d rows were left out: the herds are no good", all.left, all.rows)
	}
	if !testing.Short() {
		count(t, all.told)
	}
}

// herdsOfLog is how many farms a log has.
const herdsOfLog = 100

// A tally counts what came up. Safe for use by several goroutines.
type tally struct {
	mu         sync.Mutex
	told       map[string]int // by tier and code
	rows, left int
}

// judge compares the lists of the farms of one log with those of the oracle.
func judge(t *testing.T, seed uint64, all *tally) {
	d := &dice{Rand: rand.New(rand.NewPCG(seed, 4))}
	for k := range herdsOfLog {
		d.herd(fmt.Sprint("farm-", k), 10)
	}
	w := d.write()
	h := herdOf(t, &w.log)
	for farm, raw := range w.log.events(t) {
		for _, n := range []int{seedDay(seed, farm), 330} {
			got, skip := listed(t, h, farm, day(n))
			end := time.Date(2025, 1, 2+n, 0, 0, 0, 0, zone)
			want, err := oracle.Due(raw, day(n), plus(day(n), 28), end, zone)
			if err != nil {
				t.Fatal(err)
			}
			for tag := range skip {
				delete(got, tag)
				delete(want, tag)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Fatalf("seed %d, %s on %s (oracle -, list +):\n%s", seed, farm, day(n), diff)
			}
			all.add(got, len(skip))
		}
	}
}

func (y *tally) add(rows map[string][]string, left int) {
	y.mu.Lock()
	defer y.mu.Unlock()
	y.left += left
	y.rows += len(rows)
	for _, lines := range rows {
		for _, l := range lines {
			y.told[l[:strings.LastIndex(l, " ")]]++
		}
	}
}

// seedDay returns a day of the year for a farm.
func seedDay(seed uint64, farm string) int {
	h := fnv.New32a()
	fmt.Fprint(h, seed, farm)
	return int(h.Sum32() % 310)
}

// count fails if a kind of reason never came up.
func count(t *testing.T, told map[string]int) {
	t.Helper()
	seen := map[string]bool{}
	for k := range told {
		seen[k[strings.LastIndex(k, " ")+1:]] = true
	}
	for _, code := range []string{
		"medicine-unknown-animal", "withdrawal-unknown", "withdrawal", "severe", "severe-seen", "lame", "lame-after-look", "not-improving", "worse",
		"no-cause", "lame-leaving", "chronic", "deep", "hot-swollen", "dd-active", "dd-horn", "recheck", "vet-dressing", "wrap-unknown", "wrap-late",
		"wrap-due", "wrap-on", "block-off", "block-long", "block-check", "block-dry", "block-lost", "missed", "incomplete", "pre-dry",
		"mid-lactation", "heifer", "high-risk", "never-examined", "overdue", "order", "order-keep", "withdrawal-leaving", "dry-passed",
	} {
		if !seen[code] {
			t.Errorf("no herd had a row because of %s", code)
		}
	}
}

// listed makes the list for everyone and writes it as the oracle does; skip are
// animals whose records contradict.
func listed(t *testing.T, h *herd.Herd, farm, day string) (out map[string][]string, skip map[string]bool) {
	t.Helper()
	in := input(t, h, farm, day)
	l := worklist.Make(in, worklist.Options{For: worklist.Everyone})
	out, skip = map[string][]string{}, map[string]bool{}
	for _, c := range in.Conflicts {
		for _, a := range c.Animals {
			skip[a[strings.LastIndex(a, ":")+1:]] = true
		}
	}
	for i := range l.Rows {
		r := &l.Rows[i]
		var lines []string
		for _, x := range r.Reasons {
			lines = append(lines, fmt.Sprint(x.Tier, " ", x.Code, " ", x.Closes))
		}
		slices.Sort(lines)
		out[r.Cow] = lines
		if i > 0 && rank(l.Rows[i-1].Tier) > rank(r.Tier) {
			t.Errorf("%s stands behind %s", r.Tier, l.Rows[i-1].Tier)
		}
	}
	return out, skip
}

func rank(t worklist.Tier) int { return slices.Index(worklist.Tiers, t) }
