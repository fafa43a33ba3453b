package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// This file is the table of keys. The published schema has the same keys at the
// same places; TestSchema_NamesTheSameKeys holds the two together.

// Defaults, and bounds of what may be set.
const (
	defaultData  = "data"
	defaultRest  = 2 * time.Second
	defaultScan  = 30 * time.Second
	defaultAgain = time.Minute
	defaultRows  = 50_000
	defaultSize  = 4 << 20
	maxRows      = 1_000_000
	minSize      = 64 << 10
	maxSize      = 64 << 20

	defaultBody = 64 << 20
	minBody     = 1 << 10
	maxBody     = 2 << 30

	defaultAttempts = 8
	defaultTimeout  = 20 * time.Second // Standard Webhooks 1.0.0: 15 to 30 s
	webhookRows     = 100
	defaultPage     = 1000
	maxPage         = 10_000

	maxReplicas  = 5 // of a JetStream stream
	defaultLease = 10 * time.Second
	minLease     = time.Second
)

var topMembers = []member[Config]{
	{"version", true, func(r *reader, v value, c *Config) { c.Version = r.version(v) }},
	{"data", false, func(r *reader, v value, c *Config) { c.Data = r.path(v) }},
	{"log", false, func(r *reader, v value, c *Config) { object(r, v, logMembers, &c.Log) }},
	{"hub", false, func(r *reader, v value, c *Config) { c.Hub = r.hub(v) }},
	{"archive", false, func(r *reader, v value, c *Config) { c.Archive = r.path(v) }},
	{"farms", false, func(r *reader, v value, c *Config) { c.Farms = entries(r, v, r.farm) }},
	{"sources", false, func(r *reader, v value, c *Config) { c.Sources = entries(r, v, r.source) }},
	{"recipients", false, func(r *reader, v value, c *Config) { c.Recipients = entries(r, v, r.recipient) }},
	{"feeds", false, func(r *reader, v value, c *Config) { c.Feeds = entries(r, v, r.feed) }},
	{"lists", false, func(r *reader, v value, c *Config) { c.Lists = entries(r, v, r.list) }},
	{"grants", false, func(r *reader, v value, c *Config) { c.Grants = r.grants(v) }},
	{"listen", false, func(r *reader, v value, c *Config) { c.Listen = r.listen(v) }},
	{"tokens", false, func(r *reader, v value, c *Config) { c.Tokens = r.tokens(v) }},
	{"settings", false, func(r *reader, v value, c *Config) { c.Settings = r.settings(v) }},
}

// entries reads an object whose keys are ids.
func entries[T any](r *reader, v value, read func(id string, v value) T) []T {
	var out []T
	for _, p := range r.pairs(v) {
		if !idForm.MatchString(p.key) {
			r.faultAt(p.keyAt, &events.Fault{What: p.value.path, Wanted: "an id of " + idWanted, Got: quote(p.key)})
			continue
		}
		out = append(out, read(p.key, p.value))
	}
	return out
}

func (r *reader) version(v value) int {
	n := r.whole(v, 1, 1<<30)
	if n > Version {
		r.wrong(v, fmt.Sprintf("at most version %d", Version), fmt.Sprintf("version %d", n), "this config was written for a newer dewclaw; use that version")
	}
	return n
}

var logMembers = append(under(serverMembers, func(l *Log) *Server { return &l.Server }),
	member[Log]{"stream", false, func(r *reader, v value, l *Log) { l.Stream = r.streamName(v) }},
	member[Log]{"replicas", false, func(r *reader, v value, l *Log) { l.Replicas = r.whole(v, 1, maxReplicas) }},
	member[Log]{"daemon", false, func(r *reader, v value, l *Log) { l.Daemon = r.text(v) }},
	member[Log]{"lease", false, func(r *reader, v value, l *Log) { l.Lease = r.duration(v, minLease) }})

// under makes the table of a T that holds a U.
func under[T, U any](m []member[U], at func(*T) *U) []member[T] {
	var out []member[T]
	for _, x := range m {
		out = append(out, member[T]{x.name, x.must, func(r *reader, v value, t *T) { x.read(r, v, at(t)) }})
	}
	return out
}

var serverMembers = []member[Server]{
	{"url", true, func(r *reader, v value, s *Server) { s.URL = strings.Join(r.texts(v, r.server), ",") }},
	{"creds", false, func(r *reader, v value, s *Server) { s.Creds = r.path(v) }},
	{"nkey", false, func(r *reader, v value, s *Server) { s.NKey = r.path(v) }},
	{"token", false, func(r *reader, v value, s *Server) { s.Token = r.secret(v) }},
	{"user", false, func(r *reader, v value, s *Server) { s.User = r.secret(v) }},
	{"password", false, func(r *reader, v value, s *Server) { s.Password = r.secret(v) }},
	{"tls", false, func(r *reader, v value, s *Server) { object(r, v, tlsMembers, s) }},
}

