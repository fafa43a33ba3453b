package mqttport

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"dewclaw/events"
)

// Options say where the port is and what is taken there.
type Options struct {
	Listen    string // host:port; port 0 takes a free one
	Cert, Key string // PEM files; "" for no TLS
	// Certificate answers connections instead of the pair as the files had it at first;
	// nil for that one.
	Certificate func(*tls.ClientHelloInfo) (*tls.Certificate, error)
	Dir         string // where messages wait until they are read; made if it is missing
	Sources     []Source

	// MaxWaiting is how many bytes what waits of a source may take; 0 means 1 GiB.
	// Beyond that nothing is acknowledged until something was read.
	MaxWaiting int64

	Logger *slog.Logger // what devices did wrong, and errors of the server; nil discards them
}

// A Source is what devices send to under its id as user name.
type Source struct {
	ID     string
	Topics []string // topic filters, as [CheckTopics] wants them

	// May reports whether a password lets a device in. It is asked at the connect
	// and once a minute from then on.
	May func(password string) bool
}

// Where a source is read: the stream of its account, and the consumer.
const (
	Stream  = "$MQTT_msgs" // the server keeps messages of QoS 1 and 2 under this name
	Durable = "dewclaw"
)

const (
	prefix      = "$MQTT.msgs." // of the subjects in the stream
	retained    = "$MQTT_rmsgs"
	maxPayload  = 8 << 20
	maxKept     = 16 << 20 // bytes of retained messages of a source
	maxOther    = 64 << 20 // bytes of what else the server keeps for one: sessions, QoS 2 before its release
	defaultMost = 1 << 30
	startWithin = 30 * time.Second // until the server is ready
	stopWithin  = 10 * time.Second
	askWithin   = 10 * time.Second
	askAgain    = time.Minute // until it is asked again whether a device may be there
)

// A Port is an MQTT port. Safe for use by several goroutines at once.
type Port struct {
	o      Options
	secret string // password of our own connections
	stop   context.CancelFunc
	wg     sync.WaitGroup

	opening sync.Mutex // held while the server is started or ended

	mu      sync.Mutex
	srv     *server.Server
	log     *serverLog
	conns   map[string]*nats.Conn // of our own, by source
	devices map[uint64]device
}

// A device is a connection that was let in.
type device struct {
	source   *Source
	password string
}

// Open opens the port. First the server is started without it, and stream and
// consumer of each source are made: when a device can connect, what it sends is
// read. Errors are of kind [events.ErrInvalid] for options that cannot be and
// [events.ErrUnavailable] if the port is taken or the folder cannot be written.
func Open(ctx context.Context, o Options) (*Port, error) {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.MaxWaiting <= 0 {
		o.MaxWaiting = defaultMost
	}
	p := &Port{o: o, secret: rand.Text()}
	if err := p.open(ctx); err != nil {
		return nil, err
	}
	watch, stop := context.WithCancel(context.Background())
	p.stop = stop
	p.wg.Go(func() { p.watch(watch) })
	return p, nil
}

// Close ends the port and all connections, within ten seconds.
func (p *Port) Close() error {
	p.stop()
	p.wg.Wait()
	p.opening.Lock()
	defer p.opening.Unlock()
	p.end()
	return nil
}

// Reopen closes the port and opens it again, after [Port.Failed]. What is
// acknowledged and not read yet is there again. Errors are as those of [Open]; the
// port is closed then.
func (p *Port) Reopen(ctx context.Context) error {
	p.opening.Lock()
	p.end()
	p.opening.Unlock()
	return p.open(ctx)
}

func (p *Port) open(ctx context.Context) error {
	p.opening.Lock()
	defer p.opening.Unlock()
	opts, err := p.options()
	if err != nil {
		return err
	}
	listen := opts.MQTT
	opts.MQTT = server.MQTTOpts{}
	if err = p.start(ctx, opts); err == nil {
		err = p.prepare(ctx)
	}
	p.end()
	if err != nil {
		return err
	}
	if opts, err = p.options(); err != nil {
		return err
	}
	opts.MQTT = listen
	if err = p.start(ctx, opts); err == nil {
		err = p.attend()
	}
	if err != nil {
		p.end()
	}
	return err
}

// running returns the server; nil while there is none.
func (p *Port) running() *server.Server {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.srv
}

