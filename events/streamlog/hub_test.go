package streamlog

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"

	"dewclaw/events"
	"dewclaw/testdata/outside"
)

// barnKey makes the NKey of a barn: its public key and a file with its seed.
func barnKey(t testing.TB) (public, file string) {
	t.Helper()
	k, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	seed, err := k.Seed()
	if err != nil {
		t.Fatal(err)
	}
	if public, err = k.PublicKey(); err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(t.TempDir(), "barn.nk")
	if err := os.WriteFile(file, seed, 0o600); err != nil {
		t.Fatal(err)
	}
	return public, file
}

func startHub(t testing.TB, barns ...Barn) *Hub {
	t.Helper()
	h, err := OpenHub(t.Context(), HubOptions{Listen: "127.0.0.1:0", Barns: barns, Logger: testLogger(t)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	return h
}

// read collects the entries of a barn until there are n, as a hub does that has
// what is in have, and begins again when the barn is away.
func read(t testing.TB, b *BarnLog, have *[]Raw, n int) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for begun := false; len(*have) < n; {
		err := error(nil)
		if !begun {
			_, err = b.Begin(ctx, func(string) (events.Position, string, error) {
				if len(*have) == 0 {
					return 0, "", nil
				}
				last := (*have)[len(*have)-1]
				return last.Entry.At, last.Hash, nil
			})
			begun = err == nil
		}
		if err == nil {
			var list []Raw
			list, err = b.Next(ctx)
			*have = append(*have, list...)
			if err == nil {
				_ = b.Ack(ctx) // one that is lost is handed out again
			}
		}
		switch {
		case ctx.Err() != nil:
			t.Fatalf("%d of %d entries came within a minute: %v", len(*have), n, err)
		case errors.Is(err, events.ErrUnavailable):
			begun = false
			select {
			case <-time.After(20 * time.Millisecond):
			case <-ctx.Done():
			}
		case err != nil:
			t.Fatal(err)
		}
	}
}

func checkChain(t testing.TB, l *Log, have []Raw) {
	t.Helper()
	at, hash := l.Last()
	if len(have) != int(at) {
		t.Fatalf("got %d entries, want %d", len(have), at)
	}
	prev := events.NoEntry
	for i, r := range have {
		if r.Entry.At != events.Position(i+1) || r.Entry.Prev != prev || r.Entry.Log != l.ID() {
			t.Fatalf("entry %d: got position %d of log %s after %s", i+1, r.Entry.At, r.Entry.Log, r.Entry.Prev)
		}
		prev = r.Hash
	}
	if prev != hash {
		t.Errorf("newest entry: got hash %s, want %s", prev, hash)
	}
}

// TestHub_ReadsABarnOverAWireThatIsCut has a barn append while the wire to its
// hub is cut and mended: everything arrives once and in order.
func TestHub_ReadsABarnOverAWireThatIsCut(t *testing.T) {
	public, seed := barnKey(t)
	h := startHub(t, Barn{"north", public})
	w := outside.StartWire(t, h.Addr())
	dir := t.TempDir()
	w.Set(true)
	l := open(t, Options{Dir: dir, Hub: &Leaf{URL: "nats-leaf://" + w.Addr(), Barn: "north", NKey: seed}})
	b, err := h.Open("north")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if _, err := b.Begin(t.Context(), nil); !errors.Is(err, events.ErrUnavailable) {
		t.Errorf("before the barn can connect: got %v, want %v", err, events.ErrUnavailable)
	}
	var have []Raw
	for round := range 3 {
		for i := range 30 {
			mustAppend(t, l, entry(fmt.Sprintf("chute-%d", round), 2, 200))
			if i == 10 {
				w.Set(false)
			}
		}
		read(t, b, &have, (round+1)*30)
		w.Set(true)
	}
	checkChain(t, l, have)
	w.Set(false)
	mustAppend(t, l, entry("chute", 1, 100))
	read(t, b, &have, len(have)+1)
	for n := events.Position(0); n != events.Position(len(have)); {
		if n, err = l.HubHas(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	shut(t, l)
	// The folder opens without a hub as well, and with one again.
	l = open(t, Options{Dir: dir})
	mustAppend(t, l, entry("chute", 1, 100))
	shut(t, l)
	l = open(t, Options{Dir: dir, Hub: &Leaf{URL: "nats-leaf://" + w.Addr(), Barn: "north", NKey: seed}})
	read(t, b, &have, len(have)+1)
	checkChain(t, l, have)
}

// TestHub_CanOnlyRead tries what a hub must not be able to do at a barn, and a
// barn at another.
func TestHub_CanOnlyRead(t *testing.T) {
	public, seed := barnKey(t)
	other, _ := barnKey(t)
	h := startHub(t, Barn{"north", public}, Barn{"south", other})
	l := open(t, Options{Dir: t.TempDir(), Hub: &Leaf{URL: "nats-leaf://" + h.Addr(), Barn: "north", NKey: seed}})
	mustAppend(t, l, entry("chute", 1, 100))
	b, err := h.Open("north")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var have []Raw
	read(t, b, &have, 1)

	ask := func(subject, body string) error {
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		m, err := b.nc.RequestWithContext(ctx, subject, []byte(body))
		if err == nil {
			err = fmt.Errorf("answered %s", m.Data)
		}
		return err
	}
	// The control: what a hub may ask is answered.
	if err := ask("$JS.north.API.STREAM.INFO."+b.stream, ""); errors.Is(err, nats.ErrNoResponders) || errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("the way is not open: %v", err)
	}
	for _, subject := range []string{
		subjectPrefix + l.ID(),
		"$JS.north.API.STREAM.DELETE." + b.stream, "$JS.north.API.STREAM.PURGE." + b.stream, "$JS.north.API.STREAM.UPDATE." + b.stream,
		"$JS.north.API.STREAM.CREATE.mine", "$JS.north.API.STREAM.MSG.DELETE." + b.stream, "$JS.north.API.STREAM.SNAPSHOT." + b.stream,
		"$JS.north.API.STREAM.MSG.GET." + b.stream, "$JS.API.STREAM.INFO." + b.stream, "$JS.south.API.STREAM.NAMES",
	} {
		err := ask(subject, "{}")
		if !errors.Is(err, nats.ErrNoResponders) && !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%s: got %v, want no answer", subject, err)
		}
	}
	if at, _ := l.Last(); at != 1 {
		t.Errorf("log of the barn: got position %d, want 1", at)
	}
	if k, err := l.anyLink(); err != nil {
		t.Fatal(err)
	} else if n, err := k.last(t.Context()); err != nil || n != 1 {
		t.Errorf("stream of the barn: got %d entries, %v, want 1", n, err)
	}
	// The other way: what a barn writes to a log's subject is not heard at the hub,
	// nor by another barn's account.
	heard := make(chan *nats.Msg, 8)
	for _, user := range []string{"north", "south"} {
		r, err := h.Open(user)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		for _, subject := range []string{subjectPrefix + ">", "hello." + user} {
			if _, err := r.nc.ChanSubscribe(subject, heard); err != nil {
				t.Fatal(err)
			}
		}
		if err := r.nc.Flush(); err != nil {
			t.Fatal(err)
		}
	}
	k, _ := l.anyLink()
	got := map[string]bool{}
	for !got["hello.north"] { // the control; interest takes its time to get about
		_ = k.nc.Publish(subjectPrefix+"elsewhere", []byte("{}"))
		_ = k.nc.Publish("hello.south", nil)
		_ = k.nc.Publish("hello.north", nil)
		select {
		case m := <-heard:
			got[m.Subject] = true
		case <-time.After(50 * time.Millisecond):
		}
	}
	if len(got) != 1 {
		t.Errorf("heard at the hub: got %v, want hello.north alone", got)
	}
}

// TestHub_KnowsItsBarns refuses a barn with another key.
func TestHub_KnowsItsBarns(t *testing.T) {
	public, _ := barnKey(t)
	_, wrong := barnKey(t)
	h := startHub(t, Barn{"north", public})
	w := outside.StartWire(t, h.Addr())
	l := open(t, Options{Dir: t.TempDir(), Hub: &Leaf{URL: "nats-leaf://" + w.Addr(), Barn: "north", NKey: wrong}})
	for w.Met() < 3 { // it comes again, so the time before it was sent away
		mustAppend(t, l, entry("chute", 1, 100)) // which that must not stop
	}
	if n := h.srv.NumLeafNodes(); n != 0 {
		t.Errorf("got %d barns connected, want none", n)
	}
	if l.HubLinked() {
		t.Error("the barn takes itself for connected")
	}
}

// TestHub_FindsAGap has the hub believe that it has an entry which the barn's log
// does not have so.
func TestHub_FindsAGap(t *testing.T) {
	public, seed := barnKey(t)
	h := startHub(t, Barn{"north", public})
	l := open(t, Options{Dir: t.TempDir(), Hub: &Leaf{URL: "nats-leaf://" + h.Addr(), Barn: "north", NKey: seed}})
	for range 3 {
		mustAppend(t, l, entry("chute", 1, 100))
	}
	b, err := h.Open("north")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var have []Raw
	read(t, b, &have, 3)
	begin := func(pos events.Position, hash string) error {
		_, err := b.Begin(t.Context(), func(string) (events.Position, string, error) { return pos, hash, nil })
		if err == nil {
			_, err = b.Next(t.Context())
		}
		return err
	}
	if err := begin(1, have[2].Hash); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("another hash: got %v, want %v", err, events.ErrCorrupt)
	}
	if err := begin(9, have[2].Hash); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("more than the barn has: got %v, want %v", err, events.ErrCorrupt)
	}
	// A fork of the same length has nothing behind it that would break the chain.
	at := func(hash string) error {
		_, err := b.Begin(t.Context(), func(string) (events.Position, string, error) { return 3, hash, nil })
		return err
	}
	err = at(have[1].Hash)
	for range 20 {
		if !errors.Is(err, events.ErrUnavailable) {
			break
		}
		err = at(have[1].Hash)
	}
	if !errors.Is(err, events.ErrCorrupt) || len(events.Hints(err)) == 0 {
		t.Errorf("a log of the same length with another end: got %v, want %v with hints", err, events.ErrCorrupt)
	}
	err = begin(1, have[0].Hash)
	for range 20 { // its server may still be busy with the consumer of before: tried again, as a hub does
		if !errors.Is(err, events.ErrUnavailable) {
			break
		}
		err = begin(1, have[0].Hash)
	}
	if err != nil {
		t.Errorf("as it is: got %v", err)
	}
}