var tlsMembers = []member[Server]{
	{"ca", false, func(r *reader, v value, s *Server) { s.CA = r.path(v) }},
	{"cert", false, func(r *reader, v value, s *Server) { s.Cert = r.path(v) }},
	{"key", false, func(r *reader, v value, s *Server) { s.Key = r.path(v) }},
}

// streamName reads the name of a JetStream stream or consumer.
func (r *reader) streamName(v value) string {
	s := r.text(v)
	if s != "" && !streamForm.MatchString(s) {
		r.wrong(v, "letters, digits, _ and -", quote(s))
	}
	return s
}

var farmMembers = []member[Farm]{
	{"name", false, func(r *reader, v value, f *Farm) { f.Name = r.text(v) }},
	{"zone", true, func(r *reader, v value, f *Farm) { f.Zone = r.zone(v) }},
}

func (r *reader) farm(id string, v value) Farm {
	f := Farm{ID: id, Name: id}
	object(r, v, farmMembers, &f)
	return f
}

var sourceMembers = []member[Source]{
	{"farm", false, func(r *reader, v value, s *Source) { s.Farm = r.id(v) }},
	{"farms", false, func(r *reader, v value, s *Source) { s.Farms = r.texts(v, r.id) }},
	{"mapping", true, func(r *reader, v value, s *Source) { s.Mapping = r.mapping(v) }},
	{"folder", false, func(r *reader, v value, s *Source) { s.Folder = r.path(v) }},
	{"files", false, func(r *reader, v value, s *Source) { s.Files = r.texts(v, r.pattern) }},
	{"below", false, func(r *reader, v value, s *Source) { s.Below = r.truth(v) }},
	{"after", false, func(r *reader, v value, s *Source) {
		s.After = After(r.choice(v, string(Keep), string(Move), string(Delete)))
	}},
	{"move-to", false, func(r *reader, v value, s *Source) { s.MoveTo = r.path(v) }},
	{"rest", false, func(r *reader, v value, s *Source) { s.Rest = r.duration(v, 0) }},
	{"scan", false, func(r *reader, v value, s *Source) { s.Scan = r.duration(v, 100*time.Millisecond) }},
	{"nats", false, func(r *reader, v value, s *Source) {
		s.Stream = new(StreamSource)
		object(r, v, streamSourceMembers, s.Stream)
	}},
	{"mqtt", false, func(r *reader, v value, s *Source) { r.mqttSource(v, s) }},
	{"watermill", false, func(r *reader, v value, s *Source) { r.watermillSource(v, s) }},
	{"http", false, func(r *reader, v value, s *Source) {
		s.HTTP = new(HTTPSource)
		object(r, v, httpSourceMembers, s.HTTP)
	}},
	{"mqtt-port", false, func(r *reader, v value, s *Source) {
		s.Devices = new(MQTTPortSource)
		object(r, v, mqttPortMembers, s.Devices)
	}},
	{"silent", false, func(r *reader, v value, s *Source) { s.Silent = r.duration(v, time.Minute) }},
	{"again", false, func(r *reader, v value, s *Source) { s.Again = r.duration(v, 100*time.Millisecond) }},
}

var streamSourceMembers = append(under(serverMembers, func(s *StreamSource) *Server { return &s.Server }),
	member[StreamSource]{"stream", false, func(r *reader, v value, s *StreamSource) { s.Stream = r.streamName(v) }},
	member[StreamSource]{"subject", false, func(r *reader, v value, s *StreamSource) { s.Subject = r.subject(v, true) }},
	member[StreamSource]{"consumer", false, func(r *reader, v value, s *StreamSource) { s.Consumer = r.streamName(v) }},
)

func (r *reader) source(id string, v value) Source {
	s := Source{ID: id, Rest: defaultRest, Scan: defaultScan, Again: defaultAgain}
	object(r, v, sourceMembers, &s)
	if s.Folder != "" {
		if s.After == "" {
			s.After = Keep
		}
		if s.Files == nil {
			s.Files = []string{"*"}
		}
	}
	if s.Stream != nil && s.Stream.Consumer == "" {
		s.Stream.Consumer = "dewclaw-" + id
	}
	return s
}

