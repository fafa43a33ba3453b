package main

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"runtime/pprof"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

var long = flag.Bool("long", false, "run the long form of the suites")

// TestMain makes the program itself a command of the scripts: the test binary,
// run under the name dewclaw.
func TestMain(m *testing.M) {
	// Tests side by side mostly wait for the programs they started; flags that are given come later and hold.
	if err := flag.Set("test.parallel", "4"); err != nil {
		panic(err)
	}
	testscript.Main(m, map[string]func(){"dewclaw": func() { keepProfiles(); main() }})
}

// profilesIn names the folder in which a program that a test starts leaves what is
// alive in its heap, once a minute: PID-MINUTES.heap, for go tool pprof. The program
// itself has no such door.
const profilesIn = "DEWCLAW_TEST_PROFILES"

func keepProfiles() {
	dir := os.Getenv(profilesIn)
	if dir == "" {
		return
	}
	go func() {
		for i := 1; ; i++ {
			time.Sleep(time.Minute)
			runtime.GC()
			f, err := os.Create(filepath.Join(dir, fmt.Sprintf("%d-%d.heap", os.Getpid(), i)))
			if err == nil {
				err = errors.Join(pprof.Lookup("heap").WriteTo(f, 0), f.Close())
			}
			if err != nil {
				fmt.Fprintln(os.Stderr, "profile:", err)
				return
			}
		}
	}()
}

// TestScripts runs the scripts of testdata/script: the whole program as a user
// runs it. Besides the commands of testscript there are
//
//	exits CODE command …       run the command; its exit code must be CODE
//	until REGEXP command …     run the command again until it is fine and its output matches
//	until-file REGEXP file     wait until the file is there and matches
//	until-fed folder N         wait until the feed files in the folder have N different events
//	rows file N                write N good rows of the layout of the scripts
//	rot file LINE COLUMN VALUE spoil one cell of it
//	grow file N                write N good rows in forty pieces, faster than the file could rest
//	ascending file REGEXP N    the first group of the N matches counts up from line to line
//	held LINE NAME             set $NAME to the id of the held record at a line
//	event KIND LINE NAME       set $NAME to the id of the newest event of a kind from a line
//	event-of KIND NAME         set $NAME to the id of the oldest event of a kind
//	event-of-farm FARM KIND NAME   the same of one farm
//	figure KEY NAME            set $NAME to the id of the figure that stdout, JSON lines, has under a key
//	mode file PERM             the file has these permissions
//	socket-says WHAT ok|TEXT [FOLDER]   wait until /healthz or /readyz of a data folder is fine or gives a reason with the text
//	nats-server NAME           start a NATS server and set $NAME to its URL
//	stream NAME SUBJECT …      make a stream on the server of $NATS
//	publish SUBJECT file       publish each line of a file there
//	until-stream NAME N file   wait until a stream has N messages and write them to a file
//	mosquitto NAME             start an MQTT broker and set $NAME to its URL
//	redis-server NAME          start a Redis server and set $NAME to its URL; postgres-server likewise
//	mqtt-listen TOPIC file F   write what is published from now on to a file in mosquitto_sub's format F
//	free-port NAME             set $NAME to the number of a port nobody listens on
//	make-token TOKEN HASH …    set two variables by the command token with these options
//	make-barn-key FILE NAME    make the key of a barn and set $NAME to its public part
//	example FILE [OLD NEW] …   write a file of an example in the README, with texts replaced
//	held-at-hub NAME           set $NAME to the id of the first held record of the hub
//	substitute file            put the values of $NAMEs into a file
//	ade-valid N files          N resources of ICAR ADE in all, valid by their schemas
//	ade-token NAME file        set $NAME to the token an answer of the change feed ends with
//	flip PATTERN [WHICH]       turn a bit in the largest file that matches, or the oldest, middle or newest block
//	same-tree PATTERN          the damaged file is as it was left
//	truncate PATTERN N         cut N bytes off the newest file that matches
//	cp-tree FROM TO            copy a folder
//	run-next N                 run the N commands a demo names
//	same-folders A B           two folders hold the same files
//	escape-file file           write rows with characters that a screen obeys, and set $ESC
//	clean stdout               every character of it is printed as itself
//	latin1 file                turn a UTF-8 file into ISO 8859-1
//	bom file                   put a UTF-8 byte order mark before the file
//	append from to             append one file to another
//
// With -short, which is the form for the race detector, it runs those in which the
// daemon works beside something ("&" starts it) and which are not mostly one-shot
// commands: at most 12, as each takes a second to start then.
func TestScripts(t *testing.T) {
	files, err := filepath.Glob(filepath.Join("..", "testdata", "script", "*.txtar"))
	if err != nil || len(files) == 0 {
		t.Fatal(len(files), err)
	}
	if testing.Short() {
		files = files[:0]
		for _, name := range []string{"nats", "mqtt", "http", "run", "dead-recipient"} { // for the race detector: a daemon that is busy, and few commands beside it
			files = append(files, filepath.Join("..", "testdata", "script", name+".txtar"))
		}
	}
	testscript.Run(t, testscript.Params{
		Files:               files,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			env.Setenv("TZ", "UTC")
			return nil
		},
		Condition: has,
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": exits, "until": until, "until-file": untilFile, "until-fed": untilFed,
			"rows": rowsFile, "rot": rotCell, "grow": growFile, "ascending": ascending,
			"latin1": toLatin1, "bom": addBOM, "append": appendFile, "substitute": substitute, "escape-file": escapeFile, "clean": clean, "run-next": runNext, "same-folders": sameFolders,
			"ade-valid": adeValid, "ade-token": adeToken, "held": heldAt, "event": eventAt, "event-of": eventOf, "event-of-farm": eventOfFarm, "mode": modeIs, "socket-says": socketSays,
			"figure": figureOfKey,
			"flip":   flip, "same-tree": sameTree, "truncate": truncateFile, "cp-tree": copyTree,
			"redis-server": startRedis, "postgres-server": startPostgres, "mosquitto": startMosquitto, "mqtt-listen": listen,
			"free-port": freePort, "make-token": makeToken, "make-barn-key": makeBarnKey, "held-at-hub": heldAtHub, "example": exampleFile, "nats-server": startNATS, "stream": makeStream, "publish": publish, "until-stream": untilStream,
		},
	})
}

