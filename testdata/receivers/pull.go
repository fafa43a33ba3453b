// Fetches the events of a feed with nothing but Go's own library, and stops when
// there are no more.
//
// Usage: TOKEN=… go run pull.go URL FILE     with URL such as http://127.0.0.1:8410/v1/feeds/vet/events
//
// Each event is a line of FILE. FILE.next has the cursor: it moves when the events
// before it are safely on the disk, so whoever is interrupted has some of them
// twice, known by their ids, and none of them never.
package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"net/http"
	"net/url"
	"os"
)

func main() {
	file := os.Args[2]
	after, err := os.ReadFile(file + ".next")
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		log.Fatal(err)
	}
	for next := string(after); ; {
		n, err := fetch(os.Args[1], file, &next)
		if err == nil {
			err = os.WriteFile(file+".new", []byte(next), 0o600)
		}
		if err == nil {
			err = os.Rename(file+".new", file+".next")
		}
		if err != nil {
			log.Fatal(err)
		}
		if n == 0 {
			return
		}
	}
}

// fetch appends a page to the file, and returns how many bytes it has.
func fetch(from, file string, next *string) (int64, error) {
	if *next != "" {
		from += "?after=" + url.QueryEscape(*next)
	}
	r, err := http.NewRequest("GET", from, nil)
	if err != nil {
		return 0, err
	}
	r.Header.Set("Authorization", "Bearer "+os.Getenv("TOKEN"))
	r.Header.Set("Accept", "application/x-ndjson")
	w, err := http.DefaultClient.Do(r)
	if err != nil {
		return 0, err
	}
	defer w.Body.Close()
	if w.StatusCode != http.StatusOK {
		why, _ := io.ReadAll(w.Body)
		return 0, fmt.Errorf("%s: %s", w.Status, why)
	}
	out, err := os.OpenFile(file, os.O_CREATE|os.O_WRONLY|os.O_APPEND, 0o600)
	if err != nil {
		return 0, err
	}
	n, err := io.Copy(out, w.Body)
	*next = w.Header.Get("Dewclaw-Next")
	return n, errors.Join(err, out.Sync(), out.Close())
}
