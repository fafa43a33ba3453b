// Package outside starts the real servers that tests talk to, each a program of
// the system on a port of its own, with its files in a folder of the test; and
// wires to servers that can be cut.
package outside

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// Patience is how long a server may take to answer or to stop.
const Patience = 20 * time.Second

// Have reports whether a program is here. In CI it must be: then its absence is
// an error.
func Have(program string) (bool, error) {
	if find(program) != "" {
		return true, nil
	}
	if os.Getenv("CI") != "" {
		return false, fmt.Errorf("%s is not installed, and CI needs it", program)
	}
	return false, nil
}

// Need skips a test without a program, and fails it in CI.
func Need(t testing.TB, programs ...string) {
	t.Helper()
	for _, p := range programs {
		switch ok, err := Have(p); {
		case err != nil:
			t.Fatal(err)
		case !ok:
			t.Skipf("%s is not installed", p)
		}
	}
}

// find looks where Debian puts servers too, which is not on everybody's path.
func find(program string) string {
	if p, err := exec.LookPath(program); err == nil {
		return p
	}
	more, _ := filepath.Glob("/usr/lib/postgresql/*/bin/" + program) // the pattern is right
	for _, p := range append(more, "/usr/sbin/"+program, "/usr/local/sbin/"+program) {
		if st, err := os.Stat(p); err == nil && st.Mode().IsRegular() {
			return p
		}
	}
	return ""
}

// A Server is one server process. Not for use by several goroutines at once.
type Server struct {
	Dir  string // its files
	Port int

	args  []string
	user  *account       // who it runs as; nil for us
	ready []string       // a command that is fine when it answers; nil for none
	quit  syscall.Signal // asks it to stop
	crash syscall.Signal // ends it at once

	cmd  *exec.Cmd
	log  *os.File
	done chan struct{}
}

// An account is a user of the system.
type account struct{ uid, gid uint32 }

// Address is where it listens.
func (s *Server) Address() string { return fmt.Sprint("127.0.0.1:", s.Port) }

// newServer makes a server that is not started.
func newServer(dir string) (*Server, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	defer func() { _ = l.Close() }()
	return &Server{Dir: dir, Port: l.Addr().(*net.TCPAddr).Port, quit: syscall.SIGTERM, crash: syscall.SIGKILL}, nil
}

// Start starts the process and waits until it listens.
func (s *Server) Start() error {
	log, err := os.OpenFile(filepath.Join(s.Dir, "server.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	s.log = log
	s.cmd = exec.Command(s.args[0], s.args[1:]...)
	s.cmd.Stdout, s.cmd.Stderr = log, log
	s.cmd.SysProcAttr = child(s.user)
	if err := s.cmd.Start(); err != nil {
		return err
	}
	done := make(chan struct{})
	s.done = done
	go func() { _ = s.cmd.Wait(); close(done) }()
	for end := time.Now().Add(Patience); ; time.Sleep(10 * time.Millisecond) {
		answers := s.answers()
		if answers {
			time.Sleep(20 * time.Millisecond) // another may answer, and ours find the port taken
		}
		select {
		case <-done:
			return fmt.Errorf("%s ended: %s", s.args[0], s.Log())
		default:
		}
		if answers {
			return nil
		}
		if time.Now().After(end) {
			return fmt.Errorf("%s does not listen: %s", s.args[0], s.Log())
		}
	}
}

func (s *Server) answers() bool {
	c, err := net.Dial("tcp", s.Address())
	if err != nil || c.Close() != nil {
		return false
	}
	return s.ready == nil || exec.Command(s.ready[0], s.ready[1:]...).Run() == nil
}

// Log returns what the server had to say.
func (s *Server) Log() string {
	b, _ := os.ReadFile(filepath.Join(s.Dir, "server.log")) // for people
	return strings.TrimSpace(string(b))
}

// Stop asks the server to stop and waits for it.
func (s *Server) Stop() error { return s.end(s.quit) }

// Kill ends the server at once.
func (s *Server) Kill() error { return s.end(s.crash) }

func (s *Server) end(sig syscall.Signal) error {
	if s.cmd == nil {
		return nil
	}
	defer func() { s.cmd = nil; _ = s.log.Close() }()
	if err := s.cmd.Process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	select {
	case <-s.done:
		return nil
	case <-time.After(Patience):
		_ = s.cmd.Process.Kill()
		<-s.done
		return fmt.Errorf("%s did not stop", s.args[0])
	}
}

// Mosquitto makes an MQTT broker that keeps sessions on disk, and does not start
// it. More lines of its config may be given.
func Mosquitto(dir string, config ...string) (*Server, error) {
	s, err := newServer(dir)
	if err != nil {
		return nil, err
	}
	lines := append([]string{
		fmt.Sprintf("listener %d 127.0.0.1", s.Port), "allow_anonymous true", "persistence true", "persistence_location " + dir + "/",
		"autosave_interval 1", "autosave_on_changes true", "log_type all",
	}, config...)
	if os.Getuid() == 0 {
		lines = append(lines, "user root")
	}
	name := filepath.Join(dir, "mosquitto.conf")
	s.args = []string{find("mosquitto"), "-c", name}
	return s, os.WriteFile(name, []byte(strings.Join(lines, "\n")+"\n"), 0o600)
}

// Redis makes a Redis server that writes every command to disk, and does not start it.
func Redis(dir string) (*Server, error) {
	s, err := newServer(dir)
	if err != nil {
		return nil, err
	}
	s.args = []string{
		find("redis-server"), "--bind", "127.0.0.1", "--port", fmt.Sprint(s.Port), "--dir", dir, "--appendonly", "yes", "--appendfsync", "always", "--save", "",
	}
	return s, nil
}

// Postgres makes a PostgreSQL server with the user dewclaw, who needs no password,
// and does not start it. It refuses to run as root and then runs as its own user.
func Postgres(dir string) (*Server, error) {
	s, err := newServer(dir)
	if err != nil {
		return nil, err
	}
	data := filepath.Join(dir, "data")
	if os.Getuid() == 0 {
		u, err := user.Lookup("postgres")
		if err != nil {
			return nil, err
		}
		uid, err1 := strconv.Atoi(u.Uid)
		gid, err2 := strconv.Atoi(u.Gid)
		if err := errors.Join(err1, err2, os.Mkdir(data, 0o700)); err != nil {
			return nil, err
		}
		if err := os.Chown(data, uid, gid); err != nil {
			return nil, err
		}
		if err := os.Chmod(filepath.Dir(dir), 0o755); err != nil { // the folder of the test
			return nil, err
		}
		s.user = &account{uint32(uid), uint32(gid)}
	}
	initdb := exec.Command(find("initdb"), "-D", data, "-U", "dewclaw", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
	initdb.SysProcAttr, initdb.Dir = child(s.user), dir
	if out, err := initdb.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("initdb: %w: %s", err, out)
	}
	s.args = []string{find("postgres"), "-D", data, "-h", "127.0.0.1", "-p", fmt.Sprint(s.Port), "-k", ""}
	// Its fast shutdown, as SIGTERM waits for clients; and its immediate one, as
	// SIGKILL would leave its children.
	s.quit, s.crash = syscall.SIGINT, syscall.SIGQUIT
	s.ready = []string{find("pg_isready"), "-q", "-h", "127.0.0.1", "-p", fmt.Sprint(s.Port)}
	return s, nil
}