// TestHub_OverTLS has a barn that knows the hub by its certificate, and one that
// knows another and stays away.
func TestHub_OverTLS(t *testing.T) {
	ca, cert, key := outside.Certificates(t)
	foreign, old, oldKey := outside.Certificates(t)
	public, seed := barnKey(t)
	other, otherSeed := barnKey(t)
	h, err := OpenHub(t.Context(), HubOptions{
		Listen: "127.0.0.1:0", Cert: old, Key: oldKey, Barns: []Barn{{"north", public}, {"south", other}}, Logger: testLogger(t),
		Certificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
			pair, err := tls.LoadX509KeyPair(cert, key)
			return &pair, err
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	w := outside.StartWire(t, h.Addr())
	wrong := open(t, Options{Dir: t.TempDir(), Hub: &Leaf{URL: "tls://" + w.Addr(), Barn: "south", NKey: otherSeed, CA: foreign}})
	l := open(t, Options{Dir: t.TempDir(), Hub: &Leaf{URL: "tls://" + h.Addr(), Barn: "north", NKey: seed, CA: ca}})
	mustAppend(t, l, entry("chute", 1, 100))
	b, err := h.Open("north")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	var have []Raw
	read(t, b, &have, 1)
	checkChain(t, l, have)
	for w.Met() < 3 { // it tried again, so the time before it did not trust the hub
		mustAppend(t, wrong, entry("chute", 1, 100))
	}
	if wrong.HubLinked() {
		t.Error("a barn is connected to a hub whose certificate nothing vouches for")
	}
}
