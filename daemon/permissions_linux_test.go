package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"dewclaw/testdata/outside"
)

// TestPermissionsLost takes the right to write from a daemon that runs, in one
// folder after another, and the right to read its source; then it gives it back.
// Started without rights it ends and says which it lacks.
// While it lasts nothing may be taken that is not kept, and the file must stay;
// /readyz must say why, or the log of the daemon if only a file cannot be moved or
// only a feed cannot write. Afterwards all goes on by itself.
// Where the test is root the daemon is somebody else: root may do everything.
func TestPermissionsLost(t *testing.T) {
	if testing.Short() {
		t.Skip("not in the short form")
	}
	d := newSmallDisk(t, 0)
	d.becomeNobody()
	d.start()
	defer d.stop()
	rows := 0
	give := func(name string) {
		write(t, filepath.Join(d.dir, "in", name), rowsFrom(rows, 300))
		rows += 300
		d.own(filepath.Join(d.dir, "in", name))
	}
	give("first.csv")
	if !d.waitFor(func() bool { return d.taken("first.csv") && d.reasons() == "" }) {
		t.Fatalf("it does not work at all: %s\n%s", d.reasons(), d.log())
	}
	for _, tt := range []struct {
		folder string
		mode   fs.FileMode // what is left of the folders
		ready  string      // part of the reason at /readyz
		log    string      // or part of a line of the daemon's log; neither if open files are all it needs
	}{
		{"data/archive", 0o500, "archive", ""},
		{"data/archive", 0, "archive", ""},
		{"data/log", 0o500, "", ""},
		{"data/index", 0o500, "", ""},
		{"data/herd", 0o500, "", ""},
		{"data", 0o500, "archive", ""},
		{"in", 0, "open the folder", ""},
		{"in", 0o500, "", "move to "},
		{"done", 0o500, "", "move to "},
		{"out", 0o500, "", "feed=vet"},
	} {
		name := strings.NewReplacer("/", "-").Replace(tt.folder) + fmt.Sprintf("-%o.csv", tt.mode)
		t.Run(name, func(t *testing.T) {
			said := len(d.said())
			back := d.lose(tt.folder, tt.mode, func() { give(name) })
			what := "permission denied"
			var why, line string
			d.waitFor(func() bool {
				why, line = d.reasons(), lineWith(d.said()[said:], tt.log, what)
				return tt.ready != "" && why != "" || tt.log != "" && line != "" || tt.ready+tt.log == "" && d.taken(name)
			})
			t.Logf("%s with mode %o: %q, %s", tt.folder, tt.mode, why, line)
			if tt.ready != "" && (!strings.Contains(why, tt.ready) || !strings.Contains(why, what)) {
				t.Errorf("not ready because of %q, wanted %q and %q", why, tt.ready, what)
			}
			if tt.log != "" && line == "" {
				t.Errorf("the log of the daemon lacks %q and %q", tt.log, what)
			}
			if tt.ready != "" && d.taken(name) {
				t.Errorf("%s is taken", name)
			}
			back()
			if !d.waitFor(func() bool { return d.taken(name) && d.reasons() == "" }) {
				t.Fatalf("with its rights again it does not go on: %s\n%s", d.reasons(), d.log())
			}
		})
	}
	d.stop()
	for _, folder := range []string{"data/archive", "data/log", "data/index", "data/herd", "data"} {
		give(filepath.Base(folder) + "-at-start.csv")
		back := d.lose(folder, 0o500, func() {})
		out, err := d.command("once").CombinedOutput()
		t.Logf("started over %s: %s", folder, out)
		said := bytes.Contains(out, []byte("permission denied")) || bytes.Contains(out, []byte("readonly database"))
		if err == nil || !said || folder != "data/herd" && !bytes.Contains(out, []byte(filepath.Join(d.dir, "data"))) {
			t.Errorf("started without rights in %s: %v\n%s", folder, err, out)
		}
		back()
		if out, err := d.command("once").CombinedOutput(); err != nil {
			t.Errorf("with its rights again: %v\n%s", err, out)
		}
	}
	d.balanced(rows)
}

