package rules

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/google/go-cmp/cmp"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

func dec(s string) events.Decimal {
	d, err := events.ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

func notes(p events.Payload) []string {
	var out []string
	for _, n := range p.Base().Notes {
		out = append(out, n.Code)
	}
	return out
}

func lesion(code, foot, claw string, zones ...int) *events.Lesion {
	l := &events.Lesion{Code: code, Foot: foot, Claw: claw}
	if zones != nil {
		l.Zones = events.Zones{Map: "claw-zones-13", Numbers: zones}
	}
	return l
}

func on(date, clock, offset, zone string) events.Common {
	o := events.Occurred{Date: date, Precision: "date"}
	if clock != "" {
		o = events.Occurred{Date: date, Time: clock, Offset: offset, Zone: zone, Precision: "minute"}
	}
	return events.Common{Occurred: o}
}

func TestApply_DerivesGaitLameAndSevere(t *testing.T) {
	tests := []struct {
		scale, score               string
		gait                       []int
		lame, severe, severeNative string
		source                     string
	}{
		{"mob4-uk", "0", []int{0, 1}, "no", "no", "no", "United Kingdom levy board sheet (paperzz.com/doc/7132093); interval our own"},
		{"mob4-uk", "1", []int{1, 2}, "no", "no", "no", "the same"},
		{"mob4-uk", "2", []int{3, 4}, "yes", "no", "no", "the same"},
		{"mob4-uk", "3", []int{5, 6}, "yes", "yes", "yes", "the same"},
		{"loc5-posture", "1", []int{0, 1}, "no", "no", "no", "wisfarmer.com 2018-04-25; cuts Thomsen et al. 2023; interval our own"},
		{"loc5-posture", "2", []int{1, 2}, "no", "no", "no", "the same"},
		{"loc5-posture", "3", []int{3, 4}, "yes", "no", "no", "the same"},
		{"loc5-posture", "4", []int{4, 5}, "yes", "undetermined", "yes", "the same"},
		{"loc5-posture", "5", []int{5, 6}, "yes", "yes", "yes", "the same"},
		{"loc9-half", "3.5", []int{3, 4}, "yes", "no", "", "veterinaryrecord.bmj.com/content/164/13/388 (cut at 3); points and interval from memory"},
		{"us3-v2", "3", []int{4, 6}, "yes", "undetermined", "yes", "agproud.com/articles/31548"},
		{"us3-v1", "2", []int{1, 2}, "no", "no", "", "agproud.com/articles/22426"},
		{"sls4", "2", nil, "yes", "", "", "dairyproducer.com, stall lameness scoring: two signs"},
		{"sls4", "1", nil, "no", "", "", "the same"},
		{"vas100", "80", nil, "", "", "", "no cut is agreed (from memory)"},
		{"sensor", "0.4", nil, "", "", "", "not an observer's score"},
		{"mob4-uk", "2.5", nil, "", "", "", "no point of the scale: nothing is rounded"},
		{"conformation-9", "9", nil, "", "", "", "9 is the good end: ahdb.org.uk dairy locomotion page"},
		{"hat", "1", nil, "", "", "", "no scale"},
	}
	for _, tt := range tests {
		l := &events.Locomotion{Scale: tt.scale, Score: dec(tt.score)}
		Apply([]events.Payload{l}, Defaults())
		want := events.Derived{Gait: tt.gait, Lame: tt.lame, Severe: tt.severe, SevereNative: tt.severeNative}
		if tt.gait != nil || tt.lame != "" {
			want.Rules = Version
		}
		if d := cmp.Diff(want, l.Derived); d != "" {
			t.Errorf("%s %s (%s) (-want +got):\n%s", tt.scale, tt.score, tt.source, d)
		}
	}
}

func TestApply_DerivesWhenAWrapIsDue(t *testing.T) {
	tests := []struct {
		name      string
		common    events.Common
		due, late string
		source    string
	}{
		{"plain day", on("2026-03-04", "08:31", "+01:00", "Europe/Berlin"), "2026-03-05T08:31:00+01:00", "2026-03-06T08:31:00+01:00", "common practice, no source: 24 and 48 hours"},
		{"clock goes forward in America", on("2026-03-07", "21:00", "-06:00", "America/Chicago"), "2026-03-08T22:00:00-05:00", "2026-03-09T22:00:00-05:00", "IANA time zone database"},
		{"clock goes forward in Europe", on("2024-03-30", "20:00", "+01:00", "Europe/Berlin"), "2024-03-31T21:00:00+02:00", "2024-04-01T21:00:00+02:00", "IANA time zone database"},
		{"clock goes back in Europe", on("2025-10-25", "20:00", "+02:00", "Europe/Berlin"), "2025-10-26T19:00:00+01:00", "2025-10-27T19:00:00+01:00", "IANA time zone database"},
		{"doubled hour, first", on("2025-10-26", "02:30", "+02:00", "Europe/Berlin"), "2025-10-27T01:30:00+01:00", "2025-10-28T01:30:00+01:00", "IANA time zone database"},
		{"doubled hour, second", on("2025-10-26", "02:30", "+01:00", "Europe/Berlin"), "2025-10-27T02:30:00+01:00", "2025-10-28T02:30:00+01:00", "IANA time zone database"},
		{"no zone", on("2026-03-07", "21:00", "-06:00", ""), "2026-03-08T21:00:00-06:00", "2026-03-09T21:00:00-06:00", "the offset alone is known"},
		{"zone of the machine is no zone", on("2026-03-07", "21:00", "-06:00", "Local"), "2026-03-08T21:00:00-06:00", "2026-03-09T21:00:00-06:00", "the offset alone is known"},
		{"London in winter", on("2026-01-07", "21:00", "+00:00", "Europe/London"), "2026-01-08T21:00:00+00:00", "2026-01-09T21:00:00+00:00", "IANA time zone database"},
		{"day alone", on("2026-02-28", "", "", ""), "2026-03-01", "2026-03-02", "put on at the beginning of the day at the earliest"},
		{"nothing known", events.Common{}, "", "", "an unknown day says nothing"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := &events.Treatment{Common: tt.common, What: "wrap", Foot: "RH"}
			b := &events.Treatment{Common: tt.common, What: "block", Foot: "RH"}
			Apply([]events.Payload{w, b}, Defaults())
			if w.Derived.DueOff != tt.due || w.Derived.LateFrom != tt.late {
				t.Errorf("due %q late %q, wanted %q and %q (%s)", w.Derived.DueOff, w.Derived.LateFrom, tt.due, tt.late, tt.source)
			}
			if b.Derived.DueOff != "" || b.Derived.LateFrom != "" {
				t.Errorf("a block is due %q late %q, wanted nothing", b.Derived.DueOff, b.Derived.LateFrom)
			}
			if tt.common.Occurred.Time == "" {
				return
			}
			at, _ := time.Parse(time.RFC3339, tt.common.Occurred.RFC3339())
			for _, x := range []struct {
				text  string
				hours float64
			}{{w.Derived.DueOff, 24}, {w.Derived.LateFrom, 48}} {
				if then, err := time.Parse(time.RFC3339, x.text); err != nil || then.Sub(at).Hours() != x.hours {
					t.Errorf("%s is %v after %s, wanted %v hours (%v)", x.text, then.Sub(at), tt.common.Occurred.RFC3339(), x.hours, err)
				}
			}
		})
	}
}

