package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestRun_StopsCleanlyOnATermination also stops it in the middle of its work:
// what was begun is finished by the next start.
func TestRun_StopsCleanlyOnATermination(t *testing.T) {
	if testing.Short() {
		t.Skip("what is killed tells the race detector no more than what runs")
	}
	for _, at := range []string{"append", "send", ""} {
		dir := t.TempDir()
		write(t, filepath.Join(dir, "dewclaw.yaml"), killConfig)
		write(t, filepath.Join(dir, "chute.yaml"), killMapping)
		write(t, filepath.Join(dir, "out", ".keep"), "")
		write(t, filepath.Join(dir, "in", "a.csv"), goodRows(1500))
		c := startInLockstep(t, dir)
		for {
			beat, ok := c.next(patience)
			if !ok {
				t.Fatalf("no beat came\n%s", c.out.String())
			}
			c.step()
			if at == "" || beat == at {
				break
			}
		}
		c.release()
		if err := c.stop(); err != nil {
			t.Errorf("stopped at %q: %v, wanted exit code 0\n%s", at, err, c.out.String())
		}
		k := &killer{t: t}
		k.dewclaw(dir, "once")
		if got := k.events(dir); len(got) != 3000 {
			t.Errorf("stopped at %q: %d events after the next start, wanted 3000", at, len(got))
		}
		k.dewclaw(dir, "verify")
	}
}

// TestRun_ASecondSignalEndsItAtOnce holds the daemon in a beat, so that it
// cannot stop by itself.
func TestRun_ASecondSignalEndsItAtOnce(t *testing.T) {
	dir := t.TempDir()
	write(t, filepath.Join(dir, "dewclaw.yaml"), killConfig)
	write(t, filepath.Join(dir, "chute.yaml"), killMapping)
	write(t, filepath.Join(dir, "out", ".keep"), "")
	write(t, filepath.Join(dir, "in", "a.csv"), goodRows(3))
	c := startInLockstep(t, dir)
	defer c.close()
	for {
		beat, ok := c.next(patience)
		if !ok {
			t.Fatalf("no beat came\n%s", c.out.String())
		}
		if beat == "append" {
			break
		}
		c.step()
	}
	ended := make(chan error, 1)
	go func() { ended <- c.cmd.Wait() }()
	began := time.Now()
	for {
		_ = c.cmd.Process.Signal(os.Interrupt) // again until it has ended: when the first was taken is not told
		select {
		case err := <-ended:
			exit, ok := err.(*exec.ExitError)
			if !ok || exit.ExitCode() != exitError {
				t.Errorf("ended with %v, wanted exit code %d", err, exitError)
			}
			if !strings.Contains(c.out.String(), "second signal") {
				t.Errorf("it does not say why:\n%s", c.out.String())
			}
			return
		case <-time.After(20 * time.Millisecond):
			if time.Since(began) > grace/2 {
				t.Fatal("still runs")
			}
		}
	}
}

// TestRun_EndsAfterItsGrace is part of the long form: it takes the whole grace.
func TestRun_EndsAfterItsGrace(t *testing.T) {
	if !*long {
		t.Skip("takes the whole grace; run it with -long")
	}
	dir := t.TempDir()
	write(t, filepath.Join(dir, "dewclaw.yaml"), killConfig)
	write(t, filepath.Join(dir, "chute.yaml"), killMapping)
	write(t, filepath.Join(dir, "in", "a.csv"), goodRows(3))
	c := startInLockstep(t, dir)
	defer c.close()
	if _, ok := c.next(patience); !ok {
		t.Fatal("no beat came")
	}
	began := time.Now()
	if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	_ = c.cmd.Wait()
	if took := time.Since(began); took < grace || took > grace+5*time.Second {
		t.Errorf("ended after %v, wanted %v", took, grace)
	}
	if code := c.cmd.ProcessState.ExitCode(); code != exitError {
		t.Errorf("exit code %d, wanted %d", code, exitError)
	}
}
