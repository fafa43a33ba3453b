package streamlog

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"dewclaw/events"
)

// HubOptions say where barns connect, and which.
type HubOptions struct {
	Listen    string // host:port of the leaf port; port 0 takes a free one
	Cert, Key string // PEM files; "" for no TLS
	// Certificate answers connections instead of the pair as the files had it at first;
	// nil for that one.
	Certificate func(*tls.ClientHelloInfo) (*tls.Certificate, error)
	Barns       []Barn
	Logger      *slog.Logger // errors of the server; nil discards them
}

// A Barn is a daemon that connects to the hub.
type Barn struct {
	ID   string // its domain
	NKey string // its public NKey, of a user: U and 55 characters
}

// A Hub is a leaf port: a NATS server of its own, apart from the one of the
// log, without JetStream and with no other port. Each barn has an account to
// itself, so it can reach neither the log of the hub nor another barn. Safe for
// use by several goroutines.
type Hub struct {
	srv   *server.Server
	log   *serverLog
	users map[string]string // passwords of the hub's own users, by barn
	slots chan struct{}     // who took one pulls many entries at once
	blobs chan struct{}     // who took one fetches originals
}

// Bounds of what is on its way to a hub. A barn that was away for weeks has
// entries of half a megabyte; many may come back in one morning.
const (
	hubSlots    = 4
	hubPull     = 256      // entries that are handed out together
	hubAtOnce   = 32       // of one request
	hubBytes    = 16 << 20 // before the last request
	hubQueue    = 64       // questions of a barn that wait
	hubConsumer = "dewclaw-hub"
)

// OpenHub opens the leaf port. Errors are of kind [events.ErrInvalid] for
// options that cannot be and [events.ErrUnavailable] if it cannot listen.
func OpenHub(ctx context.Context, opt HubOptions) (*Hub, error) {
	if opt.Logger == nil {
		opt.Logger = slog.New(slog.DiscardHandler)
	}
	h := &Hub{log: &serverLog{logger: opt.Logger}, users: map[string]string{}, slots: make(chan struct{}, hubSlots), blobs: make(chan struct{}, hubSlots)}
	o, err := h.options(&opt)
	if err != nil {
		return nil, err
	}
	if h.srv, err = server.NewServer(o); err != nil {
		return nil, &events.Fault{Kind: events.ErrInvalid, Who: "hub", What: "options of the leaf port", Cause: err}
	}
	h.srv.SetLoggerV2(h.log, false, false, false)
	go h.srv.Start()
	for !h.srv.ReadyForConnections(time.Second) || h.Addr() == "" {
		if cause := ctx.Err(); cause != nil || h.log.failure() != "" {
			text := h.log.failure()
			_ = h.Close()
			if cause == nil {
				cause = errors.New(text)
			}
			return nil, unavailable("open the leaf port "+opt.Listen, cause)
		}
	}
	return h, nil
}

func (h *Hub) options(opt *HubOptions) (*server.Options, error) {
	bad := func(what, wanted, got string, cause error) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: "hub", What: what, Wanted: wanted, Got: got, Cause: cause}
	}
	host, port, err := net.SplitHostPort(opt.Listen)
	number, perr := strconv.Atoi(port)
	if err != nil || perr != nil {
		return nil, bad("listen", "host:port", fmt.Sprintf("%q", opt.Listen), nil)
	}
	if number == 0 {
		number = server.RANDOM_PORT
	}
	o := &server.Options{
		ServerName: "dewclaw-hub", DontListen: true, NoSigs: true, NoLog: true, MaxPayload: maxPayload,
		LeafNode: server.LeafNodeOpts{Host: host, Port: number, IsolateLeafnodeInterest: true},
	}
	pings(o)
	if opt.Cert != "" {
		pair, err := tls.LoadX509KeyPair(opt.Cert, opt.Key)
		if err != nil {
			return nil, bad("tls", "a certificate and its key", opt.Cert, err)
		}
		o.LeafNode.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: opt.Certificate}
		if opt.Certificate == nil {
			o.LeafNode.TLSConfig.Certificates = []tls.Certificate{pair}
		}
		o.LeafNode.TLSTimeout = leafWithin.Seconds()
	}
	for _, b := range opt.Barns {
		if !barnForm.MatchString(b.ID) || h.users[b.ID] != "" {
			return nil, bad("barn", "an id of its own", fmt.Sprintf("%q", b.ID), nil)
		}
		if !nkeys.IsValidPublicUserKey(b.NKey) {
			return nil, bad("nkey of barn "+b.ID, "the public key of a user", "something else", nil)
		}
		h.users[b.ID] = rand.Text()
		account := server.NewAccount("barn-" + b.ID)
		none := &server.SubjectPermission{Deny: []string{subjectPrefix + ">"}}
		o.Accounts = append(o.Accounts, account)
		o.Nkeys = append(o.Nkeys, &server.NkeyUser{
			Nkey: b.NKey, Account: account, AllowedConnectionTypes: map[string]struct{}{"LEAFNODE": {}},
			Permissions: &server.Permissions{Publish: none, Subscribe: none},
		})
		o.Users = append(o.Users, &server.User{
			Username: b.ID, Password: h.users[b.ID], Account: account,
			AllowedConnectionTypes: map[string]struct{}{"IN_PROCESS": {}, "STANDARD": {}},
		})
	}
	return o, nil
}