var recipientMembers = []member[Recipient]{
	{"name", false, func(r *reader, v value, p *Recipient) { p.Name = r.text(v) }},
	{"pseudonyms", false, func(r *reader, v value, p *Recipient) { p.Pseudonyms = r.secret(v) }},
}

func (r *reader) recipient(id string, v value) Recipient {
	p := Recipient{ID: id, Name: id}
	object(r, v, recipientMembers, &p)
	return p
}

var feedMembers = []member[Feed]{
	{"recipient", true, func(r *reader, v value, f *Feed) { f.Recipient = r.id(v) }},
	{"farms", true, func(r *reader, v value, f *Feed) { f.Farms = r.texts(v, r.id) }},
	{"kinds", true, func(r *reader, v value, f *Feed) { f.Kinds = r.kinds(v) }},
	{"where", false, func(r *reader, v value, f *Feed) { f.Where = r.where(v) }},
	{"format", false, func(r *reader, v value, f *Feed) {
		f.Format = Format(r.choice(v, string(CloudEvents), string(CloudEventsArray), string(Mapped), string(ADE)))
	}},
	{"mapping", false, func(r *reader, v value, f *Feed) { f.Mapping = r.path(v) }},
	{"ade", false, func(r *reader, v value, f *Feed) { object(r, v, adeMembers, &f.ADE) }},
	{"to", true, func(r *reader, v value, f *Feed) { object(r, v, targetMembers, f) }},
	{"deletes", false, func(r *reader, v value, f *Feed) {
		f.Deletes = Deletes(r.choice(v, string(DeletesColumn), string(DeletesFile), string(DeletesReport)))
	}},
	{"known-animals", false, func(r *reader, v value, f *Feed) { f.KnownAnimals = r.choice(v, "any", "wait") == "wait" }},
	{"identities", false, func(r *reader, v value, f *Feed) {
		if r.choice(v, "granted", string(Pseudonyms)) == string(Pseudonyms) {
			f.Fields = Pseudonyms
		}
	}},
	{"begin", false, func(r *reader, v value, f *Feed) { f.FromNow = r.choice(v, "start", "now") == "now" }},
	{"every", false, func(r *reader, v value, f *Feed) { f.Every = r.duration(v, 0) }},
	{"replies", false, func(r *reader, v value, f *Feed) { f.Replies = r.replies(v) }},
	{"batch", false, func(r *reader, v value, f *Feed) { object(r, v, batchMembers, f) }},
}

var batchMembers = []member[Feed]{
	{"rows", false, func(r *reader, v value, f *Feed) { f.Rows = r.whole(v, 1, maxRows) }},
	{"size", false, func(r *reader, v value, f *Feed) { f.Size = r.size(v, minSize, maxSize) }},
}

var targetMembers = []member[Feed]{
	{"folder", false, func(r *reader, v value, f *Feed) { f.Folder = r.path(v) }},
	{"nats", false, func(r *reader, v value, f *Feed) {
		f.Stream = new(StreamTarget)
		object(r, v, streamTargetMembers, f.Stream)
	}},
	{"mqtt", false, func(r *reader, v value, f *Feed) { r.mqttTarget(v, f) }},
	{"watermill", false, func(r *reader, v value, f *Feed) { r.watermillTarget(v, f) }},
	{"webhook", false, func(r *reader, v value, f *Feed) { f.Webhook = r.webhook(v) }},
	{"pull", false, func(r *reader, v value, f *Feed) {
		f.Pull = &Pull{Page: defaultPage}
		object(r, v, pullMembers, f.Pull)
	}},
}

var streamTargetMembers = append(under(serverMembers, func(s *StreamTarget) *Server { return &s.Server }),
	member[StreamTarget]{"stream", false, func(r *reader, v value, s *StreamTarget) { s.Stream = r.streamName(v) }},
	member[StreamTarget]{"subject", true, func(r *reader, v value, s *StreamTarget) { s.Subject = r.subject(v, false) }},
	member[StreamTarget]{"create", false, func(r *reader, v value, s *StreamTarget) { s.Create = r.truth(v) }},
)

func (r *reader) feed(id string, v value) Feed {
	f := Feed{ID: id, Format: CloudEvents, Deletes: DeletesColumn, Fields: Identities, Rows: defaultRows, Size: defaultSize}
	object(r, v, feedMembers, &f)
	if f.Webhook != nil && !r.has("feeds."+id+".batch.rows") {
		f.Rows = webhookRows // so many go before the cursor moves
	}
	if f.Replies != nil && f.Replies.Stream != nil && f.Replies.Stream.Consumer == "" {
		f.Replies.Stream.Consumer = "dewclaw-replies-" + id
	}
	return f
}

