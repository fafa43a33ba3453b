package codes

import (
	"strconv"
	"sync"
)

// WideZones is the map of 13 zones, the one in which lesions tell where they
// are usual.
const WideZones = "claw-zones-13"

// A ZoneMap is an entry of the list zone-maps: it numbers zones First to Last.
type ZoneMap struct {
	Entry `yaml:",inline"`
	First int `yaml:"first"`
	Last  int `yaml:"last"`
}

// Has reports whether the map has a zone n.
func (m *ZoneMap) Has(n int) bool { return n >= m.First && n <= m.Last }

// Zone returns zone n of the map, or nil.
func (m *ZoneMap) Zone(n int) *Zone {
	if !m.Has(n) {
		return nil
	}
	return zoneIndex()[zoneKey{m.Code, n}]
}

// Problem says that got is no zone of the map.
func (m *ZoneMap) Problem(got string) *Problem {
	return &Problem{
		Wanted: "a zone from " + strconv.Itoa(m.First) + " to " + strconv.Itoa(m.Last) + " (map " + m.Code + ")",
		Got:    quote(got),
	}
}

var zoneMaps = later[ZoneMap]("zone-maps")

// ZoneMaps returns the list of zone maps.
func ZoneMaps() *Table[ZoneMap] { return zoneMaps() }

// A Zone is an entry of the list zones. Its code is the map, a colon and the number.
type Zone struct {
	Entry  `yaml:",inline"`
	Map    string `yaml:"map"`
	Number int    `yaml:"number"`
	Word   string `yaml:"word"`   // anatomical place (list zone-words); "" where sources do not settle it
	Tissue string `yaml:"tissue"` // horn or skin
	Per    string `yaml:"per"`    // claw, or foot: it may have no claw side
}

var zones = later[Zone]("zones")

// Zones returns the list of the zones of all maps.
func Zones() *Table[Zone] { return zones() }

// A ZoneWord is an entry of the list zone-words: an anatomical place.
type ZoneWord struct {
	Entry  `yaml:",inline"`
	Tissue string `yaml:"tissue"` // as in Zone
	Per    string `yaml:"per"`    // as in Zone
}

var zoneWords = later[ZoneWord]("zone-words")

// ZoneWords returns the list of anatomical places.
func ZoneWords() *Table[ZoneWord] { return zoneWords() }

// At returns the zone of the map that an anatomical word names, and whether
// there is exactly one: two zones share a wall, and no word is cut in halves.
func (m *ZoneMap) At(word string) (n int, ok bool) {
	if word == "" {
		return 0, false
	}
	for i := m.First; i <= m.Last; i++ {
		if z := m.Zone(i); z.Word != word {
			continue
		} else if ok {
			return 0, false
		} else {
			n, ok = z.Number, true
		}
	}
	return n, ok
}

type zoneKey struct {
	name   string
	number int
}

var zoneIndex = sync.OnceValue(func() map[zoneKey]*Zone {
	t := Zones()
	m := make(map[zoneKey]*Zone, len(t.rows))
	for i := range t.rows {
		z := &t.rows[i]
		m[zoneKey{z.Map, z.Number}] = z
	}
	return m
})

// ConvertZone returns the number that zone n of one map has on another, and
// whether that is safe: it is for 1 to 6, the weight-bearing face, and on the
// same map. Anything else is not known and never guessed.
func ConvertZone(from *ZoneMap, n int, to *ZoneMap) (int, bool) {
	if !from.Has(n) || !to.Has(n) {
		return 0, false
	}
	if from == to || n >= 1 && n <= 6 {
		return n, true
	}
	return 0, false
}
