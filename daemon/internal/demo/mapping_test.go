package demo

import (
	"bytes"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"dewclaw/adapters"
	"dewclaw/adapters/csv"
	"dewclaw/adapters/json"
	"dewclaw/adapters/mapping"
	"dewclaw/events"
	"dewclaw/schema"
	"dewclaw/schema/rules"
)

var decoders = map[string]adapters.NewDecoder{"csv": csv.NewDecoder, "json": json.NewDecoder, "ndjson": json.NewDecoder}

// TestMappings_GiveWhatThePlanSays maps every original with the mapping of its
// source and compares the outcomes with what the generator knows of them. What
// is known is kept in a plain map: the way in is not part of this.
func TestMappings_GiveWhatThePlanSays(t *testing.T) {
	for seed := range uint64(3) {
		plan, originals := Make(seed)
		for _, want := range plan.Sources {
			r := newReading(t, want.Source)
			for _, o := range originals {
				if strings.HasPrefix(o.name, "in/"+want.Source+"/") {
					r.read(o)
				}
			}
			if r.counts != want.Counts {
				t.Errorf("seed %d: %s:\ngot    %v\nwanted %v\n%s", seed, want.Source, r.counts, want.Counts, strings.Join(r.why, "\n"))
			}
		}
	}
}

type reading struct {
	t      *testing.T
	in     *mapping.Inward
	job    mapping.Job
	known  map[events.Entity]events.Digest
	counts events.Counts
	why    []string
}

func newReading(t *testing.T, source string) *reading {
	t.Helper()
	src, err := project.ReadFile("files/mappings/" + source + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	in, err := mapping.ParseInward(source+".yaml", src)
	if err != nil {
		t.Fatal(err)
	}
	r := &reading{t: t, in: in, known: map[events.Entity]events.Digest{}}
	zones := map[string]string{Aulnaie: "Europe/Paris", PebbleYard: "America/Chicago"}
	r.job = mapping.Job{Source: source, Received: time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC), Rules: rules.Defaults()}
	switch {
	case in.FarmByRow():
		r.job.Farms = zones
	case source == "chute-aulnaie":
		r.job.Farm, r.job.Zone = Aulnaie, zones[Aulnaie]
	default:
		r.job.Farm, r.job.Zone = PebbleYard, zones[PebbleYard]
	}
	return r
}

func (r *reading) read(o original) {
	r.t.Helper()
	layout := r.in.Layout()
	dec, err := decoders[layout.Format](bytes.NewReader(o.body), layout)
	if err != nil {
		r.t.Fatal(err)
	}
	head, err := dec.Head()
	if err != nil {
		r.t.Fatal(err)
	}
	run, err := r.in.Start(r.job, head)
	if err != nil {
		r.t.Fatal(err)
	}
	m := run.Mapper()
	var list []adapters.Record
	for {
		rows, err := dec.Read(nil, 100)
		list = m.Map(rows, list)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			r.t.Fatal(err)
		}
	}
	for _, rec := range m.Flush(list) {
		r.judge(&rec, o.name)
	}
}

func (r *reading) judge(rec *adapters.Record, name string) {
	r.counts.Read++
	switch rec.Outcome {
	case adapters.Held:
		r.counts.Held++
		r.why = append(r.why, name+": "+rec.Held.Reasons[0].String())
		return
	case adapters.Ignored:
		r.counts.Ignored++
		return
	}
	changed, fresh := false, false
	for _, d := range rec.Drafts {
		before, ok := r.known[d.Entity]
		changed, fresh = changed || ok && before != d.Digest, fresh || !ok
		r.known[d.Entity] = d.Digest
		if v := schema.Check(d.Kind, d.Data); len(v) > 0 {
			r.t.Errorf("%s line %d: %v: %s", name, rec.Line, v, d.Data)
		}
	}
	switch {
	case changed:
		r.counts.Amended++
	case fresh:
		r.counts.Accepted++
	default:
		r.counts.Duplicate++
	}
}