// Addr returns where the leaf port is, host:port.
func (h *Hub) Addr() string {
	if v, err := h.srv.Varz(nil); err == nil && v.LeafNode.Port > 0 {
		return net.JoinHostPort(v.LeafNode.Host, strconv.Itoa(v.LeafNode.Port))
	}
	return ""
}

// Close ends the port and all connections, within ten seconds.
func (h *Hub) Close() error {
	k := &link{srv: h.srv, log: h.log}
	k.close()
	return nil
}

// A BarnLog reads the log of one barn, in order and without a gap, over its leaf
// connection. Not for use by several goroutines at once.
type BarnLog struct {
	hub  *Hub
	barn string
	nc   *nats.Conn
	js   jetstream.JetStream

	id     string // of the barn's log
	stream string
	last   mark // newest entry handed out
	newest events.Position
	cons   jetstream.Consumer
	fresh  bool      // the consumer was made from last on: a gap is one
	ack    *nats.Msg // its reply acknowledges all that was handed out
}

// Open connects to a barn from within the hub. It does not block: whether the
// barn is there is seen by [BarnLog.Begin]. The error is of kind
// [events.ErrUnavailable].
func (h *Hub) Open(barn string) (*BarnLog, error) {
	nc, err := nats.Connect("", nats.InProcessServer(h.srv), nats.UserInfo(barn, h.users[barn]), nats.Name("dewclaw hub"),
		nats.MaxReconnects(-1), nats.ReconnectBufSize(-1), nats.Timeout(5*time.Second),
		nats.SyncQueueLen(hubQueue), // by default half a megabyte for each subscription, of each barn
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			h.log.logger.Debug("hub connection", "barn", barn, "error", err)
		}))
	if err != nil {
		return nil, unavailable("connect to barn "+barn, err)
	}
	js, err := jetstream.NewWithDomain(nc, barn)
	if err != nil {
		nc.Close()
		return nil, unavailable("connect to barn "+barn, err)
	}
	return &BarnLog{hub: h, barn: barn, nc: nc, js: js}, nil
}

// Close ends the connection.
func (r *BarnLog) Close() error {
	r.nc.Close()
	return nil
}

// Behind returns how many entries the barn has told of that were not handed out
// yet; what it wrote since it went away is not known.
func (r *BarnLog) Behind() int { return int(r.newest - min(r.newest, r.last.pos)) }

// Begin finds the log of the barn and makes ready to read behind what after
// says of a log id: the newest entry that the hub has of it, or 0 and "" for
// none. It returns the id. Errors are of kind [events.ErrUnavailable] if the barn
// is not there, and [events.ErrCorrupt] if its log ends before what the hub has
// of it or has another entry there: it was restored to an older point and went on.
func (r *BarnLog) Begin(ctx context.Context, after func(log string) (events.Position, string, error)) (string, error) {
	short, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	id, err := r.find(short)
	if err != nil {
		return "", err
	}
	pos, hash, err := after(id)
	if err != nil {
		return "", err
	}
	r.id, r.stream, r.last, r.cons = id, streamPrefix+id, mark{pos, hash}, nil
	if pos == 0 {
		r.last = start
	}
	if err := r.consume(short); err != nil {
		return id, err
	}
	return id, r.same(ctx)
}

// find asks for the one log of the barn.
func (r *BarnLog) find(ctx context.Context) (string, error) {
	list := r.js.StreamNames(ctx, jetstream.WithStreamListSubject(subjectPrefix+"*"))
	var ids []string
	for name := range list.Name() {
		if id, ok := strings.CutPrefix(name, streamPrefix); ok && validID(id) {
			ids = append(ids, id)
		}
	}
	if err := list.Err(); err != nil {
		return "", r.away("find its log", err)
	}
	if len(ids) != 1 {
		return "", r.away("find its log", fmt.Errorf("wanted one log, got %d", len(ids)))
	}
	return ids[0], nil
}

func (r *BarnLog) away(what string, err error) error {
	if errors.Is(err, nats.ErrNoResponders) || errors.Is(err, jetstream.ErrJetStreamNotEnabled) {
		err = errAway
	}
	return &events.Fault{Kind: events.ErrUnavailable, Who: "barn " + r.barn, What: what, Cause: err}
}

