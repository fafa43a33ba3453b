package main

import (
	"context"
	"fmt"
	"maps"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"dewclaw/daemon/internal/intake"
	"dewclaw/events"
	"dewclaw/events/streamlog"
	"dewclaw/testdata/outside"
)

// A barnyard is the log of one barn, without the daemon around it: an embedded
// server of its own, a leaf link of its own.
type barnyard struct {
	id, farm, seed, public string
	log                    *streamlog.Log
	events                 int
	now                    func() time.Time
}

func newBarnyards(t testing.TB, n int) []*barnyard {
	t.Helper()
	dir := t.TempDir()
	var all []*barnyard
	for i := range n {
		b := &barnyard{id: fmt.Sprintf("barn-%03d", i), farm: fmt.Sprintf("farm-%03d", i), now: time.Now}
		seed, public, err := streamlog.NewBarnKey()
		if err != nil {
			t.Fatal(err)
		}
		b.seed, b.public = filepath.Join(dir, b.id+".nk"), public
		if err := os.WriteFile(b.seed, seed, 0o600); err != nil {
			t.Fatal(err)
		}
		all = append(all, b)
	}
	return all
}

// open opens the log of the barn, connected to the hub at an address.
func (b *barnyard) open(t testing.TB, address string) {
	t.Helper()
	var err error
	b.log, err = streamlog.Open(t.Context(), streamlog.Options{
		Dir: filepath.Join(t.TempDir(), b.id), Now: b.now,
		Hub: &streamlog.Leaf{URL: "nats-leaf://" + address, Barn: b.id, NKey: b.seed},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = b.log.Close() })
}

// add appends n events, in entries of ten, as records of a chute would make them.
func (b *barnyard) add(ctx context.Context, n int) error { return b.addIn(ctx, n, 10) }

func (b *barnyard) addIn(ctx context.Context, n, size int) error {
	keys := events.NewKeyer(b.farm, "chute")
	for n > 0 {
		e := &events.Entry{Cause: events.CauseChunk, Source: "chute", Defaults: events.Defaults{Farm: b.farm}}
		for len(e.Events) < size && n > 0 {
			id := keys.OwnKey(fmt.Sprintf("record %d", b.events))
			data := fmt.Sprintf(`{"animal":[{"scheme":"ear-tag","value":"DE09412%05d"}],"occurred":{"date":"2026-03-02"},"raw":2,"scale":"mob4-uk"}`, b.events)
			env := events.Envelope{Kind: events.KindLocomotion, Entity: id.Entity(keys.Slot(events.KindLocomotion, 0)), Subject: fmt.Sprintf("ear-tag:DE09412%05d", b.events)}
			e.Events = append(e.Events, events.AppendRevision(nil, events.AppendOpen(nil, env, []byte(data)), events.Revision{Number: 1, Change: events.Recorded}))
			b.events++
			n--
		}
		e.Counts = events.Counts{Read: len(e.Events), Accepted: len(e.Events)}
		if _, err := b.log.Append(ctx, e); err != nil {
			return err
		}
	}
	return nil
}

// hubConfig is the config of a hub with barns and a feed of all they send.
func hubConfig(address string, barns []*barnyard) string {
	var farms, list, names, grants strings.Builder
	for i, b := range barns {
		fmt.Fprintf(&farms, "  %s: {zone: Europe/Berlin}\n", b.farm)
		fmt.Fprintf(&list, "    %s: {farms: [%s], nkey: %s}\n", b.id, b.farm, b.public)
		fmt.Fprintf(&grants, "  - {farm: %s, recipient: vet, purpose: care, kinds: [locomotion], fields: identities, from: 2025-01-01}\n", b.farm)
		if i > 0 {
			names.WriteString(", ")
		}
		names.WriteString(b.farm)
	}
	return fmt.Sprintf(`version: 1
hub:
  listen: %q
  barns:
%sfarms:
%srecipients: {vet: {name: The vet}}
feeds:
  all: {recipient: vet, farms: [%s], kinds: [locomotion], every: 500ms, to: {folder: out}}
grants:
%s`, address, list.String(), farms.String(), names.String(), grants.String())
}

