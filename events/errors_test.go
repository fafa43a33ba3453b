package events_test

import (
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"

	"dewclaw/events"
)

func TestFault_SaysWhoWhereWantedAndGot(t *testing.T) {
	tests := []struct {
		f    events.Fault
		want string
	}{
		{events.Fault{Who: "source chute", Where: "a.csv line 4", What: "EID", Wanted: "15 digits", Got: "14"}, "source chute: a.csv line 4: EID: wanted 15 digits, got 14"},
		{events.Fault{Where: "dewclaw.yaml:31:11", What: `feeds[2].folder: "/srv/out" is not a folder`}, `dewclaw.yaml:31:11: feeds[2].folder: "/srv/out" is not a folder`},
		{events.Fault{What: "zone", Wanted: "0 to 12"}, "zone: wanted 0 to 12"},
		{events.Fault{What: "zone", Got: "13"}, "zone: got 13"},
		{events.Fault{What: "open log", Cause: io.ErrUnexpectedEOF}, "open log: unexpected EOF"},
		{events.Fault{}, ""},
	}
	for _, tt := range tests {
		if got := tt.f.Error(); got != tt.want {
			t.Errorf("%+v: %q, wanted %q", tt.f, got, tt.want)
		}
	}
}

func TestFault_UnwrapsToKindAndCause(t *testing.T) {
	f := &events.Fault{Kind: events.ErrCorrupt, What: "block 3", Cause: io.ErrUnexpectedEOF}
	err := fmt.Errorf("open log: %w", f)
	var got *events.Fault
	if !errors.Is(err, events.ErrCorrupt) || !errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, events.ErrInvalid) || !errors.As(err, &got) || got != f {
		t.Errorf("%v is not of its kind and cause", err)
	}
	if errs := new(events.Fault).Unwrap(); errs != nil {
		t.Errorf("an empty fault unwraps to %v", errs)
	}
}

func TestHints_OutermostFirst(t *testing.T) {
	inner := &events.Fault{Kind: events.ErrInvalid, What: "a", Hints: []string{"third"}}
	second := &events.Fault{What: "b", Hints: []string{"fourth"}}
	outer := &events.Fault{What: "c", Hints: []string{"first", "second"}, Cause: fmt.Errorf("x: %w", errors.Join(inner, second))}
	if d := cmp.Diff([]string{"first", "second", "third", "fourth"}, events.Hints(fmt.Errorf("y: %w", outer))); d != "" {
		t.Errorf("hints (-want +got):\n%s", d)
	}
	if got := events.Hints(io.EOF); got != nil {
		t.Errorf("hints of EOF: %v", got)
	}
	if got := events.Hints(nil); got != nil {
		t.Errorf("hints of nothing: %v", got)
	}
}
