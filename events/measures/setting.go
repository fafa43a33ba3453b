package measures

import (
	"fmt"
	"reflect"
	"strconv"
	"strings"
)

// A Setting is one member of a [Question] that has a default.
type Setting struct {
	Name    string
	Meaning string
	Default float64 // 0 where the meaning says what holds
	Low     float64
	High    float64
	field   string
}

// settings in the order in which an [ID] has them. Sources: two lame scores at most
// three weeks apart and two sound ones, Daros et al. 2019, J Dairy Sci, and Thomas
// et al. 2015, J Dairy Sci 98:4477, with scores every two weeks; 48 hours,
// dairynz.co.nz (identifying lameness); early loss of glued soft wood blocks, N Z
// Vet J 2021; detection and precision as surveys have them, Main et al. 2010; the
// other defaults are own choice, common practice without a source.
var settings = []Setting{
	{"level", "share of intervals that hold what they are for", 0.95, 0.5, 0.9999, "Level"},
	{"gap", "days between two records of one lesion case; 28, 42 and 60 are in use", 0, 1, 1000, "Gap"},
	{"least", "animals that make a session", 10, 1, 10_000, "Least"},
	{"confirm", "days within which two lame scores confirm each other", 21, 1, 1000, "Confirm"},
	{"sound", "not-lame scores in a row that end an episode", 2, 1, 100, "Sound"},
	{"hours", "hours within which a lame animal is to be examined", 48, 1, 10_000, "Hours"},
	{"early", "days before which a block is lost early", 10, 1, 1000, "Early"},
	{"blocked", "days within which an ulcer is to be blocked", 2, 1, 1000, "Blocked"},
	{"span", "wanted precision in points", 5, 0.01, 50, "Span"},
	{"expect", "expected prevalence in percent; that of the newest session where none is set, or 50", 0, 0.01, 99.99, "Expect"},
	{"detect", "prevalence in percent that is to be noticed", 5, 0.01, 100, "Detect"},
	{"target", "target of the cumulative sums in percent; the mean of the sessions where none is set", 0, 0.01, 99.99, "Target"},
	{"slack", "standard errors let pass by the cumulative sums", 0.5, 0.01, 100, "Slack"},
	{"decision", "standard errors at which the cumulative sums signal", 5, 0.01, 1000, "Decision"},
	{"cover", "percent of the herd below which a session is taken for chosen animals, and stays out of lines, limits and tests; for samples drawn at random set it lower", leastCover, 1, 100, "Cover"},
	{"of", "which animals: in-milk, cows or all", 0, 0, 0, "Of"},
	{"by", "what figures are split by", 0, 0, 0, "By"},
	{"scale", "only scores on this scale", 0, 0, 0, "Scale"},
}

// Settings returns the settings that are numbers.
func Settings() (out []Setting) {
	for _, s := range settings {
		if s.High > 0 {
			out = append(out, s)
		}
	}
	return out
}

func (s *Setting) of(q *Question) reflect.Value {
	return reflect.ValueOf(q).Elem().FieldByName(s.field)
}

// Set gives a setting its value. The error is of kind [events.ErrInvalid].
func (q *Question) Set(name, value string) error {
	var names []string
	for _, s := range settings {
		names = append(names, s.Name)
		if s.Name != name {
			continue
		}
		v := s.of(q)
		switch v.Kind() {
		case reflect.String:
			v.SetString(value)
			return nil
		case reflect.Int:
			n, err := strconv.ParseInt(value, 10, 32)
			if err != nil || n == 0 {
				return bad(name, s.wanted(v), value)
			}
			v.SetInt(n)
		case reflect.Float64:
			n, err := strconv.ParseFloat(value, 64)
			if err != nil || n == 0 {
				return bad(name, s.wanted(v), value)
			}
			v.SetFloat(n)
		}
		return s.check(q)
	}
	return bad("setting", "one of "+strings.Join(names, ", "), name)
}

func (s *Setting) wanted(v reflect.Value) string {
	kind := "a number"
	if v.Kind() == reflect.Int {
		kind = "a whole number"
	}
	return fmt.Sprintf("%s from %v to %v", kind, s.Low, s.High)
}

// check holds a number that is set to its bounds.
func (s *Setting) check(q *Question) error {
	v := s.of(q)
	if v.Kind() == reflect.String || v.IsZero() {
		return nil
	}
	n := 0.0
	if v.CanInt() {
		n = float64(v.Int())
	} else {
		n = v.Float()
	}
	if !(n >= s.Low && n <= s.High) {
		return bad(s.Name, s.wanted(v), fmt.Sprint(n))
	}
	return nil
}

// withDefaults returns the question with every number filled in; gap is that of
// the herd.
func (q Question) withDefaults(gap int) Question {
	for _, s := range settings {
		v := s.of(&q)
		switch {
		case !v.IsZero():
		case v.CanInt():
			v.SetInt(int64(s.Default))
		case v.CanFloat():
			v.SetFloat(s.Default)
		}
	}
	if q.Gap == 0 {
		q.Gap = gap
	}
	return q
}
