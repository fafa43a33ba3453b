package measures_test

import (
	"fmt"

	"dewclaw/events/herd"
	"dewclaw/events/measures"
)

func ExampleWork() {
	d := &measures.Data{Farm: "oak", Position: 412, Gap: 42, Animals: []herd.Animal{cow(1, nil), cow(2, nil), cow(3, nil)}}
	d.Scores = session("2025-03-10", "0 2 -") // as herd.View.Scores returns them; see Load
	r, err := measures.Work(d, measures.Question{Farm: "oak", From: "2025-03-01", To: "2025-03-31"}, "lameness")
	if err != nil {
		fmt.Println(err)
		return
	}
	f := r.Figure("lame.2025-03-10")
	fmt.Printf("%s: %v %s, %d of %d %s\n", f.What, f.Value, f.Unit, *f.X, *f.N, f.Of)
	fmt.Printf("%s %.1f to %.1f\n", f.Intervals[0].Method, float64(f.Intervals[0].Low), float64(f.Intervals[0].High))
	fmt.Printf("%d of %d %s\n", *f.Seen, *f.Eligible, f.Eligibly)
	fmt.Println(f.Cautions)
	// Output:
	// lame: 50 %, 1 of 2 scored
	// Wilson 9.5 to 90.5
	// 2 of 3 cows in milk
	// [only 67 % of the cows in milk were looked at: these are selected animals, not the herd few animals: read the interval, not the figure]
}