func TestApply_AdvisesOnBlocks(t *testing.T) {
	// Source of all rows: common practice, no source.
	tests := []struct {
		name    string
		what    string
		foot    string
		claw    string
		lesions []*events.Lesion
		advised bool
	}{
		{"other claw", "block", "RH", "inner", []*events.Lesion{lesion("SU", "RH", "outer")}, false},
		{"same claw, white line", "block", "LH", "outer", []*events.Lesion{lesion("WLF", "LH", "outer")}, true},
		{"same claw, sole ulcer", "block", "RH", "outer", []*events.Lesion{lesion("SU", "RH", "outer")}, true},
		{"same claw of another foot", "block", "RH", "outer", []*events.Lesion{lesion("SU", "LH", "outer")}, false},
		{"thin sole block", "block-thin-sole", "LH", "inner", []*events.Lesion{lesion("TS", "LH", "inner")}, false},
		{"thin sole block on an ulcer", "block-thin-sole", "LH", "inner", []*events.Lesion{lesion("SU", "LH", "inner")}, false},
		{"block, only a thin sole", "block", "LH", "inner", []*events.Lesion{lesion("TS", "LH", "inner")}, false},
		{"block, thin sole and ulcer", "block", "LH", "inner", []*events.Lesion{lesion("TS", "LH", "inner"), lesion("TU", "LH", "inner")}, true},
		{"skin lesion", "block", "RH", "outer", []*events.Lesion{lesion("DD", "RH", "none")}, false},
		{"claw of the block unknown", "block", "RH", "unknown", []*events.Lesion{lesion("SU", "RH", "unknown")}, false},
		{"claw of the lesion unknown", "block", "RH", "outer", []*events.Lesion{lesion("SU", "RH", "unknown")}, false},
		{"foot unknown", "block", "", "outer", []*events.Lesion{lesion("SU", "", "outer")}, false},
		{"wrap", "wrap", "RH", "outer", []*events.Lesion{lesion("SU", "RH", "outer")}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := &events.Treatment{What: tt.what, Foot: tt.foot, Claw: tt.claw}
			record := []events.Payload{b}
			for _, l := range tt.lesions {
				record = append(record, l)
			}
			for range 2 {
				slices.Reverse(record) // the order of a record does not matter
				Apply(record, Defaults())
				if got := slices.Contains(notes(b), BlockOnLesion); got != tt.advised {
					t.Errorf("advised %v (%v), wanted %v", got, b.Notes, tt.advised)
				}
			}
		})
	}
}