var errAway = errors.New("it is not connected")

// consume takes hold of the durable consumer of the hub at the barn, which
// must go on behind the last entry; else it is made anew.
func (r *BarnLog) consume(ctx context.Context) error {
	s, err := r.js.Stream(ctx, r.stream)
	if err != nil {
		return r.away("read its log", err)
	}
	if r.newest = events.Position(s.CachedInfo().State.LastSeq); r.newest < r.last.pos {
		return r.forked("end of its log", fmt.Sprintf("position %d, which the hub has", r.last.pos), fmt.Sprintf("position %d", r.newest))
	}
	c, err := s.Consumer(ctx, hubConsumer)
	if err == nil {
		i := c.CachedInfo()
		if i.NumAckPending == 0 && i.AckFloor.Stream == uint64(r.last.pos) && i.Delivered.Stream == uint64(r.last.pos) && r.last.pos > 0 {
			r.cons, r.fresh = c, false
			return nil
		}
		err = s.DeleteConsumer(ctx, hubConsumer)
	}
	if err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
		return r.away("read its log", err)
	}
	c, err = s.CreateConsumer(ctx, jetstream.ConsumerConfig{
		Durable: hubConsumer, Description: "how far the hub has this log",
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: max(uint64(r.last.pos), 1),
		AckPolicy: jetstream.AckAllPolicy, AckWait: time.Minute, MaxDeliver: -1, MaxAckPending: 4 * hubPull,
	})
	if err != nil {
		return r.away("read its log", err)
	}
	r.cons, r.fresh = c, true
	return nil
}

// same holds the entry of the barn at the last position to the hash the hub has of
// it: a consumer that was made anew begins there. The hub's own, which had just that
// acknowledged, has it from this log.
func (r *BarnLog) same(ctx context.Context) error {
	if r.last.pos == 0 || !r.fresh {
		return nil
	}
	list, err := r.pull(ctx, func() (jetstream.MessageBatch, error) {
		return r.cons.Fetch(1, jetstream.FetchMaxWait(hubWait), jetstream.FetchHeartbeat(hubBeat))
	})
	switch {
	case err != nil:
		return err
	case len(list) == 0:
		return r.away("read its log", fmt.Errorf("entry %d did not come", r.last.pos))
	}
	meta, err := list[0].Metadata()
	if err != nil {
		return r.away("read its log", err)
	}
	if at := events.Position(meta.Sequence.Stream); at != r.last.pos {
		return r.damage("entry", fmt.Sprintf("position %d", r.last.pos), fmt.Sprintf("position %d", at))
	}
	if err := r.compare(list[0].Data()); err != nil {
		return err
	}
	r.ack = &nats.Msg{Subject: list[0].Reply()}
	return r.Ack(ctx)
}

// compare holds what the barn has at the last position to what the hub has of it.
func (r *BarnLog) compare(body []byte) error {
	if got := events.EntryHash(body); got != r.last.hash {
		return r.forked(fmt.Sprintf("entry %d", r.last.pos), "hash "+r.last.hash+", which the hub has", "hash "+got)
	}
	return nil
}

// forked says that the log of the barn is no longer the one the hub has read.
func (r *BarnLog) forked(what, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrCorrupt, Who: "barn " + r.barn, Where: "log " + r.id,
		What:   "its log was put back to an older point and is another one from there on: " + what,
		Wanted: wanted, Got: got,
		Hints: []string{
			"nothing more is taken from this barn, and what the hub has stays; at the barn dewclaw verify finds nothing wrong, each log is whole in itself",
			"at the barn: stop it, put its data folder aside (mv data data.aside) and start it with an empty one and the same key: the hub gives back its log, and files that are still in the folders of its sources are read again",
		},
	}
}

func (r *BarnLog) damage(what, wanted, got string) error {
	return &events.Fault{
		Kind: events.ErrCorrupt, Who: "barn " + r.barn, Where: "log " + r.id, What: what, Wanted: wanted, Got: got,
		Hints: []string{"nothing more is taken from this barn; look at its log there: dewclaw verify"},
	}
}

// Next waits until the barn has entries behind those handed out before, and
// returns them in order: each at the position that follows, made for the log
// that Begin found, and naming the hash of the one before it. The entries
// belong to the caller. Errors are of kind [events.ErrUnavailable] if the barn
// has gone or nothing came for a while (Begin again), [events.ErrCorrupt] if
// entries are missing or are not what was written, and [events.ErrInvalid] for
// entries of a newer version.
func (r *BarnLog) Next(ctx context.Context) ([]Raw, error) {
	for {
		list, err := r.fetch(ctx)
		if err != nil {
			return nil, err
		}
		var out []Raw
		for _, m := range list {
			raw, err := r.take(m)
			if errors.Is(err, errGap) && !r.fresh {
				// What lies between may have been given to a reader before this one.
				if len(out) > 0 {
					return out, nil
				}
				if err := r.again(ctx); err != nil {
					return nil, err
				}
				break
			}
			if errors.Is(err, errGap) {
				err = r.damage("entry", fmt.Sprintf("position %d", r.last.pos+1), "a later one")
			}
			if err != nil {
				return out, err
			}
			if raw != nil {
				out = append(out, *raw)
			}
		}
		if len(out) > 0 {
			return out, nil
		}
	}
}

