package codes

import (
	"slices"
	"strconv"
	"strings"
)

// A ClawScheme is an entry of the list claw-schemes: how a source names claws.
type ClawScheme struct {
	Entry `yaml:",inline"`
	Words []string `yaml:"words"`
	Order []string `yaml:"order"` // "foot claw" for the numbers from 1; nil if the scheme has no numbers
}

var clawSchemes = later[ClawScheme]("claw-schemes")

// ClawSchemes returns the list of ways to name claws.
func ClawSchemes() *Table[ClawScheme] { return clawSchemes() }

// A Spot is a claw on a foot.
type Spot struct {
	Foot string // list feet; "" if it is not told
	Claw string // list claws
}

// Words every scheme knows: no claw, and nobody knows which. They are kept apart.
const (
	NoClaw      = "none"
	UnknownClaw = "unknown"
)

// dewclaw begins the words and the codes of accessory claws.
const dewclaw = "dewclaw-"

// ClawOf returns the claw that word names in a scheme (list claw-schemes), on
// the foot, which is "" if the word has to tell it. The foot is the animal's own:
// left is its left, whoever looks from where. Words are those of the scheme, or
// none or unknown; a word of the source is led to them by a table first.
//
// Nothing is mirrored but by the declared scheme: seen from behind, the left claw
// of a left foot is the outer one, of a right foot the inner one; seen from the
// front it is the other way round (anatomy, from memory). Left and right say
// nothing without a foot. A number tells the foot itself; the problem says so if
// foot is another one. It does not allocate unless there is a problem.
func ClawOf(scheme, foot, word string) (Spot, *Problem) {
	s := ClawSchemes().Get(scheme)
	if s == nil {
		return Spot{}, ClawSchemes().Problem(scheme)
	}
	if foot != "" && !Find("feet").Has(foot) {
		return Spot{}, Find("feet").Problem(foot)
	}
	if word == NoClaw || word == UnknownClaw {
		return Spot{foot, word}, nil
	}
	i := slices.Index(s.Words, word)
	if i < 0 {
		return Spot{}, &Problem{Wanted: "one of " + join(s.Words) + ", " + NoClaw + ", " + UnknownClaw + " (" + scheme + ")", Got: quote(word)}
	}
	if s.Order != nil {
		return s.numbered(i, foot, word)
	}
	side, accessory := strings.CutPrefix(word, dewclaw)
	var outer bool
	switch side {
	case "outer", "lateral":
		outer = true
	case "left", "right":
		if foot == "" {
			return Spot{}, &Problem{Wanted: "the foot, to tell inner and outer of a " + word + " claw", Got: "nothing"}
		}
		outer = (side == "left") == (foot[0] == 'L')
		if scheme == "from-front" {
			outer = !outer
		}
	}
	return Spot{foot, clawCodes[accessory][outer]}, nil
}

// clawCodes are the claws by accessory and outer.
var clawCodes = map[bool]map[bool]string{
	false: {false: "inner", true: "outer"},
	true:  {false: dewclaw + "inner", true: dewclaw + "outer"},
}

func (s *ClawScheme) numbered(i int, foot, word string) (Spot, *Problem) {
	f, claw, _ := strings.Cut(s.Order[i], " ")
	if foot != "" && foot != f {
		return Spot{}, &Problem{Wanted: "a claw of " + foot, Got: "claw " + word + ", which is on " + f + " (" + s.Code + ")"}
	}
	return Spot{f, claw}, nil
}

// ClawNumber returns the number a claw has in a scheme of numbers, and whether
// it has one: dewclaws have none, and so has a claw without its foot.
func ClawNumber(scheme string, at Spot) (string, bool) {
	s := ClawSchemes().Get(scheme)
	if s == nil || s.Order == nil {
		return "", false
	}
	for i, o := range s.Order {
		if foot, claw, _ := strings.Cut(o, " "); foot == at.Foot && claw == at.Claw {
			return strconv.Itoa(i + 1), true
		}
	}
	return "", false
}
