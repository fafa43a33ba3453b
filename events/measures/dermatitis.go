package measures

import (
	"maps"
	"slices"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

// activeStages of digital dermatitis: early, ulcer, and chronic with a new focus
// (Döpfer et al. 1997 and Berry et al. 2012, as told in Vet Res 51 (2020) 9).
var activeStages = []string{"M1", "M2", "M4.1"}

// A ddFoot is what the newest examination of a foot told of digital dermatitis.
type ddFoot struct {
	animal string
	day    day
	stages map[string]bool // "" is a finding without a stage
	found  []events.Entity
	events []events.Entity
}

func (d *ddFoot) active() bool {
	return slices.ContainsFunc(activeStages, func(s string) bool { return d.stages[s] })
}

// mayBe reports whether it cannot be told: a finding without a stage, and none
// that is active.
func (d *ddFoot) mayBe() bool { return d.stages[""] && !d.active() }

// dermatitis makes the share of feet and animals with active digital dermatitis at
// the newest examination of each foot in the period, and the table of stages.
func (w *work) dermatitis() {
	w.chooseBase(Cows)
	visits := w.among(w.makeVisits())
	feet := w.newestDD(visits)
	var foot tally
	animals := map[string][]*ddFoot{}
	stage := map[string]*tally{"none": {}}
	for _, d := range feet {
		foot.n++
		foot.rest = append(foot.rest, d.events...)
		foot.crowd.add(d.animal, d.active(), d.mayBe())
		animals[d.animal] = append(animals[d.animal], d)
		switch {
		case d.active():
			foot.x++
			foot.counted = append(foot.counted, d.found...)
		case d.mayBe():
			foot.unclear++
		}
		if len(d.stages) == 0 {
			stage["none"].x++
			stage["none"].counted = append(stage["none"].counted, d.events...)
		}
		for s := range d.stages {
			if stage[s] == nil {
				stage[s] = &tally{}
			}
			stage[s].x++
			stage[s].counted = append(stage[s].counted, d.found...)
		}
	}
	f := w.shareRange("active.feet", "active digital dermatitis (M1, M2, M4.1)", foot.x, foot.unclear, foot.n, "feet examined")
	f.Section = "feet"
	f.made(foot.counted, foot.rest).heads = foot.crowd.heads()
	w.activeAnimals(animals, visits)
	for _, s := range append(codes.Find("dd-stages").Codes()[1:], "", "none") {
		name := map[string]string{"": "stage not told", "none": "no digital dermatitis"}[s]
		if name == "" {
			name = s + " " + codes.Find("dd-stages").Entry(s).Name
		}
		if stage[s] == nil {
			stage[s] = &tally{}
		}
		key := map[string]string{"": "stage.not-told", "none": "stage.none"}[s]
		if key == "" {
			key = "stage." + s
		}
		f := w.share(key, name, stage[s].x, foot.n, "feet examined")
		f.Section, f.Intervals, f.Family = "stages, by foot", nil, "stage"
		var c crowd
		for _, d := range feet {
			c.add(d.animal, d.stages[s] || s == "none" && len(d.stages) == 0, false)
		}
		f.made(stage[s].counted, nil).heads = c.heads()
	}
	w.addsUp("active.feet", "stage."+activeStages[0], "stage."+activeStages[1], "stage."+activeStages[2])
	w.note("a foot with two stages stands in both rows; stages are texts and are never averaged")
}

// newestDD returns what the newest visit of each foot told.
func (w *work) newestDD(visits []*visit) map[unit]*ddFoot {
	out := map[unit]*ddFoot{}
	for _, v := range visits {
		for foot := range v.feet {
			u := unit{animal: v.animal, foot: foot}
			d := out[u]
			if d == nil || d.day < v.day {
				d = &ddFoot{animal: v.animal, day: v.day, stages: map[string]bool{}}
				out[u] = d
			}
			d.events = append(d.events, v.made...)
			for _, f := range onFoot(v.found, foot) {
				if codes.Lesions().Is(f.lesion.Code, "DD") {
					d.stages[f.lesion.Stage] = true
					d.found = append(d.found, f.fact.Entity)
				}
			}
		}
	}
	return out
}

func (w *work) activeAnimals(animals map[string][]*ddFoot, visits []*visit) {
	var t tally
	for _, a := range slices.Sorted(maps.Keys(animals)) {
		t.n++
		active, unclear := false, false
		for _, d := range animals[a] {
			active, unclear = active || d.active(), unclear || d.mayBe()
			t.rest = append(t.rest, d.events...)
			if d.active() {
				t.counted = append(t.counted, d.found...)
			}
		}
		switch {
		case active:
			t.x++
		case unclear:
			t.unclear++
		}
	}
	f := w.shareRange("active.animals", "active digital dermatitis on at least one foot", t.x, t.unclear, t.n, "animals examined")
	f.Section = "animals"
	f.made(t.counted, t.rest)
	w.trimCover(f, visits)
}