// Addr returns where the port is, host:port; "" while it is closed.
func (p *Port) Addr() string {
	srv := p.running()
	if srv == nil {
		return ""
	}
	v, err := srv.Varz(nil)
	if err != nil {
		return ""
	}
	return net.JoinHostPort(v.MQTT.Host, strconv.Itoa(v.MQTT.Port))
}

// InProcessConn returns a connection to the server for whoever reads a source: it
// logs in with the id of the source and with [Port.Password].
func (p *Port) InProcessConn() (net.Conn, error) {
	srv := p.running()
	if srv == nil {
		return nil, unavailable("connect to the server", errClosed)
	}
	return srv.InProcessConn()
}

var errClosed = errors.New("the port is closed")

// Password is that of connections in the process; it is made anew at each Open.
func (p *Port) Password() string { return p.secret }

// Devices is how many devices are connected.
func (p *Port) Devices() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return len(p.devices)
}

// Failed returns the first error of the server that is not of one connection, such
// as a disk that does not write; nil if there was none. After one the server may
// take nothing any more: see [Port.Reopen].
func (p *Port) Failed() error {
	p.mu.Lock()
	log := p.log
	p.mu.Unlock()
	if log == nil {
		return unavailable("keep messages", errClosed)
	}
	if text := log.failure(); text != "" {
		return unavailable("keep messages", errors.New(text))
	}
	return nil
}

// Waiting is how many messages of a source are acknowledged and not read yet.
func (p *Port) Waiting(ctx context.Context, source string) (int, error) {
	p.mu.Lock()
	nc := p.conns[source]
	p.mu.Unlock()
	if nc == nil {
		return 0, unavailable("look at what waits of source "+source, errClosed)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		return 0, unavailable("look at what waits of source "+source, err)
	}
	s, err := js.Stream(ctx, Stream)
	if err != nil {
		return 0, unavailable("look at what waits of source "+source, err)
	}
	return int(s.CachedInfo().State.Msgs), nil
}

const who = "MQTT port"

func unavailable(what string, err error) error {
	return &events.Fault{Kind: events.ErrUnavailable, Who: who, What: what, Cause: err}
}

func (p *Port) options() (*server.Options, error) {
	bad := func(what, wanted, got string, cause error) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: who, What: what, Wanted: wanted, Got: got, Cause: cause}
	}
	host, port, err := net.SplitHostPort(p.o.Listen)
	number, perr := strconv.Atoi(port)
	if err != nil || perr != nil {
		return nil, bad("listen", "host:port", strconv.Quote(p.o.Listen), nil)
	}
	if number == 0 {
		number = server.RANDOM_PORT
	}
	o := &server.Options{}
	// Accounts with their share of the store can be said in the server's own
	// language only.
	var b strings.Builder
	b.WriteString("accounts {\n")
	for _, s := range p.o.Sources {
		if err := CheckTopics("source "+s.ID, s.Topics); err != nil {
			return nil, err
		}
		fmt.Fprintf(&b, "%s { jetstream { max_store: %d, max_mem: 1048576 } }\n", strconv.Quote(account(s.ID)), p.o.MaxWaiting+maxKept+maxOther)
	}
	b.WriteString("}\n")
	if err := o.ProcessConfigString(b.String()); err != nil {
		return nil, bad("sources", "ids", "others", err)
	}
	o.ServerName, o.DontListen, o.NoSigs, o.NoLog, o.MaxPayload = "dewclaw-mqtt", true, true, true, maxPayload
	o.JetStream, o.StoreDir, o.SyncAlways, o.DisableJetStreamBanner = true, p.o.Dir, true, true
	o.JetStreamMaxStore, o.JetStreamMaxMemory = 1<<60, 16<<20 // else they follow the free disk and memory
	o.CustomClientAuthentication = p
	o.MQTT = server.MQTTOpts{Host: host, Port: number}
	if p.o.Cert != "" {
		pair, err := tls.LoadX509KeyPair(p.o.Cert, p.o.Key)
		if err != nil {
			return nil, bad("tls", "a certificate and its key", p.o.Cert, err)
		}
		o.MQTT.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: p.o.Certificate}
		if p.o.Certificate == nil {
			o.MQTT.TLSConfig.Certificates = []tls.Certificate{pair}
		}
		o.MQTT.TLSTimeout = askWithin.Seconds()
	}
	return o, nil
}

func account(source string) string { return "source-" + source }