func TestApply_AdvisesOnWraps(t *testing.T) {
	// Source of all rows: common practice, no source.
	tests := []struct {
		name    string
		wrap    events.Treatment
		more    []events.Payload
		advised bool
	}{
		{"nothing named", events.Treatment{Foot: "RH"}, []events.Payload{lesion("DD", "RH", "none")}, true},
		{"material named", events.Treatment{Foot: "RH", Device: events.Device{Material: "paste and cotton"}}, []events.Payload{lesion("DD", "RH", "none")}, false},
		{"medicine named", events.Treatment{Foot: "RH", Medicine: events.Medicine{Name: "spray", Milk: events.Withdrawal{State: "zero"}}}, []events.Payload{lesion("DD", "RH", "none")}, false},
		{"product named beside it", events.Treatment{Foot: "RH"}, []events.Payload{lesion("DD", "RH", "none"), &events.Treatment{What: "topical", Foot: "RH", Device: events.Device{Material: "gel"}}}, false},
		{"product named on another foot", events.Treatment{Foot: "RH"}, []events.Payload{lesion("DD", "RH", "none"), &events.Treatment{What: "topical", Foot: "LH", Device: events.Device{Material: "gel"}}}, true},
		{"other foot", events.Treatment{Foot: "LH"}, []events.Payload{lesion("DD", "RH", "none")}, false},
		{"other lesion", events.Treatment{Foot: "RH"}, []events.Payload{lesion("SU", "RH", "outer")}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.wrap.What = "wrap"
			Apply(append([]events.Payload{&tt.wrap}, tt.more...), Defaults())
			if got := slices.Contains(notes(&tt.wrap), WrapWithoutProduct); got != tt.advised {
				t.Errorf("advised %v (%v), wanted %v", got, tt.wrap.Notes, tt.advised)
			}
		})
	}
}

