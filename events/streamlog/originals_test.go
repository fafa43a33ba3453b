package streamlog

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
	"dewclaw/testdata/outside"
)

// A shelf is the archive of a barn in memory.
type shelf map[string][]byte

func (s shelf) put(b []byte) string {
	sum := sha256.Sum256(b)
	h := hex.EncodeToString(sum[:])
	s[h] = b
	return h
}

func (s shelf) open(hash string) (io.ReadCloser, error) {
	b, ok := s[hash]
	if !ok {
		return nil, &events.Fault{Kind: events.ErrNotFound, What: "original " + hash}
	}
	return io.NopCloser(bytes.NewReader(b)), nil
}

// serve offers what the shelf has until the test or the result ends it.
func serve(t testing.TB, l *Log, s shelf) (end func()) {
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	wg.Go(func() { l.OfferOriginals(ctx, s.open) })
	end = func() { cancel(); wg.Wait() }
	t.Cleanup(end)
	return end
}

// fetchAll asks for originals until each has come or is said not to be there.
func fetchAll(t testing.TB, b *BarnLog, want []string, at func(n int64)) (got shelf, none []string) {
	t.Helper()
	got = shelf{}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for {
		out, err := b.FetchOriginals(ctx, want, func(_ context.Context, hash string, body io.Reader) error {
			var all bytes.Buffer
			n := int64(0)
			for {
				m, err := io.CopyN(&all, body, 64<<10)
				if n += m; at != nil {
					at(n)
				}
				if err == io.EOF {
					break
				}
				if err != nil {
					return err
				}
			}
			if h := got.put(all.Bytes()); h != hash {
				t.Fatalf("got the bytes of %s, want those of %s", h, hash)
			}
			return nil
		})
		if err != nil && !errors.Is(err, events.ErrUnavailable) {
			t.Fatal(err)
		}
		none = append(none, out...)
		var left []string
		for _, h := range want {
			if got[h] == nil && !bytes.Contains([]byte(joined(none)), []byte(h)) {
				left = append(left, h)
			}
		}
		if len(want) == 0 && err == nil {
			return got, none
		}
		want = left
		if ctx.Err() != nil {
			t.Fatalf("%d originals did not come within a minute: %v", len(want), err)
		}
		if err != nil {
			time.Sleep(20 * time.Millisecond)
		}
	}
}

func joined(list []string) (out string) {
	for _, s := range list {
		out += s + " "
	}
	return out
}

