package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"time"
	_ "time/tzdata" // zones of farms must not depend on the machine

	"github.com/alecthomas/kong"

	"dewclaw/events"
)

// An app is one call of the program: what came in from outside, and nothing
// that outlives the call.
type app struct {
	ctx    context.Context
	self   string // how to call the program again, for hints that can be pasted
	config string // config file
	getenv func(string) string
	stdin  io.Reader
	stdout io.Writer
	stderr io.Writer
	now    func() time.Time
	beats  func(name string) // told at every beat; nil but for crash tests
	hangUp <-chan os.Signal  // asks a daemon to read its config anew; nil but for one
}

// commands is the command line. Each command is a type with a Run method in a
// file of its own.
type commands struct {
	Config  string           `placeholder:"FILE" help:"The config; default dewclaw.yaml in the current folder, or $DEWCLAW_CONFIG."`
	Version kong.VersionFlag `help:"Print which version of the program this is."`

	Demo     demoCommand     `cmd:"" help:"Make two invented farms and take them all the way, in a folder of their own."`
	Run      runCommand      `cmd:"" help:"Read, keep and feed until told to stop: the daemon."`
	Once     onceCommand     `cmd:"" help:"Read what waits, feed it, stop."`
	Check    checkCommand    `cmd:"" help:"Check config, mappings and their examples; start nothing."`
	Try      tryCommand      `cmd:"" help:"Show what a mapping makes of a file; keep nothing."`
	Events   eventsCommand   `cmd:"" help:"List events of the log."`
	Held     heldCommand     `cmd:"" help:"Held records: list, show, fix, release, drop."`
	Correct  correctCommand  `cmd:"" help:"Correct an accepted event: another animal or foot, other values, or withdraw it."`
	Trace    traceCommand    `cmd:"" help:"Lead a figure back to its events, an event to its line, or a line forward to its events."`
	Worklist worklistCommand `cmd:"" help:"What is due on a farm, for trimmer, milkers, vet or manager; and the report of a visit."`
	Measure  measureCommand  `cmd:"" help:"How the herd stands: prevalence, rates, times, trends; alone it lists them."`
	Feed     feedCommand     `cmd:"" help:"Feeds: list, show, rewind, pause, resume, replay, test."`
	Leases   leasesCommand   `cmd:"" help:"Which daemon on the log reads and feeds what."`
	Verify   verifyCommand   `cmd:"" help:"Read the archive again and hold the log to it."`
	Backup   backupCommand   `cmd:"" help:"Copy log, originals, cursors and config to a safe place, while the daemon runs or not."`
	Restore  restoreCommand  `cmd:"" help:"Make a data folder, or a whole project, of a backup."`
	Export   exportCommand   `cmd:"" help:"Write the log as CloudEvents, or one farm whole with its originals."`
	Import   importCommand   `cmd:"" help:"Make a data folder of what another log exported."`
	Token    tokenCommand    `cmd:"" help:"Make a token for asking over HTTP."`
	BarnKey  barnKeyCommand  `cmd:"" help:"Make the key a barn shows its hub."`
	Reload   reloadCommand   `cmd:"" help:"Have the running daemon read its config anew."`
	Mapping  mappingCommand  `cmd:"" help:"Print the mappings that are built in."`
	Codes    codesCommand    `cmd:"" help:"Print the code lists."`
	Schema   schemaCommand   `cmd:"" help:"Print the published schemas."`
}

const about = `Carries hoof-trimming records from whatever writes them at the chute to whoever needs them afterwards.
A first look: dewclaw demo`

// command parses args and runs the command they name. What it prints of its own
// accord (help) goes to stdout. The error is for [report].
func (a *app) command(args []string) error {
	var c commands
	helped := false
	var help bytes.Buffer
	p, err := kong.New(&c,
		kong.Name("dewclaw"), kong.Description(about),
		kong.Writers(&help, &help),
		kong.Exit(func(int) { helped = true }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: lineWidth, NoExpandSubcommands: true}),
		kong.NamedMapper("day", dayMapper{}), kong.Vars{"version": "dewclaw " + version()},
	)
	if err != nil {
		return fmt.Errorf("build command line: %w", err)
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	k, err := p.Parse(args)
	if helped {
		_, err := io.Copy(a.stdout, &help)
		return err
	}
	if err != nil {
		return usage(err, args)
	}
	a.config = c.Config
	if a.config == "" {
		a.config = a.getenv("DEWCLAW_CONFIG")
	}
	if a.config == "" {
		a.config = "dewclaw.yaml"
	}
	return k.Run(a)
}

// usage tells a mistake of the command line, with the help to read.
func usage(err error, args []string) error {
	f := &events.Fault{Kind: errUsage, Who: "dewclaw", What: err.Error(), Hints: []string{"dewclaw --help"}}
	var p *kong.ParseError
	if errors.As(err, &p) && p.Context != nil {
		if n := p.Context.Selected(); n != nil {
			f.Hints = []string{"dewclaw " + strings.TrimPrefix(n.Path(), "dewclaw ") + " --help"}
		}
	}
	return f
}

// refuse makes an error of kind usage for what the grammar cannot tell.
func refuse(what string, hints ...string) error {
	return &events.Fault{Kind: errUsage, Who: "dewclaw", What: what, Hints: hints}
}

// dayMapper reads YYYY-MM-DD.
type dayMapper struct{}

func (dayMapper) Decode(ctx *kong.DecodeContext, target reflect.Value) error {
	t, err := ctx.Scan.PopValue("day")
	if err != nil {
		return err
	}
	s := fmt.Sprint(t.Value)
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return fmt.Errorf("wanted a day as YYYY-MM-DD, got %q", s)
	}
	target.SetString(s)
	return nil
}

// logger is for what the daemon has to say while it runs; values are quoted, so
// that no field of a file can forge a line.
func (a *app) logger(level slog.Level) *slog.Logger {
	return slog.New(slog.NewTextHandler(a.stderr, &slog.HandlerOptions{Level: level}))
}

// dir is the folder of the config.
func (a *app) dir() string { return filepath.Dir(a.config) }

// printf prints one piece of text that is ours; values from outside go through safe.
func (a *app) printf(format string, args ...any) {
	fmt.Fprintf(a.stdout, format, args...)
}

// line prints one item as a JSON object on a line of its own.
func (a *app) line(item any) error {
	b, err := json.Marshal(item)
	if err != nil {
		return fmt.Errorf("encode item: %w", err)
	}
	return a.rawLine(b)
}

// rawLine prints an item that is JSON already.
func (a *app) rawLine(b []byte) error {
	_, err := a.stdout.Write(append(safeJSON(b), '\n'))
	return err
}

func join(list []string) string { return strings.Join(list, ", ") }