func TestApply_AdvisesOnMeasures(t *testing.T) {
	tests := []struct {
		what, value, landmark, when string
		want                        []string
		source                      string
	}{
		{"toe-length", "82.55", "hairline", "after", nil, "common practice, no source: 3 1/4 in"},
		{"toe-length", "79.375", "hairline", "after", []string{ToeShort}, "common practice, no source: 3 1/4 in"},
		{"toe-length", "82.5499", "hairline", "", []string{ToeShort}, "the careful reading of a time that is not told"},
		{"toe-length", "79.375", "hairline", "before", nil, "the rule is of trimmed claws"},
		{"toe-length", "75", "hard-horn", "after", nil, "Toussaint Raven 1985 (dairyhoofhealth.info)"},
		{"toe-length", "74.9", "hard-horn", "after", []string{ToeShort}, "Toussaint Raven 1985 (dairyhoofhealth.info)"},
		{"toe-length", "72", "unknown", "after", nil, "CT study, discovery.researcher.life fcde496b"},
		{"toe-length", "71", "unknown", "after", []string{ToeShortNoLandmark}, "CT study, discovery.researcher.life fcde496b"},
		{"toe-length", "71", "", "after", []string{ToeShortNoLandmark}, "CT study, discovery.researcher.life fcde496b"},
		{"toe-length", "71", "horn-limit", "after", nil, "no rule for this landmark"},
		{"toe-length", "45", "horn-limit", "after", []string{MeasureUnusual}, "soft range, a proposal of our own"},
		{"sole-thickness", "5", "", "after", []string{SoleBorder}, "CT study, discovery.researcher.life fcde496b: 5 critical, 7 recommended"},
		{"sole-thickness", "6.99", "", "before", []string{SoleBorder}, "CT study, discovery.researcher.life fcde496b"},
		{"sole-thickness", "7", "", "after", nil, "CT study, discovery.researcher.life fcde496b: 7 recommended"},
		{"sole-thickness", "6.35", "", "after", []string{SoleBorder}, "common practice, no source: about 1/4 in; under the 7 mm of the CT study"},
		{"sole-thickness", "12", "", "after", nil, "proposal of our own"},
		{"sole-thickness", "12.1", "", "after", []string{SoleLong}, "proposal of our own"},
		{"sole-thickness", "12.1", "", "before", nil, "proposal of our own: of trimmed claws"},
		{"sole-thickness", "4.9", "", "after", []string{SoleThin}, "CT study, discovery.researcher.life fcde496b"},
		{"sole-thickness", "3", "", "after", []string{SoleThin, MeasureUnusual}, "both"},
		{"heel-height", "75", "", "after", []string{MeasureUnusual}, "soft range, a proposal of our own"},
		{"claw-angle", "48", "", "after", nil, "trimmed claws 47 to 49 deg: largeanimalreview.com/186"},
		{"claw-angle", "30", "", "after", []string{AngleLow, MeasureUnusual}, "soft range, a proposal of our own"},
		{"claw-angle", "40", "", "after", nil, "proposal of our own"},
		{"claw-angle", "39.9", "", "after", []string{AngleLow}, "proposal of our own"},
		{"heel-height", "25", "", "after", nil, "proposal of our own"},
		{"heel-height", "24.9", "", "after", []string{HeelLow}, "proposal of our own"},
		{"claw-difference", "5", "", "after", nil, "proposal of our own: claws of a foot are made alike (agproud.com/articles/27242)"},
		{"claw-difference", "5.1", "", "after", []string{ClawsUnequal}, "the same"},
		{"claw-difference", "5.1", "", "", []string{ClawsUnequal}, "the careful reading of a time that is not told"},
		{"claw-difference", "16", "", "before", []string{MeasureUnusual}, "of claws that are still to be trimmed"},
	}
	for _, tt := range tests {
		m := &events.ClawMeasure{What: tt.what, Value: dec(tt.value), Unit: codes.Measures().Get(tt.what).Unit, Landmark: tt.landmark, When: tt.when}
		Apply([]events.Payload{m}, Defaults())
		if got := notes(m); !slices.Equal(got, tt.want) {
			t.Errorf("%s %s, landmark %q, %s: %v, wanted %v (%s)", tt.what, tt.value, tt.landmark, tt.when, got, tt.want, tt.source)
		}
	}
}