// stored is how much lies in the object store of a barn.
func stored(t testing.TB, l *Log) (messages, size uint64) {
	t.Helper()
	k, err := l.anyLink()
	if err != nil {
		t.Fatal(err)
	}
	s, err := k.js.Stream(t.Context(), "OBJ_"+streamPrefix+l.ID()+"-originals")
	if err != nil {
		t.Fatal(err)
	}
	i, err := s.Info(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return i.State.Msgs, i.State.Bytes
}

func noise(n int, seed uint64) []byte {
	b := make([]byte, n)
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

// TestHub_FetchesOriginals has originals of many sizes go to the hub while the wire
// is cut in the middle of one: all come whole, an original that was begun goes on
// where it was, the store of the barn stays within its bound and is empty in the end.
func TestHub_FetchesOriginals(t *testing.T) {
	public, seed := barnKey(t)
	h := startHub(t, Barn{"north", public})
	w := outside.StartWire(t, h.Addr())
	dir := t.TempDir()
	leaf := &Leaf{URL: "nats-leaf://" + w.Addr(), Barn: "north", NKey: seed}
	l := open(t, Options{Dir: dir, Hub: leaf})
	mustAppend(t, l, entry("chute", 1, 100))
	barn, want := shelf{}, []string{}
	for i, size := range []int{0, 1, originalChunk, originalChunk + 1, 700_000, originalsAt + 5, 5 << 20, 3 << 20} {
		want = append(want, barn.put(noise(size, uint64(i))))
	}
	for i := range 40 {
		want = append(want, barn.put(noise(500, uint64(100+i))))
	}
	absent := (shelf{}).put([]byte("what the barn has lost"))
	want = append(want, absent)
	end := serve(t, l, barn)
	b, err := h.Open("north")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()

	cut, most, begun := false, uint64(0), 0
	got, none := fetchAll(t, b, want, func(n int64) {
		if n == 64<<10 {
			begun++
		}
		if _, size := stored(t, l); size > most {
			most = size
		}
		if !cut && n > 4<<20 {
			cut = true
			w.Set(true)
			go func() {
				time.Sleep(200 * time.Millisecond)
				w.Set(false)
			}()
		}
	})
	if len(none) != 1 || none[0] != absent {
		t.Errorf("not there: got %v, want %s alone", none, absent)
	}
	if len(got) != len(want)-1 {
		t.Errorf("got %d originals, want %d", len(got), len(want)-1)
	}
	if !cut {
		t.Fatal("the wire was not cut")
	}
	if begun != 6 {
		t.Errorf("originals of more than a chunk were begun %d times, want 6: one that was cut goes on where it was", begun)
	}
	if most > 2*originalsAt+originalsAt/4 {
		t.Errorf("the store of the barn grew to %d bytes", most)
	}
	if n, size := stored(t, l); n != 0 {
		t.Errorf("in the end %d messages of %d bytes lie in the store of the barn", n, size)
	}

	// What lies half in the store when the barn ends is taken out, and the log is whole.
	k, _ := l.anyLink()
	if _, err := k.js.Publish(t.Context(), "$O."+streamPrefix+l.ID()+"-originals.C.half", noise(1000, 7)); err != nil {
		t.Fatal(err)
	}
	end()
	shut(t, l)
	l = open(t, Options{Dir: dir, Hub: leaf})
	more := barn.put([]byte("one more"))
	serve(t, l, barn)
	if got, _ := fetchAll(t, b, []string{more}, nil); len(got) != 1 {
		t.Errorf("after the barn was started anew: got %d originals, want 1", len(got))
	}
	if n, _ := stored(t, l); n != 0 {
		t.Errorf("%d messages lie in the store of the barn", n)
	}
}

// TestHub_OriginalsCanBeReadAsObjects holds the store to the library: what lies there
// while the hub fetches is an object store of NATS.
func TestHub_OriginalsCanBeReadAsObjects(t *testing.T) {
	public, seed := barnKey(t)
	h := startHub(t, Barn{"north", public})
	l := open(t, Options{Dir: t.TempDir(), Hub: &Leaf{URL: "nats-leaf://" + h.Addr(), Barn: "north", NKey: seed}})
	barn := shelf{}
	hash := barn.put(noise(300_000, 3))
	serve(t, l, barn)
	b, err := h.Open("north")
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if got, _ := fetchAllOnce(t, b, hash); !bytes.Equal(got, barn[hash]) {
		t.Fatal("the hub got something else")
	}
	k, _ := l.anyLink()
	store, err := k.js.ObjectStore(t.Context(), streamPrefix+l.ID()+"-originals")
	if err != nil {
		t.Fatal(err)
	}
	got, err := store.GetBytes(t.Context(), hash) // checks the digest of the object
	if err != nil || !bytes.Equal(got, barn[hash]) {
		t.Errorf("got %d bytes, %v, want those of the original", len(got), err)
	}
	if _, err := b.FetchOriginals(t.Context(), nil, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := store.GetInfo(t.Context(), hash); !errors.Is(err, jetstream.ErrObjectNotFound) {
		t.Errorf("when nothing is wanted any more: got %v, want %v", err, jetstream.ErrObjectNotFound)
	}
}

// fetchAllOnce fetches one original, and says nothing to the barn afterwards.
func fetchAllOnce(t testing.TB, b *BarnLog, hash string) (got []byte, none []string) {
	t.Helper()
	for end := time.Now().Add(time.Minute); got == nil; {
		var err error
		none, err = b.FetchOriginals(t.Context(), []string{hash}, func(_ context.Context, _ string, body io.Reader) (err error) {
			got, err = io.ReadAll(body)
			return err
		})
		if err != nil && (!errors.Is(err, events.ErrUnavailable) || time.Now().After(end)) {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Millisecond)
	}
	return got, none
}