// fedIDs returns how often each event stands in the files of a feed.
func fedIDs(t testing.TB, folder string) map[string]int {
	t.Helper()
	all := map[string]int{}
	files, err := filepath.Glob(filepath.Join(folder, "*.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		for id, n := range idsIn(t, f) {
			all[id] += n
		}
	}
	return all
}

// TestHub_ManyBarnsConverge has 50 barns (500 with -long) with 200 events each,
// real embedded servers over real leaf links, half of which they had before the
// hub was there. Everything arrives at the hub, its books balance, and its feed
// delivers each event once.
func TestHub_ManyBarnsConverge(t *testing.T) {
	if testing.Short() {
		t.Skip("many servers tell the race detector nothing that few do not")
	}
	t.Parallel()
	n, each := 50, 200
	if *long {
		n = 500
	}
	address, _ := freeAddress(t)
	dir := t.TempDir()
	barns := newBarnyards(t, n)
	write(t, filepath.Join(dir, "dewclaw.yaml"), hubConfig(address, barns))
	if err := os.Mkdir(filepath.Join(dir, "out"), 0o755); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	for _, b := range barns {
		b.open(t, address)
		if err := b.add(t.Context(), each/2); err != nil {
			t.Fatal(err)
		}
	}
	opened := time.Since(began)
	cmd := exec.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "run")
	var told lockedBuffer
	cmd.Stderr = &told
	began = time.Now()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	var wg sync.WaitGroup
	failed := make(chan error, n)
	for _, b := range barns {
		wg.Go(func() {
			if err := b.add(t.Context(), each/2); err != nil {
				failed <- err
			}
		})
	}
	wg.Wait()
	select {
	case err := <-failed:
		t.Fatal(err)
	default:
	}
	end := time.Now().Add(time.Minute + time.Duration(n)*time.Second)
	for _, b := range barns {
		last, _ := b.log.Last()
		for {
			has, err := b.log.HubHas(t.Context())
			if err == nil && has == last {
				break
			}
			if time.Now().After(end) {
				t.Fatalf("%s: the hub has %d of %d entries (%v)\n%s", b.id, has, last, err, told.String())
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
	converged := time.Since(began)
	var got map[string]int
	for got = fedIDs(t, filepath.Join(dir, "out")); len(got) < n*each; got = fedIDs(t, filepath.Join(dir, "out")) {
		if time.Now().After(end) {
			t.Fatalf("the feed has %d of %d events\n%s", len(got), n*each, told.String())
		}
		time.Sleep(100 * time.Millisecond)
	}
	var mem runtime.MemStats
	runtime.ReadMemStats(&mem)
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, told.String())
	}
	for id, times := range got {
		if times != 1 {
			t.Fatalf("event %s: the feed has it %d times", id, times)
		}
	}
	k := &killer{t: t}
	if all := k.events(dir); len(all) != n*each || len(got) != n*each {
		t.Errorf("got %d events in the log and %d in the feed, want %d", len(all), len(got), n*each)
	}
	out := k.dewclaw(dir, "verify")
	t.Logf("%d barns with %d events each: opened and half filled in %s; all at the hub %s after its start; peak of the hub %d MiB; the barns together %d MiB of memory of Go\n%s",
		n, each, opened.Round(time.Millisecond), converged.Round(time.Millisecond), peakOf(cmd)>>20, mem.Sys>>20, out)
}

