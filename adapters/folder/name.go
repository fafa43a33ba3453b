package folder

import (
	"path"
	"strconv"
	"strings"
	"unicode/utf8"
)

// asideName is the folder a file passes through on its way to being moved or
// deleted: see clear.
const asideName = ".dewclaw-aside"

// label returns a name that may be printed and stored: as it is, or as a Go
// string literal.
func label(name string) string {
	if !utf8.ValidString(name) || strings.HasPrefix(name, `"`) {
		return strconv.Quote(name)
	}
	for _, r := range name {
		if !strconv.IsPrint(r) {
			return strconv.Quote(name)
		}
	}
	return name
}

// passing reports whether a base name is one that programs give to files they
// have not finished, or hide (common practice, no source).
func passing(base string) bool {
	if strings.HasPrefix(base, ".") || strings.HasPrefix(base, "~") || strings.HasSuffix(base, "~") {
		return true
	}
	switch strings.ToLower(path.Ext(base)) {
	case ".tmp", ".temp", ".part", ".partial", ".swp":
		return true
	}
	return false
}

// A matcher is the patterns of a source in lower case.
type matcher []string

func newMatcher(patterns []string) matcher {
	m := make(matcher, 0, len(patterns))
	for _, p := range patterns {
		m = append(m, strings.ToLower(p))
	}
	return m
}

// match reports whether the file of a path below the folder is wanted.
func (m matcher) match(name string) bool {
	if len(m) == 0 {
		return true
	}
	name = strings.ToLower(name)
	base := path.Base(name)
	for _, p := range m {
		s := base
		if strings.Contains(p, "/") {
			s = name
		}
		if ok, _ := path.Match(p, s); ok {
			return true
		}
	}
	return false
}

// numbered puts a number into a base name, before its first point: the n-th try
// to find a name that is free.
func numbered(base string, n int) string {
	if n < 2 {
		return base
	}
	stem, rest := base, ""
	if i := strings.IndexByte(base[1:], '.'); i >= 0 {
		stem, rest = base[:i+1], base[i+1:]
	}
	return stem + "-" + strconv.Itoa(n) + rest
}
