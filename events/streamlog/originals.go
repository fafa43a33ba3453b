package streamlog

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// Originals go from a barn to its hub through a JetStream object store beside the
// barn's log, in the barn's own domain. The hub says what it wants, again and again;
// the barn puts so much of it into the store as its bound allows, and takes out what
// is no longer wanted: that has arrived. So neither keeps a list of what was sent,
// and a hub that was restored asks for what it lacks again.
//
// The layout is that of object stores of NATS (nats-architecture-and-design, ADR-20):
// chunks on $O.<bucket>.C.<nuid>, then what they are on $O.<bucket>.M.<name>. Chunks are
// stored one after the other here, while the library keeps up to 4,000 of them in
// memory, and read by a pull consumer, since the hub may not ask a barn for single
// messages.
const (
	wantOriginals = "originals"
	originalChunk = 128 << 10
	originalsAt   = 16 << 20 // bytes in the store beyond which nothing is added
	originalsWant = 32       // of one request
	fillFor       = time.Second
	chunksAtOnce  = 8
)

// A wanting is what the hub asks for: hashes of originals, at most originalsWant.
type wanting struct {
	Want []string `json:"want"`
}

// An offer is what the barn answers.
type offer struct {
	Stream string    `json:"stream"`         // of the store
	Have   []offered `json:"have,omitempty"` // what lies in the store, in its order
	None   []string  `json:"none,omitempty"` // what the barn does not have
	More   bool      `json:"more,omitempty"` // some of it is still to be put there: ask again
}

// An offered is one original in the store.
type offered struct {
	Hash   string `json:"hash"`
	NUID   string `json:"nuid"`
	Size   int64  `json:"size"`
	Chunks int    `json:"chunks"`
}

// OfferOriginals gives the hub the originals it asks for, until ctx ends. open opens
// one; its error is of kind [events.ErrNotFound] if there is none. Memory and disk stay
// bounded: of what is on its way 16 MiB, or one original, lie in the store.
func (l *Log) OfferOriginals(ctx context.Context, open func(hash string) (io.ReadCloser, error)) {
	o := &offering{log: l, open: open}
	defer o.drop()
	l.AnswerHub(ctx, wantOriginals, func(ctx context.Context, b []byte) ([]byte, error) {
		var w wanting
		if err := json.Unmarshal(b, &w); err != nil {
			return nil, err
		}
		out, err := o.answer(ctx, w.Want)
		if err != nil {
			o.log.opt.Logger.Debug("originals for the hub", "error", err)
			return nil, err
		}
		return json.Marshal(out)
	})
}

// An offering is the barn's end. One request is answered at a time.
type offering struct {
	log  *Log
	open func(hash string) (io.ReadCloser, error)

	link *link // what the rest was learned over
	s    jetstream.Stream
	name string // of the bucket
	have []offered
	part offered // being put there
	from io.ReadCloser
}

func (o *offering) drop() {
	if o.from != nil {
		_ = o.from.Close()
		o.from = nil
	}
}

func (o *offering) answer(ctx context.Context, want []string) (*offer, error) {
	if len(want) > originalsWant {
		return nil, fmt.Errorf("wanted at most %d originals at once, got %d", originalsWant, len(want))
	}
	if err := o.begin(ctx); err != nil {
		return nil, err
	}
	if err := o.clean(ctx, want); err != nil {
		return nil, err
	}
	out := &offer{Stream: o.s.CachedInfo().Config.Name}
	err := o.fill(ctx, want, out)
	out.Have = o.have
	return out, err
}

// begin takes hold of the store and learns what is in it. What a crash left half
// there is taken out.
func (o *offering) begin(ctx context.Context) error {
	k, err := o.log.anyLink()
	if err != nil || k == o.link {
		return err
	}
	o.drop()
	o.name, o.have = streamPrefix+o.log.id+"-originals", nil
	store, err := k.js.CreateOrUpdateObjectStore(ctx, jetstream.ObjectStoreConfig{
		Bucket: o.name, Description: "dewclaw, originals on their way to the hub", Storage: jetstream.FileStorage,
	})
	if err != nil {
		return unavailable("open the store of originals", err)
	}
	list, err := store.List(ctx)
	if err != nil && !errors.Is(err, jetstream.ErrNoObjectsFound) {
		return unavailable("list the store of originals", err)
	}
	if o.s, err = k.js.Stream(ctx, "OBJ_"+o.name); err != nil {
		return unavailable("open the store of originals", err)
	}
	known := map[string]bool{}
	for _, i := range list {
		o.have = append(o.have, offered{i.Name, i.NUID, int64(i.Size), int(i.Chunks)})
		known[o.chunks(i.NUID)], known[o.meta(i.Name)] = true, true
	}
	info, err := o.s.Info(ctx, jetstream.WithSubjectFilter("$O."+o.name+".>"))
	if err != nil {
		return unavailable("look into the store of originals", err)
	}
	for subject := range info.State.Subjects {
		if !known[subject] {
			if err := o.s.Purge(ctx, jetstream.WithPurgeSubject(subject)); err != nil {
				return unavailable("clean the store of originals", err)
			}
		}
	}
	o.link = k
	return nil
}

