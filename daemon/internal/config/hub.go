package config

import (
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"dewclaw/events"
)

// A Hub is one of two things. With a URL it is the daemon that reads this one's
// log, so that this one is a barn; with Listen this one reads those of its barns.
type Hub struct {
	URL       string // of the hub's leaf port, nats-leaf:// or tls://
	Barn      string // id of this daemon at the hub
	NKey      string // file with the seed of its NKey
	Recipient string // who the hub is, for grants
	CA        string // file with the certificates that vouch for the hub; "" for the system's
	New       bool   // it never was at the hub, and may begin with an empty log before it reaches it
	Takes     []Take // what it takes of what the hub gives it
	Originals bool   // the hub may have the originals too: every column of every row

	Listen      string // host:port of the leaf port
	Cert, Key   string // TLS files; both or none
	Unencrypted bool   // no TLS although others than this machine can reach it
	Barns       []Barn
}

// A Barn is a daemon that connects to this one, its hub.
type Barn struct {
	ID    string
	Farms []string // it may send what is of these
	NKey  string   // its public NKey
	Gives []Give   // what it may have
}

// A Give is something that a hub has for a barn; one of the three is set.
type Give struct {
	ID      string // the barn takes it by this name
	Feed    string // files of a feed into a folder; what came from the barn itself is left out of it
	List    string // the newest file of a daily list
	Mapping string // a mapping file
}

// A Take is something that a barn takes from its hub; one of the two is set.
type Take struct {
	ID      string // name of the give
	Folder  string // where files go
	Mapping string // mapping file of direction in that the one of the hub takes the place of
}

// hubGrants returns the grants of a farm under which a hub may have all of its
// events: a log is read whole or not at all.
func (c *Config) hubGrants(farm string) []*Grant {
	var out []*Grant
	for i := range c.Grants {
		g := &c.Grants[i]
		if g.Farm == farm && g.Recipient == c.Hub.Recipient && g.Fields == Identities && g.Period == (Period{}) {
			out = append(out, g)
		}
	}
	return out
}

// HubLacks says which kinds of events of a farm no grant lets the hub have on a
// day (YYYY-MM-DD in the farm's zone), or on any if day is "".
func (c *Config) HubLacks(farm, day string) []events.Kind {
	list := c.hubGrants(farm)
	var missing []events.Kind
	for _, k := range events.Kinds() {
		if !slices.ContainsFunc(list, func(g *Grant) bool { return slices.Contains(g.Kinds, k) && (day == "" || g.InForce(day)) }) {
			missing = append(missing, k)
		}
	}
	return missing
}

var hubMembers = []member[Hub]{
	{"url", false, func(r *reader, v value, h *Hub) { h.URL = r.leafURL(v) }},
	{"barn", false, func(r *reader, v value, h *Hub) { h.Barn = r.id(v) }},
	{"nkey", false, func(r *reader, v value, h *Hub) { h.NKey = r.path(v) }},
	{"recipient", false, func(r *reader, v value, h *Hub) { h.Recipient = r.id(v) }},
	{"takes", false, func(r *reader, v value, h *Hub) { h.Takes = entries(r, v, r.takes) }},
	{"new", false, func(r *reader, v value, h *Hub) { h.New = r.truth(v) }},
	{"originals", false, func(r *reader, v value, h *Hub) { h.Originals = r.truth(v) }},
	{"listen", false, func(r *reader, v value, h *Hub) { h.Listen = r.address(v) }},
	{"tls", false, func(r *reader, v value, h *Hub) { object(r, v, hubTLSMembers, h) }},
	{"unencrypted", false, func(r *reader, v value, h *Hub) { h.Unencrypted = r.truth(v) }},
	{"barns", false, func(r *reader, v value, h *Hub) { h.Barns = entries(r, v, r.barn) }},
}

var hubTLSMembers = []member[Hub]{
	{"ca", false, func(r *reader, v value, h *Hub) { h.CA = r.path(v) }},
	{"cert", false, func(r *reader, v value, h *Hub) { h.Cert = r.path(v) }},
	{"key", false, func(r *reader, v value, h *Hub) { h.Key = r.path(v) }},
}

var barnMembers = []member[Barn]{
	{"farms", true, func(r *reader, v value, b *Barn) { b.Farms = r.texts(v, r.id) }},
	{"nkey", true, func(r *reader, v value, b *Barn) { b.NKey = r.nkey(v) }},
	{"gives", false, func(r *reader, v value, b *Barn) { b.Gives = entries(r, v, r.gives) }},
}

var giveMembers = []member[Give]{
	{"feed", false, func(r *reader, v value, g *Give) { g.Feed = r.id(v) }},
	{"list", false, func(r *reader, v value, g *Give) { g.List = r.id(v) }},
	{"mapping", false, func(r *reader, v value, g *Give) { g.Mapping = r.path(v) }},
}

var takeMembers = []member[Take]{
	{"folder", false, func(r *reader, v value, x *Take) { x.Folder = r.path(v) }},
	{"mapping", false, func(r *reader, v value, x *Take) { x.Mapping = r.path(v) }},
}

func (r *reader) gives(id string, v value) Give {
	g := Give{ID: id}
	object(r, v, giveMembers, &g)
	return g
}

func (r *reader) takes(id string, v value) Take {
	x := Take{ID: id}
	object(r, v, takeMembers, &x)
	return x
}

func (r *reader) hub(v value) Hub {
	var h Hub
	object(r, v, hubMembers, &h)
	return h
}

func (r *reader) barn(id string, v value) Barn {
	b := Barn{ID: id}
	object(r, v, barnMembers, &b)
	return b
}

