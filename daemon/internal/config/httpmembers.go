package config

import (
	"fmt"
	"net"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"
)

// This file is the part of the table of keys that is about HTTP: what the daemon
// listens on, who may ask, and requests as a source.

var httpSourceMembers = []member[HTTPSource]{
	{"max-body", false, func(r *reader, v value, s *HTTPSource) { s.MaxBody = r.size(v, minBody, maxBody) }},
}

var pullMembers = []member[Pull]{
	{"page", false, func(r *reader, v value, p *Pull) { p.Page = r.whole(v, 1, maxPage) }},
}

var webhookMembers = []member[Webhook]{
	{"url", true, func(r *reader, v value, w *Webhook) { w.URL = r.httpURL(v) }},
	{"secrets", true, func(r *reader, v value, w *Webhook) { w.Secrets = r.secrets(v) }},
	{"attempts", false, func(r *reader, v value, w *Webhook) { w.Attempts = r.whole(v, 1, 100) }},
	{"timeout", false, func(r *reader, v value, w *Webhook) { w.Timeout = r.duration(v, time.Second) }},
	{"ca", false, func(r *reader, v value, w *Webhook) { w.CA = r.path(v) }},
	{"unencrypted", false, func(r *reader, v value, w *Webhook) { w.Unencrypted = r.truth(v) }},
}

func (r *reader) webhook(v value) *Webhook {
	w := &Webhook{Attempts: defaultAttempts, Timeout: defaultTimeout}
	object(r, v, webhookMembers, w)
	return w
}

// secrets reads a list of references to secrets.
func (r *reader) secrets(v value) []Secret {
	items, _ := r.items(v, false)
	var out []Secret
	for _, x := range items {
		out = append(out, r.secret(x))
	}
	return out
}

// httpURL reads an http: or https: URL without anything secret in it.
func (r *reader) httpURL(v value) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	u, err := url.Parse(s)
	switch {
	case err != nil || u.Host == "" || u.Fragment != "" || !strings.HasPrefix(s, u.Scheme) || u.Scheme != "http" && u.Scheme != "https":
		r.wrong(v, "a URL such as https://receiver.example/hooves", quote(s))
		return ""
	case u.User != nil:
		r.wrong(v, "a URL without user and password", "one with them", "who sends is told by the signature")
		return ""
	}
	return s
}

// checkWebhook looks at where a webhook goes.
func (r *reader) checkWebhook(path string, w *Webhook) {
	if u, err := url.Parse(w.URL); err == nil && u.Scheme == "http" && !w.Unencrypted && !isLoopback(net.JoinHostPort(u.Hostname(), "0")) {
		r.fault(path+".to.webhook.url", "https", quote(w.URL), "or unencrypted: true, if the way there is safe by other means")
	}
}

var repliesMembers = []member[Replies]{
	{"folder", false, func(r *reader, v value, p *Replies) { p.Folder = r.path(v) }},
	{"files", false, func(r *reader, v value, p *Replies) { p.Files = r.texts(v, r.pattern) }},
	{"nats", false, func(r *reader, v value, p *Replies) {
		p.Stream = new(StreamSource)
		object(r, v, streamSourceMembers, p.Stream)
	}},
}

func (r *reader) replies(v value) *Replies {
	p := &Replies{Files: []string{"*"}}
	object(r, v, repliesMembers, p)
	return p
}