// TestReadOnly makes folders of a daemon that runs read-only file systems: the
// archive, the source, where its files go, the folder of a feed. And it starts a
// daemon over a data folder that is one: that must end and say so.
func TestReadOnly(t *testing.T) {
	if testing.Short() {
		t.Skip("not in the short form")
	}
	outside.NeedMounts(t)
	d := newSmallDisk(t, 0)
	for _, name := range []string{"data/archive", "data", "in", "done", "out"} {
		d.bind(name)
	}
	d.start()
	defer d.stop()
	rows := 0
	for i, tt := range []struct{ folder, ready, log string }{
		{"data/archive", "archive", ""}, {"in", "", "move to "}, {"done", "", "move to "}, {"out", "", "feed=vet"},
	} {
		name, what := fmt.Sprintf("%d.csv", i), "read-only file system"
		said := len(d.said())
		if tt.folder != "in" {
			d.remount(tt.folder, true)
		}
		write(t, filepath.Join(d.dir, "in", name), rowsFrom(rows, 300))
		rows += 300
		if tt.folder == "in" {
			d.remount(tt.folder, true)
		}
		var why, line string
		d.waitFor(func() bool {
			why, line = d.reasons(), lineWith(d.said()[said:], tt.log, what)
			return tt.ready != "" && why != "" || tt.log != "" && line != ""
		})
		t.Logf("%s read-only: %q, %s", tt.folder, why, line)
		if !strings.Contains(why, tt.ready) || tt.ready != "" && !strings.Contains(why, what) {
			t.Errorf("not ready because of %q, wanted %q and %q", why, tt.ready, what)
		}
		if tt.log != "" && line == "" {
			t.Errorf("the log of the daemon lacks %q and %q", tt.log, what)
		}
		d.remount(tt.folder, false)
		if !d.waitFor(func() bool { return d.taken(name) && d.reasons() == "" }) {
			t.Fatalf("%s: when it can be written again it does not go on: %s\n%s", tt.folder, d.reasons(), d.log())
		}
	}
	d.stop()
	d.remount("data", true)
	out, err := exec.Command("dewclaw", "--config", d.config, "run").CombinedOutput()
	if err == nil || !bytes.Contains(out, []byte("read-only file system")) {
		t.Errorf("started over a read-only data folder: %v\n%s", err, out)
	}
	t.Logf("started over it: %s", out)
	d.remount("data", false)
	d.balanced(rows)
}

// said is all that the daemon logged.
func (d *smallDisk) said() string {
	d.t.Helper()
	b, err := os.ReadFile(filepath.Join(d.dir, "daemon.log"))
	if err != nil {
		d.t.Fatal(err)
	}
	return string(b)
}

// lineWith returns the first line of a text that has both parts.
func lineWith(text, part, other string) string {
	for line := range strings.Lines(text) {
		if strings.Contains(line, part) && strings.Contains(line, other) {
			return line
		}
	}
	return ""
}

// command is the program as whoever the daemon is.
func (d *smallDisk) command(args ...string) *exec.Cmd {
	cmd := exec.Command("dewclaw", append([]string{"--config", d.config}, args...)...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: d.as}
	if d.program != "" {
		cmd.Path, cmd.Err = d.program, nil
	}
	return cmd
}

// balanced stops the daemon and holds the books to so many rows, all accepted, and
// the feed to the log.
func (d *smallDisk) balanced(rows int) {
	d.t.Helper()
	d.stop()
	if d.as != nil { // root would make files there that the daemon's user cannot change
		for _, name := range []string{"once", "verify", "events"} {
			cmd := exec.Command("dewclaw", "--config", d.config, name)
			if out, _ := cmd.CombinedOutput(); cmd.ProcessState.ExitCode() != 3 || !strings.Contains(string(out), "sudo -u") {
				d.t.Errorf("%s as root in the data folder of another user: %v\n%s", name, cmd.ProcessState, out)
			}
		}
	}
	out, err := d.command("verify").CombinedOutput()
	if err != nil || !strings.Contains(string(out), fmt.Sprintf("read %d = accepted %d ", rows, rows)) {
		d.t.Errorf("verify: %v\n%s", err, out)
	}
	if out, err := d.command("once").CombinedOutput(); err != nil {
		d.t.Errorf("once: %v\n%s", err, out)
	}
	if d.as != nil { // the rest is read by whoever runs the test
		if err := filepath.WalkDir(filepath.Join(d.dir, "data"), func(path string, _ fs.DirEntry, err error) error {
			return errors.Join(err, os.Lchown(path, 0, 0))
		}); err != nil {
			d.t.Fatal(err)
		}
	}
	k := &killer{t: d.t}
	k.want = k.events(d.dir)
	k.judge(d.dir)
}

