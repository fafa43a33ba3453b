package measures

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/url"
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

// identify makes the id of a figure of the report.
func (r *Report) identify(f *Figure) ID {
	return ID{r.Measure, f.Key, r.Question, r.Position, f.digest()}
}

func (f *Figure) digest() string {
	h := sha256.New()
	fmt.Fprintln(h, float64(f.Value), float64(f.Upper), text(f.X), text(f.N), float64(f.Time), len(f.Events))
	line := make([]byte, 0, 64)
	for _, list := range [][]events.Entity{f.Events, f.Base} {
		for _, e := range list {
			line = append(append(line[:0], e...), '\n')
			h.Write(line)
		}
	}
	return hex.EncodeToString(h.Sum(nil)[:4])
}

func text(n *int) string {
	if n == nil {
		return "-"
	}
	return strconv.Itoa(*n)
}

// String returns the text.
func (id ID) String() string {
	parts := []string{"figure", id.Measure, id.Key, url.QueryEscape(id.Question.Farm), id.Question.From + ".." + id.Question.To}
	for _, set := range settings {
		if v := set.of(&id.Question); !v.IsZero() {
			parts = append(parts, set.Name+"="+url.QueryEscape(fmt.Sprint(v.Interface())))
		}
	}
	return strings.Join(append(parts, "at="+strconv.FormatUint(uint64(id.At), 10), id.Digest), ":")
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
		if value, err = url.QueryUnescape(value); err != nil {
			return id, fault
		}
		if name != "at" {
			err = id.Question.Set(name, value)
		} else {
			var at uint64
			at, err = strconv.ParseUint(value, 10, 63)
			id.At = events.Position(at)
		}
		if err != nil {
			return id, fault
		}
	}
	return id, id.Question.Check()
}
