package demo

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"dewclaw/events"
)

// An original is one file of a device, as its mapping wants it.
type original struct {
	name string // below the project folder, with slashes
	body []byte
	when time.Time // of the last thing in it
}

// A device turns a year of work into originals and tells what they must give.
type device struct {
	source    string
	originals []original
	counts    events.Counts
	rotten    map[string]int // rotten records by kind of rot
}

func (v *device) add(name string, when time.Time, body []byte) {
	v.originals = append(v.originals, original{"in/" + v.source + "/" + name, body, when})
}

// spoil notes one rotten record.
func (v *device) spoil(kind string) {
	if v.rotten == nil {
		v.rotten = map[string]int{}
	}
	v.rotten[kind]++
}

// balance fills in what follows from the other counts.
func (v *device) balance() {
	c := &v.counts
	c.Read = c.Accepted + c.Duplicate + c.Amended + c.Held + c.Ignored
}

// marks chooses n of total places, the rotten ones, in order.
func marks(d dice, n, total int) map[int]bool {
	m := map[int]bool{}
	for _, i := range d.Perm(total)[:n] {
		m[i] = true
	}
	return m
}

// months splits a list by the month of its times; it must be sorted.
func months[T any](list []T, at func(T) time.Time) [12][]T {
	var out [12][]T
	for _, x := range list {
		m := at(x).Month() - 1
		out[m] = append(out[m], x)
	}
	return out
}

// feetOf lists the feet an examination lifted, in the order LF RF LH RH.
func (x *exam) feetOf() []string {
	var out []string
	for _, foot := range []string{"LF", "RF", "LH", "RH"} {
		_, measured := x.toe[foot]
		if measured || slices.ContainsFunc(x.off, func(o off) bool { return o.foot == foot }) {
			out = append(out, foot)
		}
	}
	return out
}

func (x *exam) lesionOn(foot string) *lesion {
	for i := range x.found {
		if x.found[i].foot == foot {
			return &x.found[i]
		}
	}
	return nil
}

// latin1 returns s as Windows-1252 for characters that ISO 8859-1 has too.
func latin1(s string) []byte {
	b := make([]byte, 0, len(s))
	for _, r := range s {
		if r > 0xff {
			panic(fmt.Sprintf("%q is not in ISO 8859-1", r))
		}
		b = append(b, byte(r))
	}
	return b
}

// quoted writes a cell the way RFC 4180 does, where it must.
func quoted(s string, delimiter string) string {
	if strings.ContainsAny(s, "\""+delimiter+"\r\n") {
		return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
	}
	return s
}