func TestApply_AdvisesOnLesions(t *testing.T) {
	tests := []struct {
		code    string
		zone    int
		unusual bool
		source  string
	}{
		{"SU", 4, false, "dairyhoofhealth.info; extension.psu.edu"},
		{"WL", 3, false, "agproud.com/articles/28244; mdpi.com 2076-2607/13/9/2159"},
		{"WLF", 1, false, "agproud.com/articles/28244"},
		{"HHE", 6, false, "International Lameness Committee brochure"},
		{"DD", 9, false, "International Lameness Committee brochure"},
		{"DD", 10, false, "both brochure and agproud.com/articles/28244"},
		{"TS", 5, false, "International Lameness Committee brochure"},
		{"HFV", 8, false, "International Lameness Committee brochure"},
		{"IP", 9, false, "International Lameness Committee brochure"},
		{"TU", 1, false, "dairyhoofhealth.info"},
		{"TU", 5, false, "agproud.com/articles/28244 (the two disagree)"},
		{"SH", 5, false, "dairyhoofhealth.info"},
		{"IH", 0, false, "from memory"},
		{"HHE", 1, true, "International Lameness Committee brochure"},
		{"IP", 4, true, "International Lameness Committee brochure"},
		{"WL", 6, true, "agproud.com/articles/28244"},
		{"SU", 0, true, "dairyhoofhealth.info"},
		{"AC", 4, false, "no source says anything"},
		{"OTHER", 4, false, "no source says anything"},
	}
	for _, tt := range tests {
		l := lesion(tt.code, "RH", "outer", tt.zone)
		Apply([]events.Payload{l}, Defaults())
		if got := slices.Contains(notes(l), ZoneUnusual); got != tt.unusual {
			t.Errorf("%s in zone %d: unusual %v, wanted %v (%s)", tt.code, tt.zone, got, tt.unusual, tt.source)
		}
	}
	// Of another map only 1 to 6 are the same place.
	for zone, unusual := range map[int]bool{1: true, 10: false} {
		l := lesion("HHE", "RH", "outer", zone)
		l.Zones.Map = "claw-zones-11"
		Apply([]events.Payload{l}, Defaults())
		if got := slices.Contains(notes(l), ZoneUnusual); got != unusual {
			t.Errorf("HHE in zone %d of claw-zones-11: unusual %v, wanted %v", zone, got, unusual)
		}
	}
	healthy := &events.Lesion{Code: "DD", Stage: "M0"}
	Apply([]events.Payload{healthy}, Defaults())
	if got := notes(healthy); !slices.Equal(got, []string{StageHealthy}) {
		t.Errorf("DD M0: %v, wanted %s (Vet Res 51 (2020) 9, table 1: M0 is normal skin)", got, StageHealthy)
	}
}

func TestApply_AdvisesOnIdentifiersOnce(t *testing.T) {
	// Source: icar.org, page on misuse of codes.
	animal := []events.Identifier{{Scheme: "transponder", Value: "900-155 000 101 234"}}
	x := &events.Examination{Common: events.Common{Animal: animal}}
	l := &events.Lesion{Common: events.Common{Animal: animal}}
	Apply([]events.Payload{x, l}, Defaults())
	if !slices.Equal(notes(x), []string{TransponderMisused}) || notes(l) != nil {
		t.Errorf("notes %v and %v, wanted one %s", x.Notes, l.Notes, TransponderMisused)
	}
	if got := x.Derived.Animal; len(got) != 1 || got[0].Value != "900155000101234" {
		t.Errorf("normalized %v", got)
	}
}

func TestApply_AdvisesOnMedicinesWithoutWithdrawal(t *testing.T) {
	for _, tt := range []struct {
		t    events.Treatment
		want bool
	}{
		{events.Treatment{What: "medicine"}, true},
		{events.Treatment{What: "topical", Medicine: events.Medicine{Name: "spray"}}, true},
		{events.Treatment{What: "medicine", Medicine: events.Medicine{Name: "x", Meat: events.Withdrawal{State: "unknown"}}}, false},
		{events.Treatment{What: "wrap"}, false},
	} {
		Apply([]events.Payload{&tt.t}, Defaults())
		if got := slices.Contains(notes(&tt.t), WithdrawalNotStated); got != tt.want {
			t.Errorf("%s %v: advised %v, wanted %v", tt.t.What, tt.t.Medicine, got, tt.want)
		}
	}
}

func TestApply_NormalizesIdentifiers(t *testing.T) {
	animal := []events.Identifier{
		{Scheme: "ear-tag", Value: "DE 09 412 00731"}, {Scheme: "transponder", Value: "276000941200731"},
		{Scheme: "transponder", Value: "840 003 141 592 653"}, {Scheme: "herd-number", Value: "0031"}, {Scheme: "transponder", Value: "123"},
	}
	x, l := &events.Examination{Common: events.Common{Animal: animal}}, &events.Lesion{Common: events.Common{Animal: animal}}
	Apply([]events.Payload{x, l}, Defaults())
	want := []events.Identifier{{Scheme: "ear-tag", Value: "DE0941200731"}, {Scheme: "transponder", Value: "840003141592653"}}
	for _, p := range []events.Payload{x, l} {
		if d := cmp.Diff(want, p.Base().Derived.Animal); d != "" {
			t.Errorf("%s (-want +got):\n%s", p.Kind(), d)
		}
	}
	plain := &events.Animal{Common: events.Common{Animal: animal[1:2]}}
	Apply([]events.Payload{plain}, Defaults())
	if d := cmp.Diff(events.Derived{}, plain.Derived); d != "" {
		t.Errorf("a normalized identifier derives something:\n%s", d)
	}
}

