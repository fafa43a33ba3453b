package config

import (
	"regexp"

	"dewclaw/schema/codes"
)

var adeMembers = []member[ADEForm]{
	{"source", true, func(r *reader, v value, f *ADEForm) { f.Source = r.adeName(v) }},
	{"identifiers", false, func(r *reader, v value, f *ADEForm) { f.Identifiers = r.texts(v, r.scheme) }},
	{"schemes", false, func(r *reader, v value, f *ADEForm) {
		f.Schemes = map[string]string{}
		for _, p := range r.pairs(v) {
			if !codes.Find("schemes").Has(p.key) {
				r.unknownKey(v, p, codes.Find("schemes").Codes())
				continue
			}
			f.Schemes[p.key] = r.adeName(p.value)
		}
	}},
	{"locations", false, func(r *reader, v value, f *ADEForm) {
		f.Locations = map[string]ADEScheme{}
		for _, p := range r.pairs(v) {
			var l ADEScheme
			object(r, p.value, adeSchemeMembers, &l)
			f.Locations[p.key] = l
		}
	}},
	{"toes", false, func(r *reader, v value, f *ADEForm) { f.Toes = r.truth(v) }},
}

var adeSchemeMembers = []member[ADEScheme]{
	{"scheme", true, func(r *reader, v value, s *ADEScheme) { s.Scheme = r.adeName(v) }},
	{"id", true, func(r *reader, v value, s *ADEScheme) { s.ID = r.text(v) }},
}

// adeForm is a reverse domain name or a URI.
var adeForm = regexp.MustCompile(`^([A-Za-z0-9-]+(\.[A-Za-z0-9-]+)+|[a-z][a-z0-9+.-]*:[!-~]+)$`)

func (r *reader) adeName(v value) string {
	s := r.text(v)
	if s != "" && !adeForm.MatchString(s) {
		r.wrong(v, "a reverse domain name such as org.example.herd, or a URI", quote(s))
	}
	return s
}

// scheme reads one of our schemes of identifiers.
func (r *reader) scheme(v value) string {
	s := r.text(v)
	if list := codes.Find("schemes"); s != "" && !list.Has(s) {
		p := list.Problem(s)
		r.wrong(v, p.Wanted, p.Got)
	}
	return s
}

// checkADE checks what a feed of format ade must have.
func (r *reader) checkADE(c *Config, path string, f *Feed) {
	is := f.Format == ADE
	if is != r.has(path+".ade") {
		if is {
			r.fault(path+".ade", "how resources are named: {source: org.example.herd}", "nothing", "add under "+path+": ade: {source: …}, a reverse domain name of yours")
		} else {
			r.fault(path+".ade", "it only beside format: ade", "format: "+string(f.Format))
		}
	}
	for farm := range f.ADE.Locations {
		r.checkFarm(c, path+".ade.locations", farm)
	}
}
