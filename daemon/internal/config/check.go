package config

import (
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

var (
	streamForm  = regexp.MustCompile(`^[A-Za-z0-9_-]{1,128}$`)
	subjectForm = regexp.MustCompile(`^[^\s.*>]+(\.[^\s.*>]+)*$`)
	filterForm  = regexp.MustCompile(`^([^\s.*>]+|\*|>)(\.([^\s.*>]+|\*|>))*$`)
)

// subject reads a NATS subject; wild allows the wildcards of a filter.
func (r *reader) subject(v value, wild bool) string {
	s := r.text(v)
	form := subjectForm
	if wild {
		form = filterForm
	}
	if s == "" {
		return ""
	}
	if i := strings.Index(s, ">"); !form.MatchString(s) || i >= 0 && i != len(s)-1 {
		r.wrong(v, "a NATS subject such as farm.hooves", quote(s))
		return ""
	}
	return s
}

// check looks at what one part of the file says of another. It runs after
// everything was read, faults or not.
func (r *reader) check(c *Config) {
	r.checkServer("log", &c.Log.Server)
	for i := range c.Sources {
		r.checkSource(c, &c.Sources[i])
	}
	r.checkFolders(c)
	r.checkMQTT(c)
	r.checkWatermill(c)
	for i := range c.Grants {
		r.checkGrant(c, i)
	}
	for i := range c.Feeds {
		r.checkFeed(c, &c.Feeds[i])
	}
	for i := range c.Lists {
		r.checkList(c, &c.Lists[i])
	}
	r.checkListen(c)
	r.checkHub(c)
}

// fault notes a mistake about the value with the path.
func (r *reader) fault(path, wanted, got string, hints ...string) {
	r.faultAt(r.at(path), &events.Fault{What: path, Wanted: wanted, Got: got, Hints: hints})
}

// has reports whether the file has the value with the path, right or wrong.
func (r *reader) has(path string) bool { _, ok := r.places[path]; return ok }

func (r *reader) checkServer(path string, s *Server) {
	var ways []string
	for _, key := range []string{"creds", "nkey", "token", "user"} {
		if r.has(path + "." + key) {
			ways = append(ways, key)
		}
	}
	if len(ways) > 1 {
		r.fault(path, "one way to log in", strings.Join(ways, " and "))
	}
	if r.has(path+".user") != r.has(path+".password") {
		r.fault(path, "user and password together", "one of them")
	}
	if r.has(path+".tls.cert") != r.has(path+".tls.key") {
		r.fault(path+".tls", "cert and key together", "one of them")
	}
}

func (r *reader) checkSource(c *Config, s *Source) {
	path := "sources." + s.ID
	switch farm, farms := r.has(path+".farm"), r.has(path+".farms"); {
	case farm && farms:
		r.fault(path+".farms", "farm or farms", "both", "farm, if every row is of one farm; farms, if the mapping has a column that names it")
	case !farm && !farms:
		r.fault(path, "farm or farms", "neither")
	case farm && s.Farm != "":
		r.checkFarm(c, path+".farm", s.Farm)
	}
	for _, f := range s.Farms {
		r.checkFarm(c, path+".farms", f)
	}
	folder, stream := r.has(path+".folder"), r.has(path+".nats")
	r.one(path, "folder", "nats", "mqtt", "watermill", "http", "mqtt-port")
	if stream {
		r.checkStream(path+".nats", s.Stream)
	}
	if !folder {
		for _, key := range []string{"files", "below", "after", "move-to", "rest", "scan"} {
			if r.has(path + "." + key) {
				r.fault(path+"."+key, "it only beside folder", "it without one")
			}
		}
		return
	}
	if (s.After == Move) != r.has(path+".move-to") {
		r.fault(path, "after: move and move-to together", "one of them")
	}
}

// checkStream wants to know which stream to read.
func (r *reader) checkStream(path string, s *StreamSource) {
	r.checkServer(path, &s.Server)
	if !r.has(path+".stream") && !r.has(path+".subject") {
		r.fault(path, "stream or subject", "neither")
	}
}

// one wants exactly one of the keys below the path.
func (r *reader) one(path string, keys ...string) bool {
	var there []string
	for _, k := range keys {
		if r.has(path + "." + k) {
			there = append(there, k)
		}
	}
	if len(there) == 1 {
		return true
	}
	got := "none"
	if len(there) > 1 {
		got = strings.Join(there, " and ")
	}
	r.fault(path, "one of "+strings.Join(keys, ", "), got)
	return false
}

func (r *reader) checkFarm(c *Config, path, id string) {
	if c.Farm(id) == nil {
		r.unknownID(path, "a farm of this file", id, ids(c.Farms, func(f *Farm) string { return f.ID }))
	}
}

func (r *reader) unknownID(path, wanted, got string, known []string) {
	hint := "there is none yet"
	if len(known) > 0 {
		hint = "there are: " + strings.Join(known, ", ")
	}
	hints := []string{hint}
	if near := codes.Nearest(got, known, 1); len(near) == 1 && alike(got, near[0]) {
		hints = []string{fmt.Sprintf("did you mean %q?", near[0]), hint}
	}
	r.fault(path, wanted, quote(got), hints...)
}

func ids[T any](list []T, id func(*T) string) []string {
	var out []string
	for i := range list {
		out = append(out, id(&list[i]))
	}
	return out
}

// checkFolders refuses folders that would feed on one another.
func (r *reader) checkFolders(c *Config) {
	for i := range c.Sources {
		s := &c.Sources[i]
		if s.Folder == "" {
			continue
		}
		path := "sources." + s.ID
		if within(s.Folder, c.Data) || within(c.Data, s.Folder) {
			r.fault(path+".folder", "a folder outside the data folder", quote(s.Folder))
		}
		if c.Archive != "" && (within(s.Folder, c.Archive) || within(c.Archive, s.Folder)) {
			r.fault(path+".folder", "a folder outside the archive", quote(s.Folder))
		}
		if s.MoveTo != "" && (s.MoveTo == s.Folder || s.Below && within(s.Folder, s.MoveTo)) {
			r.fault(path+".move-to", "a folder the source does not read", quote(s.MoveTo))
		}
		for j := range c.Sources[:i] {
			if o := &c.Sources[j]; o.Folder == s.Folder && share(o.Files, s.Files) {
				r.fault(path+".folder", "a folder of its own, or files of other names", fmt.Sprintf("%s, as source %s", quote(s.Folder), o.ID))
			}
		}
		for j := range c.Feeds {
			if f := &c.Feeds[j]; f.Folder != "" && (f.Folder == s.Folder || s.Below && within(s.Folder, f.Folder)) {
				r.fault("feeds."+f.ID+".to.folder", "a folder that no source reads", fmt.Sprintf("%s, which source %s reads", quote(f.Folder), s.ID))
			}
		}
	}
	for j := range c.Feeds {
		if f := &c.Feeds[j]; f.Folder != "" && within(c.Data, f.Folder) {
			r.fault("feeds."+f.ID+".to.folder", "a folder outside the data folder", quote(f.Folder))
		}
	}
}

// share reports whether two lists have a pattern in common.
func share(a, b []string) bool {
	return slices.ContainsFunc(a, func(p string) bool { return p == "*" || slices.Contains(b, p) }) || slices.Contains(b, "*")
}

// within reports whether path lies in folder or is it.
func within(folder, path string) bool {
	rel, err := filepath.Rel(folder, path)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}

func (r *reader) checkGrant(c *Config, i int) {
	g := &c.Grants[i]
	path := fmt.Sprintf("grants[%d]", i)
	if g.Farm != "" {
		r.checkFarm(c, path+".farm", g.Farm)
	}
	if g.Recipient != "" {
		r.checkRecipient(c, path+".recipient", g.Recipient)
	}
	if g.Until != "" && g.Until < g.From {
		r.fault(path+".until", "a day from "+g.From+" on", g.Until)
	}
	if p := g.Period; p.To != "" && p.To < p.From {
		r.fault(path+".period.to", "a day from "+p.From+" on", p.To)
	}
	if g.Fields != Pseudonyms {
		return
	}
	if p := c.Recipient(g.Recipient); p != nil && p.Pseudonyms.IsZero() && !r.has("recipients."+p.ID+".pseudonyms") {
		r.fault(path+".fields", "a key for the pseudonyms of recipient "+p.ID, "none",
			fmt.Sprintf("make one: head -c 32 /dev/urandom | base64 > %s.key", p.ID),
			fmt.Sprintf("add to recipients.%s: pseudonyms: {file: %s.key}", p.ID, p.ID))
	}
	if slices.Contains(g.Kinds, events.KindDecision) {
		r.fault(path+".kinds", "kinds that can be pseudonymised", "decision, which names what was corrected in words")
	}
}

func (r *reader) checkRecipient(c *Config, path, id string) {
	if c.Recipient(id) == nil {
		r.unknownID(path, "a recipient of this file", id, ids(c.Recipients, func(p *Recipient) string { return p.ID }))
	}
}

func (r *reader) checkFeed(c *Config, f *Feed) {
	path := "feeds." + f.ID
	for _, farm := range f.Farms {
		r.checkFarm(c, path+".farms", farm)
	}
	for _, w := range f.Where {
		if !slices.Contains(f.Kinds, w.Kind) && r.has(path+".kinds") {
			r.fault(path+".where."+string(w.Kind), "a kind of this feed", quote(string(w.Kind)))
		}
	}
	if f.Recipient != "" {
		r.checkRecipient(c, path+".recipient", f.Recipient)
	}
	r.checkTarget(c, path, f)
	r.checkReplies(c, path, f)
	r.checkGrants(c, path, f)
}

func (r *reader) checkTarget(c *Config, path string, f *Feed) {
	mapped := f.Format == Mapped
	if mapped != r.has(path+".mapping") {
		r.fault(path, "format: mapping and mapping together", "one of them")
	}
	r.checkADE(c, path, f)
	if !r.has(path + ".to") {
		return
	}
	if !r.one(path+".to", "folder", "nats", "mqtt", "watermill", "webhook", "pull") {
		return
	}
	if r.has(path + ".to.folder") {
		if f.Deletes == DeletesFile && !mapped {
			r.fault(path+".deletes", "column or report with "+string(f.Format), "file")
		}
		return
	}
	way := "mqtt"
	switch {
	case f.Watermill != nil:
		way = "watermill"
	case f.Stream != nil:
		way = "nats"
		r.checkServer(path+".to.nats", &f.Stream.Server)
	case f.Webhook != nil:
		way = "webhook"
		r.checkWebhook(path, f.Webhook)
	case f.Pull != nil:
		way = "pull"
		if f.KnownAnimals {
			r.fault(path+".known-animals", "any with pull", "wait")
		}
	}
	if f.Format != CloudEvents && f.Format != "" && (f.Format != ADE || f.Pull == nil) {
		r.fault(path+".format", "cloudevents with "+way, string(f.Format))
	}
	if f.Deletes != DeletesColumn && f.Deletes != "" {
		r.fault(path+".deletes", "column with "+way, string(f.Deletes))
	}
}

// checkGrants wants a grant for each farm and kind of the feed.
func (r *reader) checkGrants(c *Config, path string, f *Feed) {
	if c.Recipient(f.Recipient) == nil {
		return // told already
	}
	for _, farm := range f.Farms {
		if c.Farm(farm) == nil {
			continue
		}
		var missing, rates []string
		for _, k := range f.Kinds {
			covered, only := false, false
			for i := range c.Grants {
				if g := &c.Grants[i]; g.Covers(farm, f.Recipient, k) {
					covered = covered || g.Fields != Rates
					only = only || g.Fields == Rates
				}
			}
			switch {
			case covered:
			case only:
				rates = append(rates, string(k))
			default:
				missing = append(missing, string(k))
			}
		}
		if len(missing) > 0 {
			r.fault(path, fmt.Sprintf("a grant of farm %s that lets recipient %s have %s", farm, f.Recipient, strings.Join(missing, ", ")), "none",
				"ask the farm; if it agrees, add under grants:",
				fmt.Sprintf("  - {farm: %s, recipient: %s, purpose: \"…\", kinds: [%s], fields: identities, from: YYYY-MM-DD}", farm, f.Recipient, strings.Join(missing, ", ")))
		}
		if len(rates) > 0 {
			r.fault(path, fmt.Sprintf("a grant of farm %s that lets recipient %s have %s", farm, f.Recipient, strings.Join(rates, ", ")), "one for rates only",
				"a grant for rates carries no events; ask the farm for fields: identities or pseudonyms")
		}
	}
}