// checkReplies wants one way for the replies to a feed, and for files a folder of
// their own.
func (r *reader) checkReplies(c *Config, path string, f *Feed) {
	path += ".replies"
	if f.Replies == nil || !r.one(path, "folder", "nats") {
		return
	}
	if f.Replies.Stream != nil {
		if r.has(path + ".files") {
			r.fault(path+".files", "it only beside folder", "it without one")
		}
		r.checkStream(path+".nats", f.Replies.Stream)
	}
	if f.Replies.Folder == "" {
		return
	}
	path += ".folder"
	for i := range c.Sources {
		if s := &c.Sources[i]; s.Folder == f.Replies.Folder || s.Below && s.Folder != "" && within(s.Folder, f.Replies.Folder) {
			r.fault(path, "a folder that no source reads", quote(f.Replies.Folder)+", which source "+s.ID+" reads")
		}
	}
	for i := range c.Feeds {
		o := &c.Feeds[i]
		if o.Folder == f.Replies.Folder {
			r.fault(path, "a folder that no feed writes to", quote(f.Replies.Folder)+", which feed "+o.ID+" writes to")
		}
		if o.ID < f.ID && o.Replies != nil && o.Replies.Folder == f.Replies.Folder {
			r.fault(path, "a folder of its own", quote(f.Replies.Folder)+", as feed "+o.ID)
		}
	}
}

var listenMembers = []member[Listen]{
	{"address", false, func(r *reader, v value, l *Listen) { l.Address = r.address(v) }},
	{"mqtt", false, func(r *reader, v value, l *Listen) { l.MQTT = r.address(v) }},
	{"tls", false, func(r *reader, v value, l *Listen) { object(r, v, listenTLSMembers, l) }},
	{"unencrypted", false, func(r *reader, v value, l *Listen) { l.Unencrypted = r.truth(v) }},
	{"max-body", false, func(r *reader, v value, l *Listen) { l.MaxBody = r.size(v, minBody, maxBody) }},
	{"metrics", false, func(r *reader, v value, l *Listen) { l.OpenMetrics = r.choice(v, "token", "open") == "open" }},
}

var listenTLSMembers = []member[Listen]{
	{"cert", true, func(r *reader, v value, l *Listen) { l.Cert = r.path(v) }},
	{"key", true, func(r *reader, v value, l *Listen) { l.Key = r.path(v) }},
}

func (r *reader) listen(v value) Listen {
	l := Listen{MaxBody: defaultBody}
	object(r, v, listenMembers, &l)
	return l
}

var (
	addressForm = regexp.MustCompile(`^[^ ]*:[0-9]{1,5}$`)
	hashForm    = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

// address reads host:port; the host may be left out.
func (r *reader) address(v value) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	if _, _, err := net.SplitHostPort(s); err != nil || !addressForm.MatchString(s) {
		r.wrong(v, "host:port such as 127.0.0.1:8410", quote(s))
		return ""
	}
	return s
}

var tokenMembers = []member[Token]{
	{"name", true, func(r *reader, v value, t *Token) { t.Name = r.id(v) }},
	{"sha256", true, func(r *reader, v value, t *Token) { t.Hash = r.hash(v) }},
	{"sources", false, func(r *reader, v value, t *Token) { t.Sources = r.texts(v, r.id) }},
	{"feeds", false, func(r *reader, v value, t *Token) { t.Feeds = r.texts(v, r.id) }},
	{"farms", false, func(r *reader, v value, t *Token) { t.Farms = r.texts(v, r.id) }},
	{"metrics", false, func(r *reader, v value, t *Token) { t.Metrics = r.truth(v) }},
	{"until", false, func(r *reader, v value, t *Token) { t.Until = r.day(v) }},
}

// hash reads a SHA-256 in hex. What stands there instead may be the token
// itself and is never repeated.
func (r *reader) hash(v value) string {
	n, ok := v.node.(*ast.StringNode)
	if !ok || !hashForm.MatchString(n.Value) {
		r.wrong(v, "a SHA-256 as 64 hex digits in lower case", "something else", "make a token and its line for this file: dewclaw token NAME")
		return ""
	}
	return n.Value
}

func (r *reader) tokens(v value) []Token {
	items, _ := r.items(v, false)
	out := make([]Token, len(items))
	for i, x := range items {
		object(r, x, tokenMembers, &out[i])
		if !r.hasAny(x.path, "sources", "feeds", "farms", "metrics") {
			r.wrong(x, "sources, feeds, farms or metrics: what the token is for", "none of them")
		}
	}
	return out
}

