package config

import (
	"fmt"
	"math"
	"net/url"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// text reads a text that is not empty; "" with a fault otherwise.
func (r *reader) text(v value) string {
	var s string
	switch n := v.node.(type) {
	case *ast.StringNode:
		s = n.Value
	case *ast.LiteralNode:
		s = n.Value.Value
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		r.wrong(v, "a text", describe(n), fmt.Sprintf("put it in quotes: %q", clip(n.GetToken().Value)))
		return ""
	default:
		r.wrong(v, "a text", describe(v.node))
		return ""
	}
	if strings.TrimSpace(s) == "" {
		r.wrong(v, "a text", "an empty one")
		return ""
	}
	if strings.ContainsFunc(s, func(c rune) bool { return c < ' ' && c != '\n' || c == 0x7f }) {
		r.wrong(v, "a text without control characters", quote(s))
		return ""
	}
	return s
}

// texts reads a list of texts, or one text as a list of one.
func (r *reader) texts(v value, read func(value) string) []string {
	items, ok := r.items(v, true)
	if !ok {
		return nil
	}
	var out []string
	for _, x := range items {
		s := read(x)
		if s == "" {
			continue
		}
		if slices.Contains(out, s) {
			r.wrong(x, "each value once", quote(s)+" again")
			continue
		}
		out = append(out, s)
	}
	return out
}

// items returns the elements of a list that is not empty. A scalar counts as a
// list of one if single is set.
func (r *reader) items(v value, single bool) ([]value, bool) {
	switch n := v.node.(type) {
	case *ast.SequenceNode:
		if len(n.Values) == 0 {
			r.wrong(v, "at least one value", "an empty list")
			return nil, false
		}
		var out []value
		for i, e := range n.Values {
			x := r.resolve(value{node: e, path: fmt.Sprintf("%s[%d]", v.path, i), at: nodePlace(e)})
			r.places[x.path] = x.at
			out = append(out, x)
		}
		return out, true
	case nil, *ast.MappingNode:
	default:
		if single {
			return []value{v}, true
		}
	}
	r.wrong(v, "a list", describe(v.node))
	return nil, false
}

var idForm = regexp.MustCompile(`^[a-z][a-z0-9-]{0,62}$`)

const idWanted = "lower-case letters, digits and hyphens, a letter first, at most 63"

// id reads the id of something that is named elsewhere in the file.
func (r *reader) id(v value) string {
	s := r.text(v)
	if s != "" && !idForm.MatchString(s) {
		r.wrong(v, idWanted, quote(s))
		return ""
	}
	return s
}

// choice reads one of the words.
func (r *reader) choice(v value, words ...string) string {
	s := r.text(v)
	if s == "" || slices.Contains(words, s) {
		return s
	}
	var hints []string
	if near := codes.Nearest(s, words, 1); len(near) == 1 && alike(s, near[0]) {
		hints = []string{fmt.Sprintf("did you mean %q?", near[0])}
	}
	r.wrong(v, "one of "+strings.Join(words, ", "), quote(s), hints...)
	return ""
}

// truth reads true or false.
func (r *reader) truth(v value) bool {
	if b, ok := v.node.(*ast.BoolNode); ok {
		return b.Value
	}
	r.wrong(v, "true or false", describe(v.node))
	return false
}

// whole reads a whole number within bounds, both allowed.
func (r *reader) whole(v value, low, high int) int {
	wanted := fmt.Sprintf("a whole number from %d to %d", low, high)
	n, ok := v.node.(*ast.IntegerNode)
	if !ok {
		r.wrong(v, wanted, describe(v.node))
		return 0
	}
	i, err := strconv.Atoi(n.GetToken().Value) // plain digits only: the schema reads no other form
	if err != nil || i < low || i > high {
		r.wrong(v, wanted, describe(n))
		return 0
	}
	return i
}

var durationForm = regexp.MustCompile(`^([0-9]+d)?([0-9]+h)?([0-9]+m)?([0-9]+s)?([0-9]+ms)?$`)

// duration reads whole days, hours, minutes, seconds and milliseconds.
func (r *reader) duration(v value, low time.Duration) time.Duration {
	s := r.text(v)
	if s == "" {
		return 0
	}
	d, ok := parseDuration(s)
	switch {
	case !ok:
		r.wrong(v, "a duration such as 90s, 36h or 7d", quote(s))
	case d < low:
		r.wrong(v, "at least "+low.String(), quote(s))
	default:
		return d
	}
	return 0
}

func parseDuration(s string) (time.Duration, bool) {
	if s == "" || len(s) > 40 || !durationForm.MatchString(s) {
		return 0, false
	}
	var days time.Duration
	if head, rest, ok := strings.Cut(s, "d"); ok {
		n, err := strconv.ParseInt(head, 10, 64)
		if err != nil || n > 100*365 {
			return 0, false
		}
		if days, s = time.Duration(n)*24*time.Hour, rest; s == "" {
			return days, true
		}
	}
	d, err := time.ParseDuration(s)
	if err != nil || d > math.MaxInt64-days {
		return 0, false
	}
	return days + d, true
}

var sizeForm = regexp.MustCompile(`^([1-9][0-9]{0,9})(B|KiB|MiB|GiB)$`)

// size reads a number of bytes: 512KiB, 4MiB.
func (r *reader) size(v value, low, high int) int {
	wanted := fmt.Sprintf("a size from %s to %s", sizeText(low), sizeText(high))
	s := r.text(v)
	if s == "" {
		return 0
	}
	m := sizeForm.FindStringSubmatch(s)
	if m == nil {
		r.wrong(v, wanted+", such as 4MiB", quote(s))
		return 0
	}
	n, _ := strconv.Atoi(m[1])
	n *= map[string]int{"B": 1, "KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30}[m[2]]
	if n < low || n > high {
		r.wrong(v, wanted, quote(s))
		return 0
	}
	return n
}

func sizeText(n int) string {
	if n >= 1<<20 {
		return fmt.Sprintf("%dMiB", n>>20)
	}
	return fmt.Sprintf("%dKiB", n>>10)
}

var dayForm = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}$`)

// day reads a day of the calendar, YYYY-MM-DD.
func (r *reader) day(v value) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	if _, err := time.Parse(time.DateOnly, s); err != nil || !dayForm.MatchString(s) {
		r.wrong(v, "a day as YYYY-MM-DD", quote(s))
		return ""
	}
	return s
}

// path reads a path relative to the folder of the file.
func (r *reader) path(v value) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	return r.resolvePath(s)
}

// Builtin stands before the name of a mapping that is built in.
const Builtin = "builtin:"

// mapping reads the path of a mapping, or the name of one that is built in.
func (r *reader) mapping(v value) string {
	if s := r.text(v); strings.HasPrefix(s, Builtin) {
		return s
	}
	return r.path(v)
}

// zone reads an IANA zone.
func (r *reader) zone(v value) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	if _, err := time.LoadLocation(s); err != nil || s == "Local" {
		r.wrong(v, "an IANA time zone such as Europe/Berlin", quote(s))
		return ""
	}
	return s
}

// server reads the URL of a NATS server, without anything secret in it.
func (r *reader) server(v value) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	for one := range strings.SplitSeq(s, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		switch {
		case err != nil || u.Host == "" || !slices.Contains([]string{"nats", "tls", "ws", "wss"}, u.Scheme):
			r.wrong(v, "nats://host:port, tls://host:port, ws:// or wss://", quote(s))
			return ""
		case u.User != nil:
			r.wrong(v, "a URL without user and password", "one with them",
				"use the keys creds, token, or user and password, each {file: …} or {env: …}")
			return ""
		}
	}
	return s
}

// pattern reads a pattern of file names.
func (r *reader) pattern(v value) string {
	s := r.text(v)
	if s == "" {
		return ""
	}
	if _, err := path.Match(s, ""); err != nil {
		r.wrong(v, "a pattern such as *.csv", quote(s))
		return ""
	}
	return s
}

var envForm = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

var secretMembers = []member[Secret]{
	{"file", false, func(r *reader, v value, s *Secret) { s.File = r.path(v) }},
	{"env", false, func(r *reader, v value, s *Secret) {
		s.Env = r.text(v)
		if s.Env != "" && !envForm.MatchString(s.Env) {
			r.wrong(v, "the name of an environment variable", "something else")
		}
	}},
}

// secret reads a reference to a secret. What stands there instead is never repeated.
func (r *reader) secret(v value) Secret {
	m, ok := v.node.(*ast.MappingNode)
	if !ok || len(m.Values) != 1 {
		r.wrong(v, "{file: …} or {env: …}", "something else", "a secret never stands in the config: put it into a file or an environment variable")
		return Secret{}
	}
	var s Secret
	object(r, v, secretMembers, &s)
	return s
}

// kinds reads a list of kinds of events.
func (r *reader) kinds(v value) []events.Kind {
	var out []events.Kind
	for _, s := range r.texts(v, func(x value) string { return r.choice(x, kindWords()...) }) {
		out = append(out, events.Kind(s))
	}
	return out
}

func kindWords() []string {
	var out []string
	for _, k := range events.Kinds() {
		out = append(out, string(k))
	}
	return out
}
