package config

import (
	"regexp"
	"strings"
)

// A WatermillTopic is a topic of a transport of the watermill library: what a
// source reads, or a feed publishes to.
type WatermillTopic struct {
	Transport string // redis or postgres
	URL       string
	User      Secret
	Password  Secret // with postgres only if User is set
	Topic     string // a Redis stream; a table of PostgreSQL, "watermill_" and the topic
	Group     string // consumer group, of a source; "dewclaw-" and its id if none is given
}

var topicForm = regexp.MustCompile(`^[A-Za-z0-9_.:-]{1,40}$`)

var watermillMembers = []member[WatermillTopic]{
	{"transport", true, func(r *reader, v value, w *WatermillTopic) { w.Transport = r.choice(v, "redis", "postgres") }},
	{"url", true, func(r *reader, v value, w *WatermillTopic) {
		w.URL = r.url(v, "redis", "rediss", "postgres", "postgresql")
	}},
	{"user", false, func(r *reader, v value, w *WatermillTopic) { w.User = r.secret(v) }},
	{"password", false, func(r *reader, v value, w *WatermillTopic) { w.Password = r.secret(v) }},
	{"topic", true, func(r *reader, v value, w *WatermillTopic) {
		if w.Topic = r.text(v); w.Topic != "" && !topicForm.MatchString(w.Topic) {
			r.wrong(v, "letters, digits and . _ : -, at most 40", quote(w.Topic))
		}
	}},
}

var watermillSourceMembers = append(append([]member[WatermillTopic]{}, watermillMembers...),
	member[WatermillTopic]{"group", false, func(r *reader, v value, w *WatermillTopic) { w.Group = r.streamName(v) }})

func (r *reader) watermillSource(v value, s *Source) {
	s.Watermill = &WatermillTopic{Group: "dewclaw-" + s.ID}
	object(r, v, watermillSourceMembers, s.Watermill)
}

func (r *reader) watermillTarget(v value, f *Feed) {
	f.Watermill = new(WatermillTopic)
	object(r, v, watermillMembers, f.Watermill)
}

// checkWatermill looks at what one key says of another.
func (r *reader) checkWatermill(c *Config) {
	one := func(path string, w *WatermillTopic) {
		if w.Transport != "" && w.URL != "" && !strings.HasPrefix(w.URL, w.Transport) && !(w.Transport == "redis" && strings.HasPrefix(w.URL, "rediss:")) {
			r.fault(path+".url", w.Transport+"://host with transport "+w.Transport, "another kind of URL")
		}
		if w.Transport == "postgres" && r.has(path+".password") && !r.has(path+".user") {
			r.fault(path, "user and password together", "password alone")
		}
	}
	groups := map[WatermillTopic]string{}
	for i := range c.Sources {
		s := &c.Sources[i]
		if s.Watermill == nil {
			continue
		}
		path := "sources." + s.ID + ".watermill"
		one(path, s.Watermill)
		k := WatermillTopic{URL: s.Watermill.URL, Topic: s.Watermill.Topic, Group: s.Watermill.Group}
		if other, ok := groups[k]; ok && k.URL != "" {
			r.fault(path, "a group of its own", quote(k.Group)+", as "+other)
		}
		groups[k] = path
	}
	for i := range c.Feeds {
		if f := &c.Feeds[i]; f.Watermill != nil {
			one("feeds."+f.ID+".to.watermill", f.Watermill)
		}
	}
}
