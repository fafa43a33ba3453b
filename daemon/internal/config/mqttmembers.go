package config

import (
	"net/url"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
)

// A Broker is an MQTT broker and how to log in to it. Of the server no Creds,
// NKey or Token is set.
type Broker struct {
	Server
	Version string // of MQTT: "5" or "3.1.1"; never empty
	Client  string // client id; "dewclaw-" and the id of source or feed if none is given
}

// An MQTTSource are topics of an MQTT broker that are read in a session of their own.
type MQTTSource struct {
	Broker
	Topics   []string      // topic filters; at least one
	QoS      int           // asked for: 0, 1 or 2
	Session  time.Duration // how long the broker keeps the session while nobody is connected, with MQTT 5
	Retained bool          // whether retained messages are taken
}

// An MQTTTarget is a topic of an MQTT broker a feed publishes to.
type MQTTTarget struct {
	Broker
	Topic string // first levels; farm and kind of the event follow them
	Mode  string // structured or binary
}

// An MQTTPortSource are messages that devices send to the MQTT port of the daemon.
type MQTTPortSource struct {
	Topics []string // topic filters; at least one
}

const (
	defaultSession = 30 * 24 * time.Hour
	maxSession     = (1<<32 - 2) * time.Second // MQTT 5.0, section 3.1.2.11.2
)

var brokerMembers = []member[Broker]{
	{"url", true, func(r *reader, v value, b *Broker) { b.URL = r.url(v, "mqtt", "mqtts") }},
	{"version", false, func(r *reader, v value, b *Broker) { b.Version = r.mqttVersion(v) }},
	{"client", false, func(r *reader, v value, b *Broker) { b.Client = r.text(v) }},
	{"user", false, func(r *reader, v value, b *Broker) { b.User = r.secret(v) }},
	{"password", false, func(r *reader, v value, b *Broker) { b.Password = r.secret(v) }},
	{"tls", false, func(r *reader, v value, b *Broker) { object(r, v, tlsMembers, &b.Server) }},
}

var mqttSourceMembers = append(under(brokerMembers, func(s *MQTTSource) *Broker { return &s.Broker }),
	member[MQTTSource]{"topics", true, func(r *reader, v value, s *MQTTSource) {
		s.Topics = r.texts(v, func(x value) string { return r.topic(x, true) })
	}},
	member[MQTTSource]{"qos", false, func(r *reader, v value, s *MQTTSource) { s.QoS = r.whole(v, 0, 2) }},
	member[MQTTSource]{"session", false, func(r *reader, v value, s *MQTTSource) {
		if s.Session = r.duration(v, time.Minute); s.Session > maxSession {
			r.wrong(v, "at most "+maxSession.String(), s.Session.String())
		}
	}},
	member[MQTTSource]{"retained", false, func(r *reader, v value, s *MQTTSource) { s.Retained = r.truth(v) }},
)

var mqttTargetMembers = append(under(brokerMembers, func(t *MQTTTarget) *Broker { return &t.Broker }),
	member[MQTTTarget]{"topic", true, func(r *reader, v value, t *MQTTTarget) { t.Topic = r.topic(v, false) }},
	member[MQTTTarget]{"mode", false, func(r *reader, v value, t *MQTTTarget) { t.Mode = r.choice(v, "structured", "binary") }},
)

var mqttPortMembers = []member[MQTTPortSource]{
	{"topics", true, func(r *reader, v value, s *MQTTPortSource) {
		s.Topics = r.texts(v, func(x value) string { return r.topic(x, true) })
	}},
}

