// Command dewclaw carries hoof-trimming records from whatever writes them at the
// chute to whoever needs them afterwards: it reads files and messages in any
// layout by a mapping, keeps one append-only log of normalized events, and feeds
// each recipient in the recipient's own layout.
//
// The package has the commands, one a file, and the wiring of the rooms; it
// holds no rule. Start reading at [run], then at the project of project.go (what
// a config names) and the engine of engine.go (a data folder that is open).
package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

func main() {
	limitMemory(os.Getenv)
	ctx, stop := signals()
	code := run(ctx, os.Args, os.Getenv, os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// grace is how long a daemon that was told to stop may take. Then it exits with
// code 1 whatever still runs: safe, because a crash between two beats repeats
// and never loses.
const grace = 20 * time.Second

// signals returns a context that ends on the first interrupt or termination
// signal. A second one, or the end of the grace, ends the process.
func signals() (ctx context.Context, stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	got := make(chan os.Signal, 2)
	signal.Notify(got, os.Interrupt, syscall.SIGTERM)
	go func() {
		<-got
		cancel()
		select {
		case <-got:
			fmt.Fprintln(os.Stderr, "dewclaw: second signal: ended at once; what was committed stands")
		case <-time.After(grace):
			fmt.Fprintf(os.Stderr, "dewclaw: not stopped after %v: ended; what was committed stands\n", grace)
		}
		os.Exit(exitError)
	}()
	return ctx, func() { signal.Stop(got) }
}

// run runs one command and returns its exit code: args[0] is how the program was
// called. It is the whole program but for the signals: tests call it.
func run(ctx context.Context, args []string, getenv func(string) string, stdin io.Reader, stdout, stderr io.Writer) int {
	a := &app{
		ctx: ctx, self: selfName(args[0]), getenv: getenv, now: time.Now,
		stdin: stdin, stdout: stdout, stderr: stderr,
	}
	var err error
	if a.beats, err = beatsFrom(getenv); err == nil {
		err = a.command(args[1:])
	}
	if err != nil {
		report(stderr, err)
	}
	return exitCode(err)
}

// selfName returns how to call the program again: as it was called, or by the go
// command if that built it into a folder of its own.
func selfName(called string) string {
	if strings.Contains(filepath.ToSlash(called), "/go-build") {
		return "go run ./daemon"
	}
	return shellQuote(called)
}

// shellQuote makes s one word of a shell.
func shellQuote(s string) string {
	plain := func(r rune) bool {
		return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("/._-+:=@%", r)
	}
	if s != "" && strings.IndexFunc(s, func(r rune) bool { return !plain(r) }) < 0 {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}