// becomeNobody has the daemon run as somebody who is not root, if the test is.
func (d *smallDisk) becomeNobody() {
	d.t.Helper()
	if os.Geteuid() != 0 {
		return
	}
	d.as = &syscall.Credential{Uid: 65534, Gid: 65534}
	self, err := os.ReadFile("/proc/self/exe") // where it lies nobody else may look
	if err != nil {
		d.t.Fatal(err)
	}
	d.program = filepath.Join(d.dir, "program")
	if err := os.WriteFile(d.program, self, 0o755); err != nil {
		d.t.Fatal(err)
	}
	for up := d.dir; up != os.TempDir() && up != "/"; up = filepath.Dir(up) {
		if err := os.Chmod(up, 0o755); err != nil {
			d.t.Fatal(err)
		}
	}
	for _, name := range []string{"data", "in", "done", "out", "dewclaw.yaml", "chute.yaml"} {
		d.own(filepath.Join(d.dir, name))
	}
}

func (d *smallDisk) own(name string) {
	d.t.Helper()
	if d.as == nil {
		return
	}
	if err := os.Lchown(name, int(d.as.Uid), int(d.as.Gid)); err != nil {
		d.t.Fatal(err)
	}
}

// lose takes rights away: folders get a mode, files may be read at the most. back
// gives them back. A file comes before, if it comes into that folder, else after.
func (d *smallDisk) lose(folder string, mode fs.FileMode, come func()) (back func()) {
	d.t.Helper()
	if folder == "in" {
		come()
	} else {
		defer come()
	}
	was := map[string]fs.FileMode{}
	var names []string
	err := filepath.WalkDir(filepath.Join(d.dir, folder), func(name string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if info, err := e.Info(); err == nil && (info.IsDir() || info.Mode().IsRegular()) {
			was[name] = info.Mode().Perm()
			names = append(names, name)
		}
		return nil
	})
	if err != nil {
		d.t.Fatal(err)
	}
	for i := len(names) - 1; i >= 0; i-- { // the innermost first
		m := mode
		if info, err := os.Stat(names[i]); err != nil || !info.IsDir() {
			m = mode & 0o444
		}
		_ = os.Chmod(names[i], m) // one that has gone meanwhile needs none
	}
	return func() {
		for _, name := range names {
			_ = os.Chmod(name, was[name])
		}
	}
}

// bind makes a folder a mount of its own.
func (d *smallDisk) bind(folder string) {
	d.t.Helper()
	name := filepath.Join(d.dir, folder)
	err := os.MkdirAll(name, 0o755)
	if err == nil {
		err = syscall.Mount(name, name, "", syscall.MS_BIND|syscall.MS_REC, "")
	}
	if err != nil {
		d.t.Fatalf("mount %s: %v", folder, err)
	}
	d.t.Cleanup(func() {
		if err := syscall.Unmount(name, syscall.MNT_DETACH); err != nil {
			d.t.Errorf("unmount: %v", err)
		}
	})
}

// remount makes it read-only, or not any more.
func (d *smallDisk) remount(folder string, readOnly bool) {
	d.t.Helper()
	flags := uintptr(syscall.MS_BIND | syscall.MS_REMOUNT)
	if readOnly {
		flags |= syscall.MS_RDONLY
	}
	var err error
	if !d.waitFor(func() bool { // a file may just be open
		err = syscall.Mount("", filepath.Join(d.dir, folder), "", flags, "")
		return err == nil
	}) {
		d.t.Fatalf("remount %s: %v", folder, err)
	}
}