// start starts the server.
func (p *Port) start(ctx context.Context, o *server.Options) error {
	srv, err := server.NewServer(o)
	if err != nil {
		return &events.Fault{Kind: events.ErrInvalid, Who: who, What: "options of the server", Cause: err}
	}
	log := &serverLog{srv: srv, logger: p.o.Logger}
	srv.SetLoggerV2(log, false, false, false)
	p.mu.Lock()
	p.srv, p.log, p.conns, p.devices = srv, log, map[string]*nats.Conn{}, map[uint64]device{}
	p.mu.Unlock()
	go srv.Start()
	ctx, cancel := context.WithTimeout(ctx, startWithin)
	defer cancel()
	for !srv.ReadyForConnections(time.Second) {
		cause := ctx.Err()
		if text := log.failure(); text != "" {
			cause = errors.New(text)
		}
		if cause != nil {
			return unavailable("open "+p.o.Listen, cause)
		}
	}
	return nil
}

// end ends our own connections and the server, if there is one.
func (p *Port) end() {
	p.mu.Lock()
	srv, conns := p.srv, p.conns
	p.srv, p.log, p.conns, p.devices = nil, nil, nil, nil
	p.mu.Unlock()
	if srv == nil {
		return
	}
	for _, nc := range conns {
		nc.Close()
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		srv.Shutdown()
		srv.WaitForShutdown()
	}()
	select {
	case <-done:
	case <-time.After(stopWithin):
		p.o.Logger.Error("MQTT server did not stop", "within", stopWithin)
	}
}

// connect makes a connection of our own to the account of a source.
func (p *Port) connect(source string) (*nats.Conn, jetstream.JetStream, error) {
	nc, err := nats.Connect("", nats.InProcessServer(p), nats.UserInfo(source, p.secret), nats.Name("dewclaw MQTT port"),
		nats.Timeout(askWithin), nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			p.o.Logger.Error("MQTT port", "source", source, "error", err)
		}))
	if err != nil {
		return nil, nil, unavailable("connect to the server", err)
	}
	p.mu.Lock()
	p.conns[source] = nc
	p.mu.Unlock()
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncErrHandler(func(_ jetstream.JetStream, m *nats.Msg, err error) {
		p.lost(source, m, err)
	}))
	if err != nil {
		return nil, nil, unavailable("connect to the server", err)
	}
	return nc, js, nil
}

// lost tells of a message that has no answer and was not kept.
func (p *Port) lost(source string, m *nats.Msg, err error) {
	p.o.Logger.Warn("a message of QoS 0 is lost", "source", source, "topic", Topic(m.Subject), "why", err)
}

// prepare makes stream and consumer of each source.
func (p *Port) prepare(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, startWithin)
	defer cancel()
	for i := range p.o.Sources {
		s := &p.o.Sources[i]
		_, js, err := p.connect(s.ID)
		if err != nil {
			return err
		}
		if err := s.prepare(ctx, js, p.o.MaxWaiting); err != nil {
			return unavailable("make ready for source "+s.ID, err)
		}
	}
	return nil
}

func (s *Source) prepare(ctx context.Context, js jetstream.JetStream, most int64) error {
	c := jetstream.StreamConfig{
		Name: Stream, Storage: jetstream.FileStorage, Retention: jetstream.WorkQueuePolicy, Discard: jetstream.DiscardNew, MaxBytes: most,
	}
	for _, t := range s.Topics {
		for _, subject := range subjects(t) {
			c.Subjects = append(c.Subjects, prefix+subject)
		}
	}
	if _, err := js.CreateOrUpdateStream(ctx, c); err != nil {
		return err
	}
	// What is retained is read by nobody: it must not fill the store.
	_, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: retained, Subjects: []string{"$MQTT.rmsgs.>"}, Storage: jetstream.FileStorage, MaxMsgsPerSubject: 1,
		Discard: jetstream.DiscardOld, MaxBytes: maxKept,
	})
	if err != nil {
		return err
	}
	_, err = js.CreateConsumer(ctx, Stream, jetstream.ConsumerConfig{
		Durable: Durable, Description: "how far the daemon has read", AckPolicy: jetstream.AckExplicitPolicy, MaxDeliver: -1,
	})
	if errors.Is(err, jetstream.ErrConsumerExists) {
		return nil // as its reader has set it
	}
	return err
}

