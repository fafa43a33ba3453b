// Command make writes the big chute file to standard output:
//
//	go run ./testdata/bench/make -rows 500000 > big.csv
package main

import (
	"flag"
	"fmt"
	"os"

	"dewclaw/testdata/bench"
)

func main() {
	var o bench.Options
	flag.IntVar(&o.Rows, "rows", 500_000, "rows of the file")
	flag.Uint64Var(&o.Seed, "seed", 1, "seed: the same one makes the same file")
	flag.BoolVar(&o.Changed, "changed", false, "a re-export in which one row in a hundred has another note")
	flag.Parse()
	c, err := bench.Write(os.Stdout, o)
	if err != nil {
		fmt.Fprintln(os.Stderr, "write file:", err)
		os.Exit(1)
	}
	fmt.Fprintf(os.Stderr, "%d rows, %d of them rotten, %d events\n", c.Rows, c.Rotten, c.Events)
}