func TestApply_ReplacesWhatStoodThere(t *testing.T) {
	l := lesion("SH", "RH", "outer", 4)
	l.Derived, l.Notes = events.Derived{Lame: "yes", Rules: "0"}, []events.Note{{Code: "old"}}
	Apply([]events.Payload{l}, Defaults())
	if l.Notes != nil || l.Derived.Rules != "" || l.Derived.Lame != "" {
		t.Errorf("left %v and %v of what stood there", l.Notes, l.Derived)
	}
}

func TestAdvisories_AreTheRulesThatRun(t *testing.T) {
	run := map[string][]string{
		"record": {
			BlockOnLesion, BlocksOnBothClaws, BlockBesideThinSole, BlockAtDryOff, UlcerWithoutBlock, WrapWithoutProduct, WrapTimeUnknown, OtherHindFoot,
			VetInfection, VetDeep, BlockRocking, WoundNotHealing, HornCapsuleLost, OrderWithoutEnd, OrderPast, SinceLater, BathWithoutProduct, ToldTwice, ClawMissing, ZoneUnusual, StageHealthy, ToeShort, ToeShortNoLandmark, SoleThin, SoleBorder, SoleLong,
			AngleLow, HeelLow, ClawsUnequal, LongerAfterTrim, MeasureUnusual, MeasureForAge, CutsContradict, WithdrawalNotStated, TransponderMisused,
			PrefixUnknown, TagNotAnimal, TagReplaced, CountryLetters, ClockReset, Midnight,
		},
		"source": {SidesSwapped, MidnightAlways, ClockJump, RecordsLate},
	}
	listed := map[string][]string{}
	for _, a := range codes.Advisories().All() {
		listed[a.Of] = append(listed[a.Of], a.Code)
	}
	if d := cmp.Diff(run, listed); d != "" {
		t.Errorf("rules in code and in the list differ (-code +list):\n%s", d)
	}
	spoken := map[string][]string{
		"lesions":    {dermatitis, thinSole, ulcer},
		"dd-stages":  {healthyStage},
		"measures":   {toeLength, soleThickness, clawAngle, heelHeight, clawDifference},
		"landmarks":  {hairline, hardHorn, unknown},
		"trim-times": {before, after},
		"treatments": {wrap, block, medicine, topical},
		"devices":    {block, wrap},
		"signs":      {swelling, depth},
		"reasons":    {lame, heifer, dryOff, midLactation},
		"courses":    {healed},
		"outcomes":   {notDone},
		"claws":      {"inner", "outer", unknown},
		"feet":       hind[:],
	}
	for list, all := range spoken {
		for _, code := range all {
			if !codes.Find(list).Has(code) {
				t.Errorf("the rules speak of %q, which is not in %s", code, list)
			}
		}
	}
}

func TestGuarded(t *testing.T) {
	for what, want := range map[string]bool{
		"wrap": true, "block": true, "block-thin-sole": true, "medicine": true, "topical": false, "corrective-trim": false, "other": false,
	} {
		if got := Guarded(&events.Treatment{What: what}); got != want {
			t.Errorf("Guarded(%s) = %v, wanted %v", what, got, want)
		}
	}
	if !Guarded(&events.Treatment{What: "topical", Medicine: events.Medicine{Batch: "7"}}) {
		t.Error("a treatment with something of a medicine is not guarded")
	}
	if !Guarded(&events.Order{What: "leave-wrap"}) {
		t.Error("an order is not guarded")
	}
	if Guarded(&events.Lesion{Code: "SU"}) {
		t.Error("a lesion is guarded")
	}
}