// attend answers for topics that nobody reads, and puts messages of QoS 0 into the
// stream.
func (p *Port) attend() error {
	for i := range p.o.Sources {
		s := &p.o.Sources[i]
		nc, js, err := p.connect(s.ID)
		if err != nil {
			return err
		}
		var list []string
		for _, t := range s.Topics {
			list = append(list, subjects(t)...)
		}
		_, err = nc.Subscribe(prefix+">", func(m *nats.Msg) { p.refuse(s, list, m) })
		for _, subject := range list {
			if err == nil {
				_, err = nc.Subscribe(subject, func(m *nats.Msg) { p.bestEffort(s, js, m) })
			}
		}
		if err == nil {
			err = nc.FlushTimeout(askWithin)
		}
		if err != nil {
			return unavailable("make ready for source "+s.ID, err)
		}
	}
	return nil
}

// notRead is what a stream would say that does not take a message.
const notRead = `{"type":"io.nats.jetstream.api.v1.pub_ack_response","error":{"code":400,"err_code":10003,"description":"nobody reads this topic"},"stream":"","seq":0}`

// refuse answers on behalf of the stream for a message that it does not take.
func (p *Port) refuse(s *Source, list []string, m *nats.Msg) {
	subject := strings.TrimPrefix(m.Subject, prefix)
	if covered(subject, list) {
		return
	}
	p.o.Logger.Warn("a message is refused: nobody reads its topic", "source", s.ID, "topic", Topic(subject), "read are", s.Topics,
		"hint", "let the device send to one of these, or add its topic to the source")
	if m.Reply != "" {
		_ = m.Respond([]byte(notRead)) // else the server gives up waiting by itself
	}
}

// bestEffort keeps a message that has no answer.
func (p *Port) bestEffort(s *Source, js jetstream.JetStream, m *nats.Msg) {
	if m.Header.Get("Nmqtt-Pub") != "0" {
		return // the server keeps it
	}
	if _, err := js.PublishMsgAsync(&nats.Msg{Subject: prefix + m.Subject, Header: m.Header, Data: m.Data}); err != nil {
		p.lost(s.ID, m, err)
	}
}

// forbidden are subjects that a device must not reach: they are the server's own.
var forbidden = []string{"$MQTT.>", "$JS.>", "$SYS.>", "$SRV.>", "$JSC.>", "$NRG.>", "$KV.>", "$O.>", "_INBOX.>", "_R_.>", "_GR_.>"}

// Check lets a connection in: ours, or a device that shows the id of a source and a
// password for it. It implements [server.Authentication].
func (p *Port) Check(c server.ClientAuthentication) bool {
	o := c.GetOpts()
	for i := range p.o.Sources {
		s := &p.o.Sources[i]
		if s.ID != o.Username {
			continue
		}
		ours := subtle.ConstantTimeCompare([]byte(o.Password), []byte(p.secret)) == 1
		if !ours && !s.May(o.Password) {
			break
		}
		return p.enter(c, s, ours)
	}
	p.o.Logger.Warn("a device is refused", "from", c.RemoteAddress(), "user", o.Username,
		"hint", "its user name is the id of a source, its password a token for it: dewclaw token NAME --source ID")
	return false
}

// enter binds a connection to the account of a source. It reports whether there is
// a server still.
func (p *Port) enter(c server.ClientAuthentication, s *Source, ours bool) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.srv == nil {
		return false
	}
	a, err := p.srv.LookupAccount(account(s.ID))
	if err != nil {
		return false
	}
	u := &server.User{Username: s.ID, Account: a}
	if !ours {
		u.Permissions = &server.Permissions{
			Publish: &server.SubjectPermission{Deny: forbidden}, Subscribe: &server.SubjectPermission{Deny: []string{">"}},
		}
		p.devices[c.GetID()] = device{s, c.GetOpts().Password}
	}
	c.RegisterUser(u)
	return true
}

// watch ends connections of devices whose password does not hold any more, and
// forgets those that have gone.
func (p *Port) watch(ctx context.Context) {
	t := time.NewTicker(time.Second)
	defer t.Stop()
	for last := time.Now(); ; {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
		}
		again := time.Since(last) >= askAgain
		if again {
			last = time.Now()
		}
		p.look(again)
	}
}

func (p *Port) look(again bool) {
	p.mu.Lock()
	srv, list := p.srv, maps.Clone(p.devices)
	p.mu.Unlock()
	for id, d := range list {
		switch {
		case srv.GetClient(id) == nil:
			p.mu.Lock()
			if p.srv == srv {
				delete(p.devices, id)
			}
			p.mu.Unlock()
		case again && !d.source.May(d.password):
			p.o.Logger.Warn("the token of a device does not hold any more", "source", d.source.ID)
			_ = srv.DisconnectClientByID(id) // it may have gone
		}
	}
}
