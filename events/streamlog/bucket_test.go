package streamlog

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"dewclaw/events"
)

func TestBucket_KeepsTheNewestValue(t *testing.T) {
	x := startExternal(t)
	for name, opt := range map[string]Options{
		"embedded": {}, "by URL": {URL: x.url, Stream: "herd-log"},
	} {
		t.Run(name, func(t *testing.T) {
			opt.Dir = t.TempDir()
			l := open(t, opt)
			b, err := l.Bucket(t.Context(), "cursors")
			if err != nil {
				t.Fatal(err)
			}
			for i := range 30 {
				if err := b.Put(t.Context(), fmt.Sprint("feed/vet.", i%3), fmt.Append(nil, i)); err != nil {
					t.Fatal(err)
				}
			}
			if err := b.Delete(t.Context(), "feed/vet.1"); err != nil {
				t.Fatal(err)
			}
			if err := b.Delete(t.Context(), "never-there"); err != nil {
				t.Errorf("delete a key without value: %v", err)
			}
			if other, err := l.Bucket(t.Context(), "other"); err != nil {
				t.Error(err)
			} else if _, err := other.Get(t.Context(), "feed/vet.0"); !errors.Is(err, events.ErrNotFound) {
				t.Errorf("another bucket: got %v, want not found", err)
			}
			checkBucketHas(t, b)
			shut(t, l)
			for _, opt.ReadOnly = range []bool{true, false} {
				l = open(t, opt)
				if b, err = l.Bucket(t.Context(), "cursors"); err != nil {
					t.Fatal(err)
				}
				checkBucketHas(t, b)
				if err := b.Put(t.Context(), "k", nil); opt.ReadOnly != errors.Is(err, events.ErrInvalid) {
					t.Errorf("put, read-only %t: got %v", opt.ReadOnly, err)
				}
				shut(t, l)
			}
		})
	}
}

func checkBucketHas(t *testing.T, b *Bucket) {
	t.Helper()
	for key, want := range map[string]string{"feed/vet.0": "27", "feed/vet.1": "", "feed/vet.2": "29", "none": ""} {
		v, err := b.Get(t.Context(), key)
		if want == "" && !errors.Is(err, events.ErrNotFound) || want != "" && (err != nil || string(v) != want) {
			t.Errorf("%s: got %q %v, want %q", key, v, err, want)
		}
	}
	keys, err := b.Keys(t.Context())
	if want := []string{"feed/vet.0", "feed/vet.2"}; err != nil || !slices.Equal(keys, want) {
		t.Errorf("keys: got %v %v, want %v", keys, err, want)
	}
}

func TestBucket_RefusesNamesAndKeysThatCannotBe(t *testing.T) {
	l := open(t, Options{Dir: t.TempDir()})
	for _, name := range []string{"", "A", "a b", "a.b", "-a", strings.Repeat("a", 33)} {
		if _, err := l.Bucket(t.Context(), name); !errors.Is(err, events.ErrInvalid) {
			t.Errorf("bucket %q: got %v, want invalid", name, err)
		}
	}
	b, err := l.Bucket(t.Context(), "a")
	if err != nil {
		t.Fatal(err)
	}
	if keys, err := b.Keys(t.Context()); err != nil || len(keys) != 0 {
		t.Errorf("empty bucket: got %v %v", keys, err)
	}
	for _, key := range []string{"", ".a", "a.", "a..b", "a b", "a*", "a>", "ä", "/a", "a\n", strings.Repeat("a", 129)} {
		for what, err := range map[string]error{
			"put": b.Put(t.Context(), key, nil), "delete": b.Delete(t.Context(), key), "get": second(b.Get(t.Context(), key)),
		} {
			if !errors.Is(err, events.ErrInvalid) {
				t.Errorf("%s %q: got %v, want invalid", what, key, err)
			}
		}
	}
	if err := b.Put(t.Context(), "k", make([]byte, maxPayload)); !errors.Is(err, events.ErrInvalid) {
		t.Errorf("large value: got %v, want invalid", err)
	}
}

func second[T any](_ T, err error) error { return err }

// A kill in the middle of the making of a stream leaves half of its
// configuration, which the server passes over for ever.
func TestOpen_MakesAStreamAgainThatWasHalfMade(t *testing.T) {
	for _, prefix := range []string{streamPrefix, bucketStream} {
		t.Run(prefix, func(t *testing.T) {
			dir := t.TempDir()
			l := open(t, Options{Dir: dir})
			if _, err := l.Bucket(t.Context(), "a"); err != nil {
				t.Fatal(err)
			}
			shut(t, l)
			found, err := filepath.Glob(filepath.Join(dir, "jetstream", "$G", "streams", prefix+"*", "meta.sum"))
			if err != nil || len(found) != 1 {
				t.Fatalf("got %v %v", found, err)
			}
			if err := os.Remove(found[0]); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				l := open(t, Options{Dir: dir})
				mustAppend(t, l, entry("s", 1, 100))
				b, err := l.Bucket(t.Context(), "a")
				if err != nil {
					t.Fatal(err)
				}
				if err := b.Put(t.Context(), "k", []byte("v")); err != nil {
					t.Fatal(err)
				}
				if v, err := b.Get(t.Context(), "k"); err != nil || !bytes.Equal(v, []byte("v")) {
					t.Errorf("got %q %v", v, err)
				}
				shut(t, l)
			}
		})
	}
}

// The values of a damaged log's buckets are read from their files.
func TestBucket_OfADamagedLogCanBeRead(t *testing.T) {
	w := wreck{t, t.TempDir()}
	l := open(t, Options{Dir: w.dir})
	mustAppend(t, l, entry("source-1", 1, 100))
	b, err := l.Bucket(t.Context(), "cursors")
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Put(t.Context(), "vet", []byte("17")); err != nil {
		t.Fatal(err)
	}
	shut(t, l)
	w.flip(1, 1, inBody)
	l = open(t, Options{Dir: w.dir})
	if b, err = l.Bucket(t.Context(), "cursors"); err != nil {
		t.Fatal(err)
	}
	if v, err := b.Get(t.Context(), "vet"); err != nil || string(v) != "17" {
		t.Errorf("got %q %v, want 17", v, err)
	}
	if err := b.Put(t.Context(), "vet", []byte("18")); !errors.Is(err, events.ErrCorrupt) {
		t.Errorf("put: got %v, want a corrupt log", err)
	}
}