// leafURL reads the address of a leaf port.
func (r *reader) leafURL(v value) string {
	s := r.url(v, "nats-leaf", "tls")
	if u, err := url.Parse(s); s != "" && (err != nil || u.Port() == "") {
		r.wrong(v, "a URL with a port, such as tls://hub.example:7422", quote(s))
		return ""
	}
	return s
}

var nkeyForm = regexp.MustCompile(`^U[A-Z2-7]{55}$`)

// nkey reads a public NKey of a user. What stands there instead may be a seed and
// is never repeated.
func (r *reader) nkey(v value) string {
	s := r.text(v)
	if s != "" && !nkeyForm.MatchString(s) {
		r.wrong(v, "a public NKey: U and 55 letters and digits", "something else", "make a pair at the barn: dewclaw barn-key FILE")
		return ""
	}
	return s
}

// checkHub looks at what hub says of farms, recipients and grants.
func (r *reader) checkHub(c *Config) {
	h := &c.Hub
	if !r.has("hub") || !r.one("hub", "url", "listen") {
		return
	}
	barn := []string{"barn", "nkey", "recipient"}
	hub := []string{"barns", "unencrypted", "tls.cert", "tls.key"}
	if r.has("hub.listen") {
		r.only("listen", []string{"barns"}, append(barn, "tls.ca", "originals", "new", "takes"))
		r.checkBarns(c)
		return
	}
	r.only("url", barn, hub)
	if strings.HasPrefix(h.URL, "nats-leaf:") && r.has("hub.tls") {
		r.fault("hub.tls", "a URL that begins with tls://", quote(h.URL))
	}
	if u, err := url.Parse(h.URL); err == nil && u.Scheme == "nats-leaf" && !isLoopback(net.JoinHostPort(u.Hostname(), "0")) {
		r.fault("hub.url", "tls://, unless the hub is on this machine", quote(h.URL))
	}
	if c.Log.URL != "" {
		r.fault("hub", "the embedded log: only its server can connect to a hub", "an external log")
	}
	for i := range h.Takes {
		r.one("hub.takes."+h.Takes[i].ID, "folder", "mapping")
	}
	if h.Recipient == "" {
		return
	}
	r.checkRecipient(c, "hub.recipient", h.Recipient)
	for i := range c.Farms {
		farm := c.Farms[i].ID
		if list := c.HubLacks(farm, ""); len(list) > 0 {
			var kinds []string
			for _, k := range list {
				kinds = append(kinds, string(k))
			}
			r.fault("hub", fmt.Sprintf("a grant of farm %s that lets recipient %s have %s, with identities and for any time", farm, h.Recipient, strings.Join(kinds, ", ")), "none",
				"a hub reads the whole log; ask the farm; if it agrees, add under grants:",
				fmt.Sprintf("  - {farm: %s, recipient: %s, purpose: \"…\", kinds: [%s], fields: identities, from: YYYY-MM-DD}", farm, h.Recipient, strings.Join(kinds, ", ")))
		}
	}
}

// only wants some keys of the hub beside another, and some not.
func (r *reader) only(beside string, must, never []string) {
	for _, k := range must {
		if !r.has("hub." + k) {
			r.fault("hub", k+" beside "+beside, "none")
		}
	}
	for _, k := range never {
		if r.has("hub." + k) {
			r.fault("hub."+k, "it only without "+beside, "both")
		}
	}
}

func (r *reader) checkBarns(c *Config) {
	h := &c.Hub
	if r.has("hub.tls.cert") != r.has("hub.tls.key") {
		r.fault("hub.tls", "cert and key together", "one of them")
	}
	if h.Listen != "" && h.Cert == "" && !h.Unencrypted && !isLoopback(h.Listen) {
		r.fault("hub.listen", "an address of this machine only (127.0.0.1), or tls", quote(h.Listen),
			"add tls: {cert: …, key: …}; or unencrypted: true if something before it speaks TLS")
	}
	keys := map[string]string{}
	for i := range h.Barns {
		b := &h.Barns[i]
		path := "hub.barns." + b.ID
		for _, f := range b.Farms {
			r.checkFarm(c, path+".farms", f)
		}
		for i := range b.Gives {
			r.checkGive(c, b, &b.Gives[i])
		}
		if other, twice := keys[b.NKey]; twice && b.NKey != "" {
			r.fault(path+".nkey", "a key of its own", "that of barn "+other)
		}
		keys[b.NKey] = b.ID
	}
}

// checkGive wants a give to be of the farms of its barn. What a barn gets as a feed
// must not come from itself: it would send it again for ever.
func (r *reader) checkGive(c *Config, b *Barn, g *Give) {
	path := "hub.barns." + b.ID + ".gives." + g.ID
	if !r.one(path, "feed", "list", "mapping") {
		return
	}
	only := func(key string, farms []string) {
		for _, f := range farms {
			if !slices.Contains(b.Farms, f) {
				r.fault(path+"."+key, "one of farms "+strings.Join(b.Farms, ", ")+" only", "one of farm "+f)
			}
		}
	}
	switch f, l := c.Feed(g.Feed), c.List(g.List); {
	case g.Feed != "" && (f == nil || f.Folder == ""):
		r.fault(path+".feed", "a feed of this file that goes into a folder", quote(g.Feed))
	case g.Feed != "":
		only("feed", f.Farms)
		f.Without = append(f.Without, b.ID)
	case g.List != "" && l == nil:
		r.fault(path+".list", "a list of this file", quote(g.List))
	case g.List != "":
		only("list", []string{l.Farm})
	}
}
