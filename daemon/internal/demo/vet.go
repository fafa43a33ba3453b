package demo

import (
	"encoding/json"
	"fmt"
	"time"
)

// The vet's tablet at pebble-yard: one nested JSON document a day, places and
// grades in words, animals as elements.

type vetDocument struct {
	Visit struct {
		On  string `json:"on"`
		For string `json:"for"`
	} `json:"visit"`
	Animals []*vetAnimal `json:"animals"`
}

type vetAnimal struct {
	Marks []vetMark `json:"marks"`
	Feet  []string  `json:"feet lifted"`
	Found []vetFind `json:"found"`
	Acts  []vetAct  `json:"acts"`
}

type vetMark struct {
	Kind  string `json:"kind"`
	Value string `json:"value"`
}

type vetFind struct {
	Foot  string `json:"foot"`
	Claw  string `json:"claw,omitempty"`
	What  string `json:"what"`
	Place string `json:"place"`
	Grade string `json:"grade"`
	Stage string `json:"stage,omitempty"`
}

type vetAct struct {
	Foot string `json:"foot"`
	Claw string `json:"claw,omitempty"`
	Act  string `json:"act"`
}

var vetPlace = []string{
	"between the claws", "white line at the toe", "white line, side", "white line at the heel", "sole at the heel",
	"sole at the toe", "heel", "", "", "skin above the horn", "skin at the heel",
}
var vetLesion = map[string]string{
	"SU": "sole ulcer", "SH": "sole haemorrhage", "WL": "white line disease", "DD": "digital dermatitis",
	"HHE": "heel horn erosion", "IH": "interdigital hyperplasia", "TS": "thin sole",
}
var vetGrade = []string{"", "mild", "moderate", "severe"}

func vetOf(x *exam) *vetAnimal {
	a := &vetAnimal{
		Marks: []vetMark{{"transponder", x.cow.transponder}, {"number", fmt.Sprint(x.cow.number)}},
		Feet:  x.feetOf(), Found: []vetFind{}, Acts: []vetAct{},
	}
	for _, l := range x.found {
		a.Found = append(a.Found, vetFind{l.foot, l.claw, vetLesion[l.code], vetPlace[l.zone], vetGrade[l.severity], l.stage})
	}
	if b := x.blockOn; b != nil {
		a.Acts = append(a.Acts, vetAct{b.foot, b.claw, "block on"})
	}
	if x.wrapOn != "" {
		a.Acts = append(a.Acts, vetAct{x.wrapOn, "", "wrap on"})
	}
	for _, o := range x.off {
		a.Acts = append(a.Acts, vetAct{o.foot, o.claw, o.what + " off"})
	}
	return a
}

var vetRot = []struct {
	name  string
	spoil func(a *vetAnimal)
}{
	{"transponder of 14 digits", func(a *vetAnimal) { a.Marks[0].Value = a.Marks[0].Value[:14] }},
	{"transponder with the test code", func(a *vetAnimal) { a.Marks[0].Value = "999" + a.Marks[0].Value[3:] }},
	{"foot that is none", func(a *vetAnimal) { a.Feet = append(a.Feet, "both") }},
}

func vetDocuments(seed uint64, exams []*exam, rotten int) *device {
	d := newDice(seed, "vet")
	v := &device{source: "vet-visits"}
	var list []*exam
	for _, x := range exams {
		if x.vet {
			list = append(list, x)
		}
	}
	bad := marks(d, rotten, len(list))
	turn := d.IntN(len(vetRot))
	var doc *vetDocument
	var last time.Time
	flush := func() {
		if doc == nil {
			return
		}
		b, err := json.MarshalIndent(doc, "", "  ")
		if err != nil {
			panic(err) // plain structs of texts
		}
		v.add("visit-"+ymd(last)+".json", last.AddDate(0, 0, 1), append(b, '\n'))
	}
	for i, x := range list {
		if at := x.at.Truncate(24 * time.Hour); !at.Equal(last) {
			flush()
			doc, last = new(vetDocument), at
			doc.Visit.On, doc.Visit.For = ymd(at), "recheck"
		}
		a := vetOf(x)
		if bad[i] {
			turn++
			vetRot[turn%len(vetRot)].spoil(a)
			v.spoil(vetRot[turn%len(vetRot)].name)
			v.counts.Held++
		} else {
			v.counts.Accepted++
		}
		doc.Animals = append(doc.Animals, a)
	}
	flush()
	v.balance()
	return v
}