func (o *offering) chunks(nuid string) string { return "$O." + o.name + ".C." + nuid }

func (o *offering) meta(hash string) string {
	return "$O." + o.name + ".M." + base64.URLEncoding.EncodeToString([]byte(hash))
}

// clean takes out what is no longer wanted.
func (o *offering) clean(ctx context.Context, want []string) error {
	out := func(x offered) error {
		for _, s := range []string{o.meta(x.Hash), o.chunks(x.NUID)} {
			if err := o.s.Purge(ctx, jetstream.WithPurgeSubject(s)); err != nil {
				return unavailable("clean the store of originals", err)
			}
		}
		return nil
	}
	if o.from != nil && !slices.Contains(want, o.part.Hash) {
		o.drop()
		if err := out(o.part); err != nil {
			return err
		}
	}
	for len(o.have) > 0 {
		i := slices.IndexFunc(o.have, func(x offered) bool { return !slices.Contains(want, x.Hash) })
		if i < 0 {
			return nil
		}
		if err := out(o.have[i]); err != nil {
			return err
		}
		o.have = slices.Delete(o.have, i, i+1)
	}
	return nil
}

// fill puts what is wanted into the store, for a while and up to its bound.
func (o *offering) fill(ctx context.Context, want []string, out *offer) error {
	size := int64(0)
	for _, x := range o.have {
		size += x.Size
	}
	end := o.log.opt.Now().Add(fillFor)
	for _, hash := range want {
		if slices.ContainsFunc(o.have, func(x offered) bool { return x.Hash == hash }) {
			continue
		}
		if size >= originalsAt || o.log.opt.Now().After(end) || o.from != nil && o.part.Hash != hash {
			out.More = true
			continue
		}
		if o.from == nil {
			from, err := o.open(hash)
			if errors.Is(err, events.ErrNotFound) {
				out.None = append(out.None, hash)
				continue
			}
			if err != nil {
				return err
			}
			o.from, o.part = from, offered{Hash: hash, NUID: rand.Text()}
		}
		whole, err := o.put(ctx, end)
		if err != nil {
			o.drop()
			o.link = nil // what is half there is found and taken out
			return err
		}
		if !whole {
			out.More = true
			continue
		}
		size += o.part.Size
		o.have = append(o.have, o.part)
	}
	return nil
}

// put stores chunks of the original at hand until it is whole, or until a time.
func (o *offering) put(ctx context.Context, end time.Time) (whole bool, err error) {
	buf := make([]byte, originalChunk)
	for !o.log.opt.Now().After(end) {
		n, err := io.ReadFull(o.from, buf)
		if n > 0 {
			if _, perr := o.link.js.Publish(ctx, o.chunks(o.part.NUID), buf[:n]); perr != nil {
				return false, unavailable("store an original for the hub", perr)
			}
			o.part.Size += int64(n)
			o.part.Chunks++
		}
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			o.drop()
			return true, o.seal(ctx)
		}
		if err != nil {
			return false, unavailable("read an original for the hub", err)
		}
	}
	return false, nil
}

// seal tells, in the store, what the chunks are.
func (o *offering) seal(ctx context.Context) error {
	sum, err := hex.DecodeString(o.part.Hash)
	if err != nil {
		return err
	}
	m := nats.NewMsg(o.meta(o.part.Hash))
	m.Header.Set(jetstream.MsgRollup, jetstream.MsgRollupSubject)
	m.Data, err = json.Marshal(jetstream.ObjectInfo{
		ObjectMeta: jetstream.ObjectMeta{Name: o.part.Hash, Opts: &jetstream.ObjectMetaOptions{ChunkSize: originalChunk}},
		Bucket:     o.name, NUID: o.part.NUID, Size: uint64(o.part.Size), Chunks: uint32(o.part.Chunks),
		Digest: "SHA-256=" + base64.URLEncoding.EncodeToString(sum),
	})
	if err != nil {
		return err
	}
	if _, err := o.link.js.PublishMsg(ctx, m); err != nil {
		return unavailable("store an original for the hub", err)
	}
	return nil
}

// FetchOriginals asks the barn for originals by their hashes, of which it takes the
// first ones, and has keep keep each: keep proves that the bytes are those of the hash
// and returns when they are on the disk. It returns what the barn does not have.
// With none to ask for, the barn is told that everything has arrived.
//
// A connection that is cut does not begin an original anew; a restart of the hub
// does. Errors are of kind [events.ErrUnavailable] if the barn is away, [ErrNoAnswer]
// too if it gives no originals, and those of keep. Safe for use beside the reading of
// the log, by one goroutine.
func (r *BarnLog) FetchOriginals(ctx context.Context, want []string, keep func(ctx context.Context, hash string, body io.Reader) error) (none []string, err error) {
	f := &fetching{r: r, want: want[:min(len(want), originalsWant)]}
	for {
		out, err := f.ask(ctx)
		if err != nil {
			return none, err
		}
		none = out.None
		if len(out.Have) == 0 {
			if !out.More {
				return none, nil
			}
			continue // it is still putting one there
		}
		for _, x := range out.Have {
			f.x, f.left, f.last = x, x.Chunks, 0
			err := keep(ctx, x.Hash, readerFunc(func(p []byte) (int, error) { return f.read(ctx, p) }))
			f.close()
			if err != nil {
				return none, err
			}
		}
		return none, nil
	}
}