func (r *reader) hasAny(path string, keys ...string) bool {
	return slices.ContainsFunc(keys, func(k string) bool { return r.has(path + "." + k) })
}

// checkListen looks at what listening, tokens and the parts that are asked from
// outside say of one another.
func (r *reader) checkListen(c *Config) {
	l := &c.Listen
	for path, address := range map[string]string{"listen.address": l.Address, "listen.mqtt": l.MQTT} {
		if address != "" && !r.has("listen.tls") && !l.Unencrypted && !isLoopback(address) {
			r.fault(path, "an address of this machine only (127.0.0.1), or tls", quote(address),
				"add tls: {cert: …, key: …}; or unencrypted: true if something before it speaks TLS")
		}
	}
	if r.has("listen") && !r.hasAny("listen", "address", "mqtt") {
		r.fault("listen", "address or mqtt", "neither")
	}
	r.checkMQTTPort(c)
	for i := range c.Tokens {
		r.checkToken(c, i)
	}
	for i := range c.Sources {
		s := &c.Sources[i]
		if s.HTTP == nil {
			continue
		}
		if s.HTTP.MaxBody == 0 {
			s.HTTP.MaxBody = l.MaxBody
		}
		path := "sources." + s.ID + ".http"
		if !r.has("listen.address") {
			r.fault(path, "listen.address, to take requests", "none", `add at the top: listen: {address: "127.0.0.1:8410"}`)
		}
		r.wantToken(c, path, "--source "+s.ID, func(t *Token) bool { return t.MaySend(s) })
	}
	for i := range c.Feeds {
		f := &c.Feeds[i]
		if f.Pull == nil {
			continue
		}
		path := "feeds." + f.ID + ".to.pull"
		if !r.has("listen.address") {
			r.fault(path, "listen.address, to be fetched from", "none", `add at the top: listen: {address: "127.0.0.1:8410"}`)
		}
		r.wantToken(c, path, "--feed "+f.ID, func(t *Token) bool { return t.MayFetch(f) })
	}
}

// wantToken wants a token that may do what a part is there for; a part that
// nobody may use is a mistake.
func (r *reader) wantToken(c *Config, path, flag string, may func(*Token) bool) {
	for i := range c.Tokens {
		if may(&c.Tokens[i]) {
			return
		}
	}
	if len(r.faults) > 0 && r.has("tokens") {
		return // it may be in one that could not be read
	}
	r.fault(path, "a token that may use it", "none", "make one and add the line it prints: dewclaw token NAME "+flag)
}

func (r *reader) checkToken(c *Config, i int) {
	t, path := &c.Tokens[i], fmt.Sprintf("tokens[%d]", i)
	for _, id := range t.Sources {
		if s := c.Source(id); s == nil {
			r.unknownID(path+".sources", "a source of this file", id, ids(c.Sources, func(s *Source) string { return s.ID }))
		} else if s.HTTP == nil && s.Devices == nil {
			r.fault(path+".sources", "a source that takes requests (http: {}) or has devices (mqtt-port: {topics: …})", quote(id))
		}
	}
	for _, id := range t.Feeds {
		if c.Feed(id) == nil {
			r.unknownID(path+".feeds", "a feed of this file", id, ids(c.Feeds, func(f *Feed) string { return f.ID }))
		}
	}
	for _, id := range t.Farms {
		r.checkFarm(c, path+".farms", id)
	}
	for j := range c.Tokens[:i] {
		switch o := &c.Tokens[j]; {
		case t.Name != "" && o.Name == t.Name:
			r.fault(path+".name", "a name of its own", quote(t.Name))
		case t.Hash != "" && o.Hash == t.Hash:
			r.fault(path+".sha256", "a token of its own", "that of "+o.Name)
		}
	}
}

// isLoopback reports whether an address can be reached from this machine only.
func isLoopback(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
