package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"dewclaw/daemon/internal/api"
)

// jsonLines decodes standard output of a command, one object a line.
func jsonLines(ts *testscript.TestScript, args ...string) []map[string]any {
	ts.Check(ts.Exec("dewclaw", args...))
	var out []map[string]any
	for line := range strings.Lines(ts.ReadFile("stdout")) {
		var m map[string]any
		ts.Check(json.Unmarshal([]byte(line), &m))
		out = append(out, m)
	}
	return out
}

// dig follows members of nested objects.
func dig(m map[string]any, path ...string) any {
	var v any = m
	for _, p := range path {
		o, ok := v.(map[string]any)
		if !ok {
			return nil
		}
		v = o[p]
	}
	return v
}

// heldAt sets a variable to the id of the held record at a line.
func heldAt(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: held LINE VARIABLE")
	}
	for _, h := range jsonLines(ts, "held", "list", "--state", "all", "--json") {
		if fmt.Sprint(h["line"]) == args[0] {
			ts.Setenv(args[1], h["id"].(string))
			return
		}
	}
	ts.Fatalf("no held record at line %s", args[0])
}

// eventAt sets a variable to the id of the newest event of a kind from a line.
func eventAt(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: event KIND LINE VARIABLE")
	}
	for _, e := range slices.Backward(jsonLines(ts, "events", "--kind", args[0], "--json")) {
		if fmt.Sprint(dig(e, "data", "origin", "line")) == args[1] {
			ts.Setenv(args[2], e["id"].(string))
			return
		}
	}
	ts.Fatalf("no %s from line %s", args[0], args[1])
}

// eventOf sets a variable to the id of the oldest event of a kind.
func eventOf(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: event-of KIND VARIABLE")
	}
	list := jsonLines(ts, "events", "--kind", args[0], "--json")
	if len(list) == 0 {
		ts.Fatalf("no %s", args[0])
	}
	ts.Setenv(args[1], list[0]["id"].(string))
}

// eventOfFarm sets a variable to the id of the oldest event of a kind on a farm.
func eventOfFarm(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: event-of-farm FARM KIND VARIABLE")
	}
	list := jsonLines(ts, "events", "--farm", args[0], "--kind", args[1], "--json")
	if len(list) == 0 {
		ts.Fatalf("no %s on %s", args[1], args[0])
	}
	ts.Setenv(args[2], list[0]["id"].(string))
}

// modeIs checks the permissions of a file.
func modeIs(ts *testscript.TestScript, neg bool, args []string) {
	st, err := os.Stat(ts.MkAbs(args[0]))
	ts.Check(err)
	if got := fmt.Sprintf("%04o", st.Mode().Perm()); got != args[1] {
		ts.Fatalf("%s has mode %s, wanted %s", args[0], got, args[1])
	}
}

// socketSays waits until /healthz or /readyz of the daemon over data says ok
// (true) or gives a reason that contains a text.
func socketSays(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 || len(args) > 3 {
		ts.Fatalf("usage: socket-says healthz|readyz ok|TEXT [FOLDER]")
	}
	data := "data"
	if len(args) == 3 {
		data = args[2]
	}
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	for ; ; time.Sleep(20 * time.Millisecond) {
		c, err := api.Dial(ctx, ts.MkAbs(data))
		var why []string
		if err == nil {
			why, err = c.State(ctx, args[0])
		}
		if err == nil && (args[1] == "ok" && len(why) == 0 || args[1] != "ok" && strings.Contains(strings.Join(why, "\n"), args[1])) {
			return
		}
		if ctx.Err() != nil {
			ts.Fatalf("%s says %q (%v), wanted %q", args[0], why, err, args[1])
		}
	}
}

// runNext runs the commands the demo names, as they are printed; there must be
// as many as told.
func runNext(ts *testscript.TestScript, neg bool, args []string) {
	_, list, ok := strings.Cut(ts.ReadFile("stdout"), "What to try next:\n")
	if neg || len(args) != 1 || !ok {
		ts.Fatalf("usage: run-next N, after a demo")
	}
	n := 0
	for line := range strings.Lines(list) {
		command, ok := strings.CutPrefix(line, "    ")
		if !ok {
			continue
		}
		ts.Check(ts.Exec("sh", "-c", strings.TrimSpace(command)))
		if len(ts.ReadFile("stdout")) == 0 {
			ts.Fatalf("%s printed nothing", command)
		}
		n++
	}
	if n != number(ts, args[0]) {
		ts.Fatalf("ran %d commands, wanted %s", n, args[0])
	}
}

// sameFolders checks that two folders hold the same files.
func sameFolders(ts *testscript.TestScript, neg bool, args []string) {
	read := func(dir string) map[string]string {
		m := map[string]string{}
		ts.Check(fs.WalkDir(os.DirFS(ts.MkAbs(dir)), ".", func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			b, err := os.ReadFile(filepath.Join(ts.MkAbs(dir), name))
			m[name] = string(b)
			return err
		}))
		return m
	}
	if a, b := read(args[0]), read(args[1]); !maps.Equal(a, b) || len(a) == 0 {
		ts.Fatalf("%s has %d files, %s has %d, or their content differs", args[0], len(a), args[1], len(b))
	}
}