// TestKill_BetweenAppendAndAcknowledgeLeavesABarnsEntryOnceAtTheHub stops the hub
// exactly there, in lockstep, and kills it: the entries are in its log, the barn was
// told nothing and hands them over again, and they are known.
func TestKill_BetweenAppendAndAcknowledgeLeavesABarnsEntryOnceAtTheHub(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells the race detector no more than what runs")
	}
	address, _ := freeAddress(t)
	dir := t.TempDir()
	barns := newBarnyards(t, 1)
	b := barns[0]
	write(t, filepath.Join(dir, "dewclaw.yaml"), hubConfig(address, barns))
	if err := os.Mkdir(filepath.Join(dir, "out"), 0o755); err != nil {
		t.Fatal(err)
	}
	b.open(t, address)
	if err := b.add(t.Context(), 50); err != nil {
		t.Fatal(err)
	}
	k := &killer{t: t}
	for round := range 3 {
		killAt(t, dir, intake.BeatAcknowledge)
		if len(k.events(dir)) == 0 {
			t.Fatal("nothing is in the log of the hub, though it was killed behind the append")
		}
		has, err := b.log.HubHas(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if last, _ := b.log.Last(); has == last || round == 0 && has != 0 {
			t.Fatalf("the barn was told of %d entries, wanted none of the newest", has)
		}
		if err := b.add(t.Context(), 10); err != nil {
			t.Fatal(err)
		}
	}
	cmd := exec.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "run")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	last, _ := b.log.Last()
	for end := time.Now().Add(2 * patience); ; time.Sleep(20 * time.Millisecond) {
		has, err := b.log.HubHas(t.Context())
		if err == nil && has == last {
			break
		}
		if time.Now().After(end) {
			t.Fatalf("the hub has %d of %d entries (%v)", has, last, err)
		}
	}
	if got := slices.Sorted(maps.Keys(k.events(dir))); len(got) != b.events {
		t.Errorf("%d events in the log of the hub, wanted %d", len(got), b.events)
	}
	k.dewclaw(dir, "verify")
}