// again makes the consumer anew.
func (r *BarnLog) again(ctx context.Context) error {
	short, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	if err := r.consume(short); err != nil {
		return err
	}
	return r.same(ctx)
}

var errGap = errors.New("a gap")

// fetch waits for one message and then takes what else is there.
func (r *BarnLog) fetch(ctx context.Context) ([]jetstream.Msg, error) {
	first, err := r.pull(ctx, func() (jetstream.MessageBatch, error) {
		return r.cons.Fetch(1, jetstream.FetchMaxWait(hubWait), jetstream.FetchHeartbeat(hubBeat))
	})
	if err != nil || len(first) == 0 {
		return nil, err
	}
	pending := r.behind(first[0])
	if pending == 0 {
		return first, nil
	}
	select {
	case r.hub.slots <- struct{}{}:
		defer func() { <-r.hub.slots }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	size := len(first[0].Data())
	for pending > 0 && size < hubBytes && len(first) < hubPull {
		more, err := r.pull(ctx, func() (jetstream.MessageBatch, error) {
			return r.cons.Fetch(min(pending, hubAtOnce), jetstream.FetchMaxWait(hubMore))
		})
		for _, m := range more {
			size += len(m.Data())
		}
		if first = append(first, more...); len(more) == 0 || err != nil {
			return first, ctx.Err() // what came is taken; the next call meets the rest again
		}
		pending = r.behind(more[len(more)-1])
	}
	return first, nil
}

// behind returns how many entries the barn has behind a message.
func (r *BarnLog) behind(m jetstream.Msg) int {
	meta, err := m.Metadata()
	if err != nil {
		return 0
	}
	r.newest = max(r.newest, events.Position(meta.Sequence.Stream+meta.NumPending))
	return int(meta.NumPending)
}

// How long a request for entries stands at a barn; how often the barn says
// meanwhile that it is there; how long a request for what is there may take.
const (
	hubWait = 30 * time.Second
	hubBeat = 5 * time.Second
	hubMore = 2 * time.Second
)

func (r *BarnLog) pull(ctx context.Context, ask func() (jetstream.MessageBatch, error)) ([]jetstream.Msg, error) {
	batch, err := ask()
	if err != nil {
		return nil, r.away("pull", err)
	}
	var list []jetstream.Msg
	for {
		select {
		case m, ok := <-batch.Messages():
			if ok {
				list = append(list, m)
				continue
			}
			if err := batch.Error(); err != nil && !errors.Is(err, nats.ErrTimeout) {
				return list, r.away("pull", err)
			}
			return list, nil
		case <-ctx.Done():
			return list, ctx.Err()
		}
	}
}

// take checks one message and makes it the last entry handed out; nil for one
// that was handed out before.
func (r *BarnLog) take(m jetstream.Msg) (*Raw, error) {
	meta, err := m.Metadata()
	if err != nil || meta.Stream != r.stream {
		return nil, r.damage("message", "one of stream "+r.stream, m.Subject())
	}
	pos, body := events.Position(meta.Sequence.Stream), m.Data()
	switch {
	case pos == r.last.pos:
		return nil, r.compare(body)
	case pos < r.last.pos:
		return nil, nil
	case pos > r.last.pos+1:
		return nil, errGap
	}
	e, err := events.ParseEntry(body)
	if errors.Is(err, events.ErrInvalid) {
		return nil, err
	}
	if f := wrongEntry(e, err, r.id, mark{pos, r.last.hash}); f != nil {
		return nil, r.damage(f.what, f.wanted, f.got)
	}
	hash := events.EntryHash(body)
	r.last, r.ack = mark{pos, hash}, &nats.Msg{Subject: m.Reply()}
	return &Raw{Entry: e, Hash: hash, Body: body}, nil
}

// Ack tells the barn that the hub has all that was handed out: after the entries
// were appended and synced. It waits for an answer; if none comes the barn
// hands them out again, which Begin passes over.
func (r *BarnLog) Ack(ctx context.Context) error {
	if r.ack == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, askWithin)
	defer cancel()
	_, err := r.nc.RequestWithContext(ctx, r.ack.Subject, []byte("+ACK"))
	if err != nil {
		return r.away("acknowledge", err)
	}
	r.ack = nil
	return nil
}