// where reads {kind: {field: [values]}}.
func (r *reader) where(v value) []Condition {
	var out []Condition
	for _, k := range r.pairs(v) {
		kind := events.Kind(k.key)
		if !slices.Contains(events.Kinds(), kind) {
			r.unknownKey(v, k, kindWords())
			continue
		}
		for _, f := range r.pairs(k.value) {
			field := kind.Field(f.key)
			if field == nil {
				r.unknownKey(k.value, f, fieldNames(kind))
				continue
			}
			values := r.texts(f.value, func(x value) string { return r.fieldValue(x, field) })
			out = append(out, Condition{Kind: kind, Field: f.key, Values: values})
		}
	}
	return out
}

func fieldNames(k events.Kind) []string {
	var out []string
	for _, f := range k.Fields() {
		out = append(out, f.Name)
	}
	return out
}

// fieldValue reads one wanted value of a field; a code must be in its list.
func (r *reader) fieldValue(v value, f *events.Field) string {
	switch v.node.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		s := v.node.GetToken().Value
		if _, err := events.ParseDecimal(s); err != nil {
			r.wrong(v, "a plain number", describe(v.node))
		}
		return s
	}
	s := r.text(v)
	if list := codes.Find(f.List); list != nil && s != "" && !list.Has(s) {
		p := list.Problem(s)
		r.wrong(v, p.Wanted, p.Got)
	}
	return s
}

var grantMembers = []member[Grant]{
	{"farm", true, func(r *reader, v value, g *Grant) { g.Farm = r.id(v) }},
	{"recipient", true, func(r *reader, v value, g *Grant) { g.Recipient = r.id(v) }},
	{"purpose", true, func(r *reader, v value, g *Grant) { g.Purpose = r.text(v) }},
	{"kinds", true, func(r *reader, v value, g *Grant) { g.Kinds = r.kinds(v) }},
	{"period", false, func(r *reader, v value, g *Grant) { object(r, v, periodMembers, &g.Period) }},
	{"fields", true, func(r *reader, v value, g *Grant) {
		g.Fields = Fields(r.choice(v, string(Identities), string(Pseudonyms), string(Rates)))
	}},
	{"from", true, func(r *reader, v value, g *Grant) { g.From = r.day(v) }},
	{"until", false, func(r *reader, v value, g *Grant) { g.Until = r.day(v) }},
}

var periodMembers = []member[Period]{
	{"from", false, func(r *reader, v value, p *Period) { p.From = r.day(v) }},
	{"to", false, func(r *reader, v value, p *Period) { p.To = r.day(v) }},
}

func (r *reader) grants(v value) []Grant {
	if n, ok := v.node.(*ast.SequenceNode); ok && len(n.Values) == 0 {
		return nil
	}
	items, _ := r.items(v, false)
	out := make([]Grant, len(items))
	for i, x := range items {
		object(r, x, grantMembers, &out[i])
	}
	return out
}

// settings reads the thresholds by the names that the code lists advisories,
// timings and due give them.
func (r *reader) settings(v value) map[string]string {
	lengths, times := map[string]bool{}, map[string]bool{}
	var known []string
	for _, a := range codes.Advisories().All() {
		for _, s := range a.Settings {
			known = append(known, s.Name)
			lengths[s.Name] = s.Unit == "mm"
		}
	}
	for _, c := range codes.Timings().Codes() {
		known = append(known, c)
		times[c] = true
	}
	for _, d := range codes.Dues().All() {
		known = append(known, d.Code)
		times[d.Code] = d.Text == ""
	}
	out := map[string]string{}
	for _, p := range r.pairs(v) {
		switch {
		case !slices.Contains(known, p.key):
			r.unknownKey(v, p, known)
		case lengths[p.key]:
			out[p.key] = r.length(p.value)
		case times[p.key]:
			out[p.key] = r.duration(p.value, time.Minute).String()
		default:
			out[p.key] = r.text(p.value)
		}
	}
	return out
}

// length reads a length in mm over 0, as a number or a text.
func (r *reader) length(v value) string {
	var s string
	switch n := v.node.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		s = n.GetToken().Value
	default:
		if s = r.text(v); s == "" {
			return ""
		}
	}
	if d, err := events.ParseDecimal(s); err != nil || d.Cmp(events.DecimalOf(0, 0)) <= 0 {
		r.wrong(v, "a length in mm over 0, such as 82.55", quote(s))
	}
	return s
}