// TestHub_AWeekWithoutNetwork has the hub on another host and unplugs the cable,
// has the barn write 50,000 events over a week by its clock, while the hub reads as
// many of its own, and plugs it in: everything is at the hub in order, once. Nobody
// tells either end that the other is gone.
func TestHub_AWeekWithoutNetwork(t *testing.T) {
	if testing.Short() {
		t.Skip("the race detector is given TestHub_ReadsABarnOverAWireThatIsCut")
	}
	t.Parallel() // most of it waits for the barn to notice
	const each = 50_000
	far := outside.StartHost(t)
	address := net.JoinHostPort(far.Addr, "7422")
	dir := t.TempDir()
	barns := newBarnyards(t, 1)
	b := barns[0]
	config := strings.NewReplacer("farms:\n  ", "farms:\n  hilltop: {zone: Europe/Berlin}\n  ", "  listen:", "  unencrypted: true\n  listen:").Replace(hubConfig(address, barns)) +
		"sources: {scores: {farm: hilltop, folder: in, rest: 10ms, scan: 100ms, mapping: gait.yaml}}\n"
	write(t, filepath.Join(dir, "dewclaw.yaml"), config)
	write(t, filepath.Join(dir, "gait.yaml"), gaitNDJSON)
	for _, f := range []string{"in", "out"} {
		if err := os.Mkdir(filepath.Join(dir, f), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	cmd := far.Command("dewclaw", "--config", filepath.Join(dir, "dewclaw.yaml"), "run")
	var told lockedBuffer
	cmd.Stderr = &told
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	now := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	b.now = func() time.Time { return now }
	b.open(t, address)
	if err := b.add(t.Context(), 100); err != nil {
		t.Fatal(err)
	}
	end := time.Now().Add(5 * time.Minute)
	until := func(what string, done func() bool) {
		t.Helper()
		for !done() {
			if time.Now().After(end) {
				t.Fatalf("not in time: %s\n%s", what, told.String())
			}
			time.Sleep(20 * time.Millisecond)
		}
	}
	atHub := func() bool {
		last, _ := b.log.Last()
		has, err := b.log.HubHas(t.Context())
		return err == nil && has == last
	}
	until("the hub has what there was before", atHub)
	far.Set(true)
	cut := time.Now()
	var rows strings.Builder
	for i := range each {
		fmt.Fprintf(&rows, `{"id":"g-%d","cow":"276000%09d","at":"2025-03-03T06:41:10","score":2}`+"\n", i, i)
	}
	write(t, filepath.Join(dir, "in", "week.ndjson"), rows.String())
	for range 7 {
		if err := b.addIn(t.Context(), each/7, 50); err != nil {
			t.Fatal(err)
		}
		now = now.Add(24 * time.Hour)
	}
	if atHub() {
		t.Fatal("the hub has everything though the cable is unplugged")
	}
	until("the barn notices that the hub is away", func() bool { return !b.log.HubLinked() })
	noticed := time.Since(cut)
	far.Set(false)
	began := time.Now()
	until("the hub has the week", atHub)
	t.Logf("the barn noticed after %s; %d events of the week were at the hub %s after the cable was plugged in",
		noticed.Round(time.Second), b.events-100, time.Since(began).Round(time.Millisecond))
	until("the hub has read its own", func() bool { return strings.Contains(told.String(), "accepted 50000") })
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Fatalf("%v\n%s", err, told.String())
	}
	k := &killer{t: t}
	got := k.events(dir)
	if len(got) != each+b.events {
		t.Errorf("got %d events at the hub, want %d", len(got), each+b.events)
	}
	t.Logf("%s", k.dewclaw(dir, "verify"))
}

// TestHub_AGrantEndsWhileABarnRuns has the grant end by the barn's clock, and the
// clock put right: in between the hub gets nothing, and everything afterwards.
func TestHub_AGrantEndsWhileABarnRuns(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits for the barn to look at its grants")
	}
	t.Parallel()
	address, _ := freeAddress(t)
	hub, barn, yards := t.TempDir(), t.TempDir(), newBarnyards(t, 1)
	b := yards[0]
	write(t, filepath.Join(hub, "dewclaw.yaml"), hubConfig(address, yards))
	write(t, filepath.Join(hub, "out", ".keep"), "")
	cmd := exec.Command("dewclaw", "--config", filepath.Join(hub, "dewclaw.yaml"), "run")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()

	var every []string
	for _, k := range events.Kinds() {
		every = append(every, string(k))
	}
	write(t, filepath.Join(barn, "dewclaw.yaml"), fmt.Sprintf(`version: 1
hub: {url: "nats-leaf://%s", barn: %s, nkey: %s, recipient: practice, new: true}
farms: {%s: {zone: Europe/Berlin}}
sources: {scores: {farm: %s, folder: in, rest: 10ms, scan: 100ms, mapping: gait.yaml}}
recipients: {practice: {name: The practice}}
grants:
  - {farm: %s, recipient: practice, purpose: care, kinds: [%s], fields: identities, from: 2025-01-01, until: 2027-12-31}
`, address, b.id, b.seed, b.farm, b.farm, b.farm, strings.Join(every, ", ")))
	write(t, filepath.Join(barn, "gait.yaml"), gaitNDJSON)
	var later atomic.Int64 // how far the clock has gone, beside its steps
	right := from(t, "2027-12-30T12:00:00Z")
	var told lockedBuffer
	ctx, stop := context.WithCancel(t.Context())
	a := &app{
		ctx: ctx, self: "dewclaw", getenv: func(string) string { return "" }, stdin: strings.NewReader(""), stdout: &told, stderr: &told,
		now: func() time.Time { return right().Add(time.Duration(later.Load())) },
	}
	ended := make(chan error, 1)
	go func() { ended <- a.command([]string{"--config", filepath.Join(barn, "dewclaw.yaml"), "run"}) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("the barn: %v", err)
		}
	}()
	until := func(what string, done func() bool) {
		t.Helper()
		for end := time.Now().Add(2 * patience); !done(); time.Sleep(50 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("not in time: %s\n%s", what, told.String())
			}
		}
	}
	rows := func(name string, first int) {
		write(t, filepath.Join(barn, "in", name), fmt.Sprintf(`{"id":"g-%d","cow":"276000312312341","at":"2025-03-03T06:41:10","score":2}`+"\n", first))
		until("the barn has "+name, func() bool { return strings.Contains(told.String(), "name="+name) })
	}
	atHub := func() int { return len(fedIDs(t, filepath.Join(hub, "out"))) }

	rows("before.ndjson", 1)
	until("the hub has the first", func() bool { return atHub() == 1 })
	later.Store(int64(48 * time.Hour))
	until("the barn says that the grant has ended", func() bool { return strings.Contains(told.String(), "the hub may not read the log") })
	until("the barn runs on without it", func() bool { return strings.Count(told.String(), "msg=running") == 2 })
	rows("between.ndjson", 2)
	time.Sleep(2 * time.Second) // four times what the hub's feed waits
	if n := atHub(); n != 1 {
		t.Errorf("the hub has %d events without a grant, wanted the 1 of before", n)
	}
	later.Store(0)
	until("the hub has both", func() bool { return atHub() == 2 })
}