func TestSettings_Set(t *testing.T) {
	s := Defaults()
	for name, value := range map[string]string{
		"toe-hairline": "90", "wrap-due": "36h", "misused-transponders": "900155000101234, 276000941200731", "angle-least": "42.5",
		"reset-years": "1980, 2000", "sides-share": "60", "zone-unusual": "off", "toe-short": "on", "clock-jump-by": "5m",
	} {
		if err := s.Set(name, value); err != nil {
			t.Fatal(err)
		}
	}
	if !s.Off[ZoneUnusual] || s.Off[ToeShort] || s.SidesShare != 60 || s.ClockJumpBy != 5*time.Minute || !slices.Equal(s.ResetYears, []string{"1980", "2000"}) {
		t.Errorf("settings %+v", s)
	}
	if err := s.Set("zone-unusual", "on"); err != nil || s.Off[ZoneUnusual] {
		t.Errorf("an advisory that was off stays off: %v", err)
	}
	w := &events.Treatment{Common: on("2026-03-04", "08:00", "+01:00", "Europe/Berlin"), What: "wrap"}
	m := &events.ClawMeasure{What: "toe-length", Value: dec("85"), Unit: "mm", Landmark: "hairline", When: "after"}
	Apply([]events.Payload{w, m}, s)
	if w.Derived.DueOff != "2026-03-05T20:00:00+01:00" || !slices.Contains(notes(m), ToeShort) || len(s.MisusedTransponders) != 2 {
		t.Errorf("due %s, notes %v, misused %v", w.Derived.DueOff, m.Notes, s.MisusedTransponders)
	}
	for _, tt := range [][2]string{{"toe-hairline", "3 1/4"}, {"toe-hairline", "0"}, {"wrap-due", "24"}, {"wrap-late", "-1h"}, {"misused-transponders", "12"}, {"hat", "1"},
		{"toe-short", "yes"}, {"angle-least", "-1"}, {"sides-share", "101"}, {"sides-least", "0"}, {"reset-years", "70"}, {"clock-jump-by", "10"}} {
		err := s.Set(tt[0], tt[1])
		if !errors.Is(err, events.ErrInvalid) || !strings.Contains(err.Error(), "wanted") {
			t.Errorf("Set(%s, %s): %v, wanted an error of kind invalid that says what was wanted", tt[0], tt[1], err)
		}
	}
	names := Names()
	if !slices.IsSorted(names) || len(slices.Compact(slices.Clone(names))) != len(names) {
		t.Errorf("names of settings are not sorted, or one stands twice: %v", names)
	}
	defaults := Defaults()
	for _, a := range codes.Advisories().All() {
		for _, x := range a.Settings {
			if err := defaults.Set(x.Name, x.Default); err != nil {
				t.Errorf("%s: %v", a.Code, err)
			}
		}
	}
}

func FuzzSettings_Set(f *testing.F) {
	for _, name := range Names() {
		f.Add(name, "5")
	}
	f.Add("misused-transponders", "900155000101234,")
	f.Add("reset-years", "1970, 20OO")
	f.Add("wrap-due", "-24h")
	f.Fuzz(func(t *testing.T, name, value string) {
		s := Defaults()
		if err := s.Set(name, value); err == nil {
			return
		} else if !errors.Is(err, events.ErrInvalid) {
			t.Fatalf("Set(%q, %q): %v is not of kind invalid", name, value, err)
		}
		if want := Defaults(); !reflect.DeepEqual(s, want) {
			t.Fatalf("Set(%q, %q) failed and the settings are %+v, they were %+v", name, value, s, want)
		}
	})
}

func ExampleApply() {
	l := &events.Locomotion{Scale: "mob4-uk", Score: events.DecimalOf(3, 0)}
	Apply([]events.Payload{l}, Defaults())
	fmt.Println(l.Derived.Lame, l.Derived.Severe, l.Derived.Gait)
	// Output: yes yes [5 6]
}

func BenchmarkApply(b *testing.B) {
	animal := []events.Identifier{{Scheme: "transponder", Value: "276000941200731"}}
	c := events.Common{Animal: animal, Occurred: events.Occurred{Date: "2026-03-04", Time: "08:12:01", Offset: "+01:00", Zone: "Europe/Berlin", Precision: "second"}}
	x, l := &events.Examination{Common: c}, lesion("SH", "RH", "outer", 4)
	l.Common = c
	m := &events.ClawMeasure{Common: c, What: "toe-length", Value: dec("83.5"), Unit: "mm", Landmark: "hairline", When: "after"}
	w := &events.Treatment{Common: c, What: "wrap", Foot: "LH"}
	s := Defaults()
	for _, bm := range []struct {
		name   string
		record []events.Payload
	}{{"nothing", []events.Payload{x, l, m}}, {"wrap", []events.Payload{x, l, w}}} {
		b.Run(bm.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Apply(bm.record, s)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(bm.record)), "ns/event")
		})
	}
}
