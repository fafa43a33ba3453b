package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// A lockstep is a daemon in a process of its own that tells its beats and goes
// on with each only when it is told to.
type lockstep struct {
	t    *testing.T
	cmd  *exec.Cmd
	told *os.File // beats come from here
	read *bufio.Reader
	go_  *os.File // and steps go there
	out  bytes.Buffer
}

func startInLockstep(t *testing.T, dir string) *lockstep {
	t.Helper()
	return commandInLockstep(t, "--config", filepath.Join(dir, "dewclaw.yaml"), "run")
}

// commandInLockstep is the same for any command.
func commandInLockstep(t *testing.T, args ...string) *lockstep {
	t.Helper()
	told, tell, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	wait, step, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	c := &lockstep{t: t, told: told, read: bufio.NewReader(told), go_: step}
	c.cmd = exec.Command("dewclaw", args...)
	c.cmd.Stdout, c.cmd.Stderr = &c.out, &c.out
	c.cmd.ExtraFiles = []*os.File{tell, wait}
	c.cmd.Env = append(os.Environ(), beatsVariable+"=3,4")
	if err := c.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	tell.Close()
	wait.Close()
	return c
}

// next returns the beat that is to begin; false if none came for so long or the
// process ended.
func (c *lockstep) next(patience time.Duration) (string, bool) {
	if err := c.told.SetReadDeadline(time.Now().Add(patience)); err != nil {
		c.t.Fatal(err)
	}
	line, err := c.read.ReadString('\n')
	return strings.TrimSpace(line), err == nil
}

// step lets the beat begin.
func (c *lockstep) step() {
	if _, err := c.go_.Write([]byte{'.'}); err != nil {
		c.t.Fatal(err)
	}
}

// release lets it go on without steps.
func (c *lockstep) release() {
	c.told.Close()
	c.go_.Close()
}

// kill ends the process at once; an error if it had ended before.
func (c *lockstep) kill() error {
	if err := c.cmd.Process.Kill(); err != nil {
		return fmt.Errorf("kill: %w", err)
	}
	err := c.cmd.Wait()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.Sys().(syscall.WaitStatus).Signal() == syscall.SIGKILL {
		return nil
	}
	return fmt.Errorf("daemon ended before it was killed: %v", err)
}

// stop asks the process to stop and waits for it.
func (c *lockstep) stop() error {
	if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	return c.cmd.Wait()
}

// close ends what is left.
func (c *lockstep) close() {
	c.told.Close()
	c.go_.Close()
	if c.cmd.ProcessState == nil {
		_ = c.cmd.Process.Kill()
		_ = c.cmd.Wait()
	}
}
