package codes

import (
	"slices"
	"strings"
	"testing"
)

// Source of all rows: anatomy, from memory; numbers: common practice, no source.
func TestClawOf(t *testing.T) {
	tests := []struct{ scheme, foot, word, wantFoot, wantClaw, problem string }{
		{"inner-outer", "LH", "outer", "LH", "outer", ""},
		{"inner-outer", "", "inner", "", "inner", ""},
		{"inner-outer", "RF", "dewclaw-inner", "RF", "dewclaw-inner", ""},
		{"medial-lateral", "RH", "lateral", "RH", "outer", ""}, // adewg/ICAR 97aa0c3 icarPositionOnAnimalType: OuterToeRearRight
		{"medial-lateral", "LF", "medial", "LF", "inner", ""},  // the same: InnerToeFrontLeft
		{"medial-lateral", "LF", "dewclaw-lateral", "LF", "dewclaw-outer", ""},
		{"from-behind", "LH", "left", "LH", "outer", ""},
		{"from-behind", "LH", "right", "LH", "inner", ""},
		{"from-behind", "RH", "left", "RH", "inner", ""},
		{"from-behind", "RF", "right", "RF", "outer", ""},
		{"from-behind", "LF", "dewclaw-left", "LF", "dewclaw-outer", ""},
		{"from-front", "LF", "left", "LF", "inner", ""},
		{"from-front", "LF", "right", "LF", "outer", ""},
		{"from-front", "RF", "left", "RF", "outer", ""},
		{"from-front", "RH", "dewclaw-right", "RH", "dewclaw-inner", ""},
		{"numbers-across", "", "1", "LF", "outer", ""},
		{"numbers-across", "", "3", "RF", "inner", ""},
		{"numbers-across", "RH", "8", "RH", "outer", ""},
		{"numbers-across-hind", "", "1", "LH", "outer", ""},
		{"numbers-by-foot", "", "4", "RF", "inner", ""},
		{"numbers-across", "LH", "none", "LH", "none", ""},
		{"from-front", "", "unknown", "", "unknown", ""},
		{"from-behind", "", "left", "", "", "wanted the foot, to tell inner and outer of a left claw, got nothing"},
		{"numbers-across", "LF", "8", "", "", `wanted a claw of LF, got claw 8, which is on RH (numbers-across)`},
		{"numbers-across", "", "9", "", "", `wanted one of 1, 2, 3, 4, 5, 6, 7, 8, none, unknown (numbers-across), got "9"`},
		{"inner-outer", "LH", "lateral", "", "", `wanted one of inner, outer, dewclaw-inner, dewclaw-outer, none, unknown (inner-outer), got "lateral"`},
		{"inner-outer", "RX", "outer", "", "", `wanted one of LF, RF, LH, RH, got "RX"`},
		{"hat", "LH", "outer", "", "", `wanted one of inner-outer, medial-lateral, from-behind, from-front, numbers-across, numbers-across-hind, numbers-by-foot, got "hat"`},
		{"inner-outer", "LH", "", "", "", "got \"\""},
	}
	for _, tt := range tests {
		got, p := ClawOf(tt.scheme, tt.foot, tt.word)
		switch {
		case tt.problem == "" && (p != nil || got != Spot{tt.wantFoot, tt.wantClaw}):
			t.Errorf("ClawOf(%s, %s, %s) = %v, %v, wanted %s %s", tt.scheme, tt.foot, tt.word, got, p, tt.wantFoot, tt.wantClaw)
		case tt.problem != "" && (p == nil || got != Spot{} || !strings.Contains(p.Error(), tt.problem)):
			t.Errorf("ClawOf(%s, %s, %s) = %v, %v, wanted %s", tt.scheme, tt.foot, tt.word, got, p, tt.problem)
		}
	}
	if n := testing.AllocsPerRun(100, func() { ClawOf("from-front", "LF", "dewclaw-left") }); n != 0 {
		t.Errorf("allocates %v times", n)
	}
}

// Every word of every scheme leads to one claw of one foot, and no two to the same.
func TestClawOf_IsOneToOne(t *testing.T) {
	for _, s := range ClawSchemes().All() {
		if s.Order != nil && len(s.Order) != len(s.Words) {
			t.Errorf("%s orders %d claws and has %d words", s.Code, len(s.Order), len(s.Words))
		}
		feet := Find("feet").Codes()
		if s.Order != nil {
			feet = []string{""}
		}
		seen := map[Spot]string{}
		for _, foot := range feet {
			for _, word := range s.Words {
				at, p := ClawOf(s.Code, foot, word)
				if p != nil || !Find("claws").Has(at.Claw) || !Find("feet").Has(at.Foot) || foot != "" && at.Foot != foot {
					t.Errorf("%s %s %s: %v, %v", s.Code, foot, word, at, p)
				}
				if other, twice := seen[at]; twice {
					t.Errorf("%s: %s and %s are both %v", s.Code, other, word, at)
				}
				seen[at] = word
				if n, ok := ClawNumber(s.Code, at); ok != (s.Order != nil) || ok && n != word {
					t.Errorf("%s: %v has the number %q, %v, wanted %q", s.Code, at, n, ok, word)
				}
			}
		}
		if want := map[bool]int{true: 8, false: 16}[s.Order != nil]; len(seen) != want {
			t.Errorf("%s leads to %d claws, wanted %d", s.Code, len(seen), want)
		}
	}
	if _, ok := ClawNumber("numbers-across", Spot{"LF", "dewclaw-inner"}); ok {
		t.Error("a dewclaw has a number")
	}
	if _, ok := ClawNumber("hat", Spot{"LF", "inner"}); ok {
		t.Error("there is a scheme hat")
	}
}

// What is seen from the front is the mirror of what is seen from behind, and
// mirroring twice changes nothing.
func TestClawOf_FrontMirrorsBehind(t *testing.T) {
	for _, foot := range Find("feet").Codes() {
		for _, word := range ClawSchemes().Get("from-behind").Words {
			behind, _ := ClawOf("from-behind", foot, word)
			mirrored := strings.NewReplacer("left", "right", "right", "left").Replace(word)
			front, _ := ClawOf("from-front", foot, mirrored)
			if behind != front {
				t.Errorf("%s %s: %v from behind, %v from the front as %s", foot, word, behind, front, mirrored)
			}
		}
	}
	if !slices.Equal(ClawSchemes().Get("from-behind").Words, ClawSchemes().Get("from-front").Words) {
		t.Error("the two views have different words")
	}
}
