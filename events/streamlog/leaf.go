package streamlog

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"os"
	"regexp"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"

	"dewclaw/events"
)

// A Leaf is how a barn's embedded server connects to its hub: as a leaf node,
// with a JetStream domain named after the barn. It opens no port; the barn goes
// on without the hub for as long as there is none.
//
// What crosses the connection is what reading a log takes, and no more: see
// denied. The server answers no request from the hub that changes a stream.
type Leaf struct {
	URL  string // of the hub's leaf port: nats-leaf://host:port, or tls://host:port
	Barn string // id of the barn at the hub; its domain
	NKey string // file with the seed of the barn's NKey
	CA   string // PEM file with what vouches for the hub; "" for the system's
}

var barnForm = regexp.MustCompile(`^[a-z][a-z0-9-]{0,62}$`)

// apply makes a leaf node of what the options are for. A nil leaf changes nothing.
func (f *Leaf) apply(o *server.Options) error {
	if f == nil {
		return nil
	}
	bad := func(what, wanted, got string, cause error) error {
		return &events.Fault{Kind: events.ErrInvalid, Who: "hub", What: what, Wanted: wanted, Got: got, Cause: cause}
	}
	u, err := url.Parse(f.URL)
	if err != nil || u.Hostname() == "" || u.Port() == "" || u.User != nil || u.Scheme != "nats-leaf" && u.Scheme != "tls" {
		return bad("url", "nats-leaf://host:port, or tls://host:port", "something else", nil)
	}
	if !barnForm.MatchString(f.Barn) {
		return bad("barn", "lower-case letters, digits and hyphens", fmt.Sprintf("%q", f.Barn), nil)
	}
	seed, err := readSeed(f.NKey)
	if err != nil {
		return bad("nkey", "a file with the seed of an NKey of a user", f.NKey, err)
	}
	r := &server.RemoteLeafOpts{
		URLs: []*url.URL{u}, Nkey: seed, DialTimeout: leafWithin, FirstInfoTimeout: leafWithin,
		DenyImports: denied(f.Barn), DenyExports: []string{subjectPrefix + ">"}, IgnoreDiscoveredServers: true,
	}
	if u.Scheme == "tls" {
		c := &tls.Config{MinVersion: tls.VersionTLS12, ServerName: u.Hostname()}
		if f.CA != "" {
			if c.RootCAs, err = certificates(f.CA); err != nil {
				return bad("ca", "a PEM file with certificates", f.CA, err)
			}
		}
		r.TLS, r.TLSConfig = true, c
	}
	o.JetStreamDomain = f.Barn
	pings(o)
	o.LeafNode = server.LeafNodeOpts{Remotes: []*server.RemoteLeafOpts{r}, ReconnectInterval: time.Second}
	return nil
}

// leafWithin is how long a hub may take to answer a new connection: the way may
// be a mobile network.
const leafWithin = 10 * time.Second

// pings has a server find within 45 s that the other end of a connection is gone
// though nobody said so: an unplugged cable, a mobile network that gave out a new
// address. The server's own setting takes six minutes.
func pings(o *server.Options) {
	o.PingInterval, o.MaxPingsOut = 15*time.Second, 2
}

// denied are the subjects no message may come in on from the hub: those of logs
// and buckets, and requests that change or copy a stream. A hub may ask which
// stream there is and how long it is, make its consumer, pull and acknowledge.
func denied(domain string) []string {
	list := []string{subjectPrefix + ">", "$KV.>", "$O.>", "$SYS.>", "$JS.API.>"}
	for _, op := range []string{
		"STREAM.CREATE.>", "STREAM.UPDATE.>", "STREAM.DELETE.>", "STREAM.PURGE.>", "STREAM.MSG.>", "STREAM.RESTORE.>", "STREAM.SNAPSHOT.>",
		"STREAM.PEER.>", "STREAM.LEADER.>", "STREAM.TEMPLATE.>", "DIRECT.>", "META.>", "SERVER.>", "ACCOUNT.>",
	} {
		list = append(list, "$JS."+domain+".API."+op)
	}
	return list
}

// readSeed reads the seed of an NKey. Nothing of the file may be told.
func readSeed(file string) (string, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return "", err
	}
	defer clear(b)
	key, err := nkeys.ParseDecoratedUserNKey(b)
	if err != nil {
		return "", errors.New("no seed of a user")
	}
	defer key.Wipe()
	seed, err := key.Seed()
	return string(seed), err
}

// NewBarnKey makes the NKey of a barn: its seed, which is a secret, and its public
// key.
func NewBarnKey() (seed []byte, public string, err error) {
	key, err := nkeys.CreateUser()
	if err != nil {
		return nil, "", err
	}
	defer key.Wipe() // which wipes what Seed returns
	if seed, err = key.Seed(); err != nil {
		return nil, "", err
	}
	seed = bytes.Clone(seed)
	public, err = key.PublicKey()
	return seed, public, err
}

func certificates(file string) (*x509.CertPool, error) {
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, errors.New("no certificate in it")
	}
	return pool, nil
}

// HubLinked reports whether the connection to the hub stands now.
func (l *Log) HubLinked() bool {
	k, err := l.anyLink()
	return err == nil && k.srv != nil && l.opt.Hub != nil && k.srv.NumLeafNodes() > 0
}

// HubHas returns up to which position the hub has said that it has the log; 0 if
// it never has. The error is of kind [events.ErrUnavailable].
func (l *Log) HubHas(ctx context.Context) (events.Position, error) {
	k, err := l.anyLink()
	if err != nil || k.stream == nil {
		return 0, errors.Join(err, errNoServer)
	}
	list := k.stream.ListConsumers(ctx)
	has := events.Position(0)
	for c := range list.Info() {
		if c.Name == hubConsumer {
			has = events.Position(c.AckFloor.Stream)
		}
	}
	if err := list.Err(); err != nil {
		return 0, unavailable("ask how far the hub is", err)
	}
	return has, nil
}