func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE command …")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit):
		got = exit.ExitCode()
	case err != nil:
		ts.Fatalf("%v", err)
	}
	if got != want {
		ts.Fatalf("exit code %d, wanted %d", got, want)
	}
}

// patience is how long a script waits for a state.
const patience = 30 * time.Second

func until(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: until REGEXP command …")
	}
	re, err := regexp.Compile("(?m)" + args[0])
	ts.Check(err)
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		cmd := exec.Command(args[1], args[2:]...) // not by ts: what a try prints is of no interest
		cmd.Dir = ts.MkAbs(".")
		cmd.Env = append(os.Environ(), "TZ=UTC", "DEWCLAW_CONFIG="+ts.Getenv("DEWCLAW_CONFIG"))
		out, err := cmd.CombinedOutput()
		if err == nil && re.Match(out) {
			ts.Check(ts.Exec(args[1], args[2:]...))
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("no match for %#q in the end; last output (%v):\n%s", args[0], err, out)
		}
	}
}

func untilFile(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: until-file REGEXP file")
	}
	re, err := regexp.Compile("(?m)" + args[0])
	ts.Check(err)
	for end := time.Now().Add(patience); ; time.Sleep(20 * time.Millisecond) {
		names, _ := filepath.Glob(ts.MkAbs(args[1]))
		for _, name := range names {
			if b, err := os.ReadFile(name); err == nil && re.Match(b) {
				return
			}
		}
		if time.Now().After(end) {
			ts.Fatalf("no match for %#q in %s in the end", args[0], args[1])
		}
	}
}

func toLatin1(ts *testscript.TestScript, neg bool, args []string) {
	for _, name := range args {
		var b []byte
		for _, r := range ts.ReadFile(name) {
			if r > 0xff {
				ts.Fatalf("%s: %q is not in ISO 8859-1", name, r)
			}
			b = append(b, byte(r))
		}
		ts.Check(os.WriteFile(ts.MkAbs(name), b, 0o644))
	}
}

func substitute(ts *testscript.TestScript, neg bool, args []string) {
	for _, name := range args {
		ts.Check(os.WriteFile(ts.MkAbs(name), []byte(os.Expand(ts.ReadFile(name), ts.Getenv)), 0o644))
	}
}

func addBOM(ts *testscript.TestScript, neg bool, args []string) {
	for _, name := range args {
		ts.Check(os.WriteFile(ts.MkAbs(name), []byte("\ufeff"+strings.TrimPrefix(ts.ReadFile(name), "\ufeff")), 0o644))
	}
}

func appendFile(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: append from to")
	}
	f, err := os.OpenFile(ts.MkAbs(args[1]), os.O_APPEND|os.O_WRONLY|os.O_CREATE, 0o644)
	ts.Check(err)
	_, err = f.WriteString(ts.ReadFile(args[0]))
	ts.Check(err)
	ts.Check(f.Close())
}
