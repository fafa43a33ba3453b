package codes_test

import (
	"encoding/hex"
	"fmt"

	"dewclaw/events"
	"dewclaw/schema/codes"
)

func ExampleScale_Grade() {
	score := events.DecimalOf(4, 0)
	g := codes.Locomotion().Get("loc5-posture").Grade(score, events.Cuts{})
	fmt.Println(g.Lame, g.Gait, g.Severe, g.SevereNative)

	declared := events.Cuts{Lame: events.DecimalOf(40, 0)}
	g = codes.Locomotion().Get("vas100").Grade(events.DecimalOf(55, 0), declared)
	fmt.Println(g.Lame, g.Gait, g.Severe)
	// Output:
	// yes [4 5] undetermined yes
	// yes [3 6] undetermined
}

func ExampleClawOf() {
	at, _ := codes.ClawOf("from-front", "LH", "left")
	fmt.Println(at.Foot, at.Claw)
	at, _ = codes.ClawOf("numbers-across", "", "8")
	fmt.Println(at.Foot, at.Claw)
	_, problem := codes.ClawOf("from-behind", "", "left")
	fmt.Println(problem)
	// Output:
	// LH inner
	// RH outer
	// wanted the foot, to tell inner and outer of a left claw, got nothing
}

func ExampleLesionTable_Once() {
	zone := events.Zones{Map: codes.WideZones, Numbers: []int{3}}
	found := []codes.Finding{
		{Foot: "RH", Claw: "outer", Code: "WL", Zones: zone},
		{Foot: "RH", Claw: "outer", Code: "WLF", Zones: zone},
		{Foot: "RH", Claw: "inner", Code: "WL", Zones: zone},
	}
	for _, lesion := range codes.Lesions().Once(found) {
		fmt.Println(found[lesion[0]].Code, found[lesion[0]].Claw, "told", len(lesion), "times")
	}
	// Output:
	// WLF outer told 2 times
	// WL inner told 1 times
}

func ExampleParseTelegram() {
	b, _ := hex.DecodeString("002898891fcab56f80407f73f8040201")
	code, problem := codes.ParseTelegram([16]byte(b))
	fmt.Println(code.Digits(), code.Animal, problem)
	// Output: 985113007399202 true <nil>
}

func ExampleAlike() {
	tag := events.Identifier{Scheme: codes.EarTag, Value: "NL 6802 5082 9"}
	fmt.Println(codes.Alike(tag, events.Identifier{Scheme: codes.Transponder, Value: "528000680250829"}))
	// Output: both are 528000680250829, the number of the country filled with zeros
}
