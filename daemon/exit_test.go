package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"testing"

	"dewclaw/events"
)

func TestExitCode_FollowsTheKind(t *testing.T) {
	wrap := func(kind error) error { return fmt.Errorf("do: %w: %w", errors.New("x"), kind) }
	tests := []struct {
		name string
		err  error
		want int
	}{
		{"nothing", nil, 0},
		{"a bug", errors.New("x"), 1},
		{"not found", wrap(events.ErrNotFound), 1},
		{"unavailable", wrap(events.ErrUnavailable), 1},
		{"canceled", context.Canceled, 1},
		{"usage", wrap(errUsage), 2},
		{"invalid", wrap(events.ErrInvalid), 3},
		{"locked", wrap(events.ErrLocked), 4},
		{"corrupt", wrap(events.ErrCorrupt), 5},
		{"a fault", &events.Fault{Kind: events.ErrInvalid}, 3},
		{"the gravest of several", errors.Join(wrap(events.ErrInvalid), wrap(events.ErrCorrupt), wrap(events.ErrLocked)), 5},
	}
	for _, tt := range tests {
		if got := exitCode(tt.err); got != tt.want {
			t.Errorf("%s: got %d, wanted %d", tt.name, got, tt.want)
		}
	}
}

func TestReport_PrintsOneLineEachWithHintsBelow(t *testing.T) {
	err := errors.Join(
		&events.Fault{Who: "dewclaw.yaml:31:11", What: "feeds[2].folder", Wanted: "a folder", Got: "\"/srv/\x1b[1mout\"", Hints: []string{"create it", "dewclaw check"}},
		fmt.Errorf("open log: %w", events.ErrCorrupt),
		context.Canceled,
	)
	var b bytes.Buffer
	report(&b, err)
	want := `dewclaw.yaml:31:11: feeds[2].folder: wanted a folder, got "/srv/\x1b[1mout"
hint: create it
hint: dewclaw check
open log: corrupt
dewclaw: stopped before the end; what was committed stands
`
	if b.String() != want {
		t.Errorf("got\n%s\nwanted\n%s", b.String(), want)
	}
}
