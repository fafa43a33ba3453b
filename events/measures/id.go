package measures

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/url"
	"reflect"
	"strconv"
	"strings"

	"dewclaw/events"
)

// An ID names one figure: what was asked, of which farm and period, and at which
// log position it was worked out. From it the figure can be worked out again and
// led back to its events; Digest tells whether it is still the same. Its text is
//
//	figure:MEASURE:KEY:FARM:FROM..TO[:SETTING=VALUE…]:at=POSITION:DIGEST
//
// with %-escapes in the farm and in values, such as
// figure:lameness:lame.2025-12-15:oak:2025-12-01..2025-12-31:at=412:9f2c01ab.
type ID struct {
	Measure, Key string
	Question     Question
	At           events.Position
	Digest       string // 8 digits of the SHA-256 of value, counts and events
}

// IDPrefix begins the text of an ID.
const IDPrefix = "figure:"

// ID returns the id of a figure of the report, before [Share] took its events.
func (r *Report) ID(f *Figure) ID {
	return ID{r.Measure, f.Key, r.Question, r.Position, f.digest()}
}

func (f *Figure) digest() string {
	b, err := json.Marshal([]any{f.Value, f.Upper, f.X, f.N, f.Time, f.Events, f.Base})
	if err != nil {
		panic(err) // plain values
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:4])
}

// String returns the text.
func (id ID) String() string {
	parts := []string{"figure", id.Measure, id.Key, url.QueryEscape(id.Question.Farm), id.Question.From + ".." + id.Question.To}
	v := reflect.ValueOf(id.Question)
	for i := range v.NumField() {
		if name, ok := settingName(v.Type().Field(i)); ok && !v.Field(i).IsZero() {
			parts = append(parts, name+"="+url.QueryEscape(fmt.Sprint(v.Field(i).Interface())))
		}
	}
	return strings.Join(append(parts, "at="+strconv.FormatUint(uint64(id.At), 10), id.Digest), ":")
}

// settingName returns how a setting of a question is named in an id; the farm and
// the period have places of their own.
func settingName(f reflect.StructField) (string, bool) {
	switch f.Name {
	case "Farm", "From", "To":
		return "", false
	}
	return strings.ToLower(f.Name), true
}

// ParseID reads the text of an id. The error is of kind [events.ErrInvalid].
func ParseID(s string) (id ID, err error) {
	fault := &events.Fault{
		Kind: events.ErrInvalid, Who: "measure", What: "id of a figure",
		Wanted: "figure:MEASURE:KEY:FARM:FROM..TO:at=POSITION:DIGEST", Got: fmt.Sprintf("%.200q", s),
		Hints: []string{"ids stand in the last column of: dewclaw measure NAME --format csv"},
	}
	parts := strings.Split(s, ":")
	if len(parts) < 7 || parts[0] != "figure" {
		return id, fault
	}
	id.Measure, id.Key, id.Digest = parts[1], parts[2], parts[len(parts)-1]
	farm, err := url.QueryUnescape(parts[3])
	from, to, ok := strings.Cut(parts[4], "..")
	if err != nil || !ok {
		return id, fault
	}
	id.Question = Question{Farm: farm, From: from, To: to}
	for _, p := range parts[5 : len(parts)-1] {
		name, value, _ := strings.Cut(p, "=")
		if value, err = url.QueryUnescape(value); err != nil || !id.set(name, value) {
			return id, fault
		}
	}
	return id, id.Question.Check()
}

// set gives a setting its value; false if there is no such setting or value.
func (id *ID) set(name, value string) bool {
	if name == "at" {
		n, err := strconv.ParseUint(value, 10, 63)
		id.At = events.Position(n)
		return err == nil
	}
	v := reflect.ValueOf(&id.Question).Elem()
	for i := range v.NumField() {
		if n, ok := settingName(v.Type().Field(i)); !ok || n != name {
			continue
		}
		switch f := v.Field(i); f.Kind() {
		case reflect.String:
			f.SetString(value)
		case reflect.Int:
			n, err := strconv.Atoi(value)
			f.SetInt(int64(n))
			return err == nil
		case reflect.Float64:
			n, err := strconv.ParseFloat(value, 64)
			f.SetFloat(n)
			return err == nil
		}
		return true
	}
	return false
}
