package main

import (
	"bytes"
	"context"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// TestClock_JumpsChangeNothing reads the same files in the same order by a right
// clock, by one that goes a year ahead, a year back, over the hours that a clock
// change leaves out and doubles (tz database: Europe/Berlin, 2027-03-28 and
// 2027-10-31), and by one that jumps while the files are read. The log must have
// the same events in the same order, the recipient each of them once, and lists
// are made again once the clock is right.
func TestClock_JumpsChangeNothing(t *testing.T) {
	if testing.Short() {
		t.Skip("one command after another: nothing for the race detector")
	}
	const right = "2027-11-01T12:00:00Z"
	files := []string{rowsFrom(0, 40), rowsFrom(40, 40), rowsFrom(0, 40) /* known */, strings.Replace(rowsFrom(0, 40), ",SU,1,", ",SU,2,", 1), rowsFrom(80, 40)}
	straight := newClocked(t)
	for _, f := range files {
		straight.read(f, from(t, right))
	}
	wanted, order := straight.events()
	if len(wanted) < 240 {
		t.Fatalf("only %d events", len(wanted))
	}
	if got := straight.fed(); !maps.Equal(got, wanted) {
		t.Fatalf("by a right clock the recipient has %d events of %d", len(got), len(wanted))
	}

	jumping := func() func() time.Time { // from a year back to the right one, and to the next, while the command runs
		now, began := from(t, right), time.Now()
		return func() time.Time { return now().AddDate(min(int(time.Since(began)/(150*time.Millisecond)), 2)-1, 0, 0) }
	}
	for name, clocks := range map[string][]func() time.Time{
		"jumps": {
			from(t, "2027-03-27T12:00:00Z"), from(t, "2028-03-27T12:00:00Z"), from(t, "2026-03-27T12:00:00Z"),
			from(t, "2027-10-31T00:30:00Z"), from(t, "2027-03-28T01:00:00Z"),
		},
		"back": {
			from(t, "2027-03-27T12:00:00Z"), from(t, "2026-03-27T12:00:00Z"), from(t, "2026-03-28T12:00:00Z"),
			from(t, "2026-03-29T12:00:00Z"), from(t, right),
		},
		"on the way": {jumping(), jumping(), jumping(), jumping(), jumping()},
	} {
		t.Run(name, func(t *testing.T) {
			c := newClocked(t)
			for i, f := range files {
				c.read(f, clocks[i])
			}
			c.once(from(t, right)) // what waited for a grant goes out
			got, gotOrder := c.events()
			if !maps.Equal(got, wanted) {
				t.Errorf("the log has %d other events, wanted the %d of a right clock", len(got), len(wanted))
			}
			if gotOrder != order {
				t.Error("the events stand in another order than by a right clock")
			}
			if fed := c.fed(); !maps.Equal(fed, wanted) {
				t.Errorf("the recipient has %d events, wanted the %d of a right clock, each once", len(fed), len(wanted))
			}
			if _, err := os.Stat(filepath.Join(c.dir, "lists", "mornings-2027-11-01.json")); err != nil {
				t.Error("no list of the day on which the clock is right:", err)
			}
			c.command(0, from(t, right), "verify")
		})
	}
}

// TestClock_ThatCannotBeRight starts as a machine does that has no battery for
// its clock: nothing is read, and then everything.
func TestClock_ThatCannotBeRight(t *testing.T) {
	c := newClocked(t)
	path := c.write(rowsFrom(0, 10))
	for _, at := range []string{"1970-01-01T00:00:10Z", "2025-12-31T23:59:59Z"} {
		out := c.command(exitError, from(t, at), "once")
		if want := "clock of this machine: wanted a moment after 2026-01-01, got " + at[:17]; !strings.Contains(out, want) {
			t.Errorf("%s: %s\nwanted %q", at, out, want)
		}
		if _, err := os.Stat(path); err != nil {
			t.Errorf("%s: the file was taken: %v", at, err)
		}
	}

	old := clockEvery
	clockEvery = time.Millisecond
	defer func() { clockEvery = old }()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	looks := 0
	a := c.app(func() time.Time { // set by the network while the daemon waits
		if looks++; looks < 5 {
			return time.Unix(10, 0)
		}
		return time.Date(2027, 11, 1, 12, 0, 0, 0, time.UTC)
	}, new(bytes.Buffer))
	a.ctx = ctx
	if err := a.awaitClock(a.logger(-8)); err != nil || looks != 5 {
		t.Errorf("waited %d looks, %v, wanted to go on at the fifth", looks, err)
	}
	stop()
	a.now = func() time.Time { return time.Unix(10, 0) }
	if a.awaitClock(a.logger(-8)) == nil {
		t.Error("went on with a clock at 1970")
	}
	c.once(from(t, "2027-11-01T12:00:00Z"))
	if got, _ := c.events(); len(got) != 20 {
		t.Errorf("%d events, wanted the 20 of 10 rows", len(got))
	}
	out := c.command(0, from(t, "2027-10-30T12:00:00Z"), "once")
	if want := "the clock is behind the log"; !strings.Contains(out, want) {
		t.Errorf("a day back: %s\nwanted %q", out, want)
	}
}

// from is a clock that goes on from a moment.
func from(t *testing.T, at string) func() time.Time {
	t.Helper()
	moment, err := time.Parse(time.RFC3339, at)
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	return func() time.Time { return moment.Add(time.Since(began)) }
}

// clocked is a project whose commands run by any clock.
type clocked struct {
	t     *testing.T
	dir   string
	files int
}

// newClocked makes one whose grant begins and ends less than a year from the day
// on which the clock is right.
func newClocked(t *testing.T) *clocked {
	c := &clocked{t: t, dir: t.TempDir()}
	config := strings.Replace(listsConfig, "fields: identities, from: 2025-01-01}", "fields: identities, from: 2026-12-01, until: 2027-12-31}", 1)
	config = strings.Replace(config, "until: 2026-03-30", "until: 2029-12-31", 1)
	config = strings.Replace(config, "recipient: vet, purpose: lists", "recipient: office, purpose: lists", 1)
	config = strings.Replace(config, "recipient: vet, for: everyone", "recipient: office, for: everyone", 1)
	config = strings.Replace(config, "vet: {name: The vet}", "vet: {name: The vet}, office: {name: The office}", 1)
	write(t, filepath.Join(c.dir, "dewclaw.yaml"), config)
	write(t, filepath.Join(c.dir, "chute.yaml"), killMapping)
	for _, folder := range []string{"in", "out", "lists"} {
		write(t, filepath.Join(c.dir, folder, ".keep"), "")
	}
	return c
}

// write puts a file that has rested into the folder of the source.
func (c *clocked) write(body string) string {
	c.files++
	path := filepath.Join(c.dir, "in", string(rune('a'+c.files))+".csv")
	write(c.t, path, body)
	old := time.Now().Add(-10 * 365 * 24 * time.Hour)
	if err := os.Chtimes(path, old, old); err != nil {
		c.t.Fatal(err)
	}
	return path
}

func (c *clocked) read(body string, now func() time.Time) {
	c.write(body)
	c.once(now)
}

// once is not fine (exit 1) where a list lacks a grant.
func (c *clocked) once(now func() time.Time) { c.command(-1, now, "once") }

func (c *clocked) app(now func() time.Time, out *bytes.Buffer) *app {
	return &app{
		ctx: c.t.Context(), self: "dewclaw", getenv: func(string) string { return "" }, now: now,
		stdin: strings.NewReader(""), stdout: out, stderr: out,
	}
}

// command runs one and returns what it said; code -1 stands for any.
func (c *clocked) command(code int, now func() time.Time, args ...string) string {
	c.t.Helper()
	var out bytes.Buffer
	a := c.app(now, &out)
	err := a.command(append([]string{"--config", filepath.Join(c.dir, "dewclaw.yaml")}, args...))
	if err != nil {
		report(&out, err)
	}
	if got := exitCode(err); got != code && code >= 0 {
		c.t.Fatalf("dewclaw %s: exit %d, wanted %d\n%s", strings.Join(args, " "), got, code, &out)
	}
	return out.String()
}

// events returns the events of the log and their ids in its order.
func (c *clocked) events() (map[string]digest, string) {
	m := map[string]digest{}
	k := &killer{t: c.t}
	out := []byte(c.command(0, time.Now, "events", "--json"))
	k.add(m, out, "log")
	var order []string
	for line := range bytes.Lines(out) {
		id, _, _ := cutMember(line, `"id":"`)
		order = append(order, id)
	}
	return m, strings.Join(order, "\n")
}

// fed returns the events of the recipient's files.
func (c *clocked) fed() map[string]digest {
	m := map[string]digest{}
	k := &killer{t: c.t}
	paths, err := filepath.Glob(filepath.Join(c.dir, "out", "*.ndjson"))
	if err != nil {
		c.t.Fatal(err)
	}
	for _, path := range paths {
		b, err := os.ReadFile(path)
		if err != nil {
			c.t.Fatal(err)
		}
		k.add(m, b, path)
	}
	return m
}