// checkMQTTPort wants port and sources together, each source with somebody who may
// send to it.
func (r *reader) checkMQTTPort(c *Config) {
	some := false
	for i := range c.Sources {
		s := &c.Sources[i]
		if s.Devices == nil {
			continue
		}
		some = true
		path := "sources." + s.ID + ".mqtt-port"
		if !r.has("listen.mqtt") {
			r.fault(path, "listen.mqtt, to take messages", "none", `add at the top: listen: {mqtt: "127.0.0.1:1883"}`)
		}
		r.wantToken(c, path, "--source "+s.ID, func(t *Token) bool { return t.MaySend(s) })
	}
	if c.Listen.MQTT == "" {
		return
	}
	if !some {
		r.fault("listen.mqtt", "a source that reads topics (mqtt-port: {topics: …})", "none")
	}
	if r.has("log.url") {
		r.fault("listen.mqtt", "it only beside a log of this daemon's own", "a log by URL",
			"what the port has acknowledged and not read yet is on this machine, where no other daemon could read it: use a broker")
	}
}

func (r *reader) mqttSource(v value, s *Source) {
	s.MQTT = &MQTTSource{Broker: Broker{Version: "5", Client: "dewclaw-" + s.ID}, QoS: 1, Session: defaultSession}
	object(r, v, mqttSourceMembers, s.MQTT)
}

func (r *reader) mqttTarget(v value, f *Feed) {
	f.MQTT = &MQTTTarget{Broker: Broker{Version: "5", Client: "dewclaw-" + f.ID}, Mode: "structured"}
	object(r, v, mqttTargetMembers, f.MQTT)
}

// mqttVersion reads 5 or 3.1.1; the first is a number in YAML.
func (r *reader) mqttVersion(v value) string {
	if n, ok := v.node.(*ast.IntegerNode); ok && n.GetToken().Value == "5" {
		return "5"
	}
	if s, ok := v.node.(*ast.StringNode); ok && s.Value == "3.1.1" {
		return s.Value
	}
	r.wrong(v, "5 or 3.1.1", describe(v.node))
	return ""
}

// url reads the URL of a server, without anything secret in it.
func (r *reader) url(v value, schemes ...string) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Hostname() == "" || !slices.Contains(schemes, u.Scheme):
		r.wrong(v, strings.Join(schemes, "://host or ")+"://host", "something else")
		return ""
	case u.User != nil:
		r.wrong(v, "a URL without user and password", "one with them", "use the keys user and password, each {file: …} or {env: …}")
		return ""
	}
	return s
}

// topic reads an MQTT topic (MQTT 5.0, section 4.7); wild allows the wildcards of
// a filter.
func (r *reader) topic(v value, wild bool) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	ok := len(s) < 1<<16 && utf8.ValidString(s) && !strings.HasPrefix(s, "$share/")
	levels := strings.Split(s, "/")
	for i, l := range levels {
		card := l == "+" || l == "#" && i == len(levels)-1
		ok = ok && (card && wild || !strings.ContainsAny(l, "+#"))
	}
	if ok {
		return s
	}
	r.wrong(v, "an MQTT topic such as farm/hooves", quote(s))
	return ""
}

// checkMQTT wants no two connections with one client id: a broker ends the first
// when the second comes.
func (r *reader) checkMQTT(c *Config) {
	type key struct{ url, client string }
	used := map[key]string{}
	note := func(path string, b *Broker) {
		k := key{b.URL, b.Client}
		if other, ok := used[k]; ok && b.URL != "" {
			r.fault(path, "a client id of its own at the broker", quote(b.Client)+", as "+other, "add client: …")
		}
		used[k] = path
	}
	for i := range c.Sources {
		if s := &c.Sources[i]; s.MQTT != nil {
			r.checkServer("sources."+s.ID+".mqtt", &s.MQTT.Server)
			note("sources."+s.ID+".mqtt", &s.MQTT.Broker)
		}
	}
	for i := range c.Feeds {
		f := &c.Feeds[i]
		if f.MQTT == nil {
			continue
		}
		path := "feeds." + f.ID + ".to.mqtt"
		r.checkServer(path, &f.MQTT.Server)
		note(path, &f.MQTT.Broker)
		if f.MQTT.Mode == "binary" && f.MQTT.Version == "3.1.1" {
			r.fault(path+".mode", "structured with version 3.1.1, which has no user properties", "binary")
		}
	}
}
