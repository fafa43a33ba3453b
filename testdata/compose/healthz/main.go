// Command healthz asks a URL and ends with 0 if the answer is 200: the health check
// of images that have no shell.
package main

import (
	"fmt"
	"net/http"
	"os"
	"time"
)

func main() {
	c := http.Client{Timeout: 3 * time.Second}
	r, err := c.Get(os.Args[1])
	if err == nil && r.StatusCode != http.StatusOK {
		err = fmt.Errorf("got %s", r.Status)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "healthz:", err)
		os.Exit(1)
	}
}