// A fetching reads the chunks of originals. While it has some in memory it has one of
// the hub's slots.
type fetching struct {
	r      *BarnLog
	want   []string
	stream string

	x    offered
	left int // chunks of it
	cons jetstream.Consumer
	last uint64 // sequence of the newest chunk that came
	list []jetstream.Msg
	at   int // bytes of the first of list that were read
	slot bool
}

func (f *fetching) ask(ctx context.Context) (*offer, error) {
	b, err := json.Marshal(wanting{f.want})
	if err != nil {
		return nil, err
	}
	if b, err = f.r.Ask(ctx, wantOriginals, b); err != nil {
		return nil, err
	}
	out := new(offer)
	if err := json.Unmarshal(b, out); err != nil {
		return nil, f.r.away("ask for originals", err)
	}
	out.None = slices.DeleteFunc(out.None, func(h string) bool { return !slices.Contains(f.want, h) })
	out.Have = slices.DeleteFunc(out.Have, func(x offered) bool { return !slices.Contains(f.want, x.Hash) })
	f.stream = out.Stream
	return out, nil
}

// close ends with one original.
func (f *fetching) close() {
	f.list, f.at = nil, 0
	f.release()
	if f.cons == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), askWithin)
	defer cancel()
	_ = f.r.js.DeleteConsumer(ctx, f.stream, f.cons.CachedInfo().Name) // else it ends by itself
	f.cons = nil
}

func (f *fetching) release() {
	if f.slot {
		<-f.r.hub.blobs
		f.slot = false
	}
}

type readerFunc func([]byte) (int, error)

func (f readerFunc) Read(p []byte) (int, error) { return f(p) }

// read gives the bytes of the original at hand.
func (f *fetching) read(ctx context.Context, p []byte) (int, error) {
	for len(f.list) == 0 {
		if f.left == 0 {
			return 0, io.EOF
		}
		if err := f.more(ctx); err != nil {
			return 0, err
		}
	}
	b := f.list[0].Data()
	n := copy(p, b[f.at:])
	if f.at += n; f.at == len(b) {
		f.list, f.at = f.list[1:], 0
		f.left--
	}
	if len(f.list) == 0 {
		f.release()
	}
	return n, nil
}

// more fetches further chunks. When the connection is cut it waits until the barn
// answers again, and goes on where it was if the original still lies there.
func (f *fetching) more(ctx context.Context) error {
	err := f.pull(ctx)
	for tries := 0; err != nil || len(f.list) == 0; tries++ {
		f.cons = nil
		f.release()
		wait := min(100*time.Millisecond<<min(tries, 6), 5*time.Second)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
		out, aerr := f.ask(ctx)
		if aerr != nil {
			continue
		}
		if !slices.Contains(out.Have, f.x) {
			return f.r.away("read an original", fmt.Errorf("%s lies there no more as it did", f.x.Hash))
		}
		err = f.pull(ctx)
		if err == nil && len(f.list) == 0 && tries > 3 {
			return f.r.away("read an original", fmt.Errorf("chunks of %s are missing", f.x.Hash))
		}
	}
	return nil
}

func (f *fetching) pull(ctx context.Context) error {
	if !f.slot {
		select {
		case f.r.hub.blobs <- struct{}{}:
			f.slot = true
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if f.cons == nil {
		within, cancel := context.WithTimeout(ctx, askWithin)
		defer cancel()
		var err error
		f.cons, err = f.r.js.CreateConsumer(within, f.stream, jetstream.ConsumerConfig{
			Description: "originals for the hub", FilterSubject: strings.Replace(f.stream, "OBJ_", "$O.", 1) + ".C." + f.x.NUID,
			DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: f.last + 1, AckPolicy: jetstream.AckNonePolicy,
			MemoryStorage: true, InactiveThreshold: time.Minute,
		})
		if err != nil {
			return err
		}
	}
	list, err := f.r.pull(ctx, func() (jetstream.MessageBatch, error) {
		return f.cons.Fetch(min(chunksAtOnce, f.left), jetstream.FetchMaxWait(hubMore))
	})
	for _, m := range list {
		meta, merr := m.Metadata()
		if merr != nil || meta.Sequence.Stream <= f.last {
			continue
		}
		f.last = meta.Sequence.Stream
		f.list = append(f.list, m)
	}
	if len(f.list) > 0 {
		return nil
	}
	return err
}
