// Package outside starts the real servers that tests talk to, each a program of
// the system on a port of its own, with its files in a folder of the test.
package outside

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
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

	args []string
	cmd  *exec.Cmd
	log  *os.File
	done chan struct{}
}

// Address is where it listens.
func (s *Server) Address() string { return fmt.Sprint("127.0.0.1:", s.Port) }

// newServer makes a server that is not started; format has what its arguments are.
func newServer(dir string) (*Server, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	defer func() { _ = l.Close() }()
	return &Server{Dir: dir, Port: l.Addr().(*net.TCPAddr).Port}, nil
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
	s.cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := s.cmd.Start(); err != nil {
		return err
	}
	done := make(chan struct{})
	s.done = done
	go func() { _ = s.cmd.Wait(); close(done) }()
	for end := time.Now().Add(Patience); ; time.Sleep(10 * time.Millisecond) {
		c, err := net.Dial("tcp", s.Address())
		if err == nil {
			return c.Close()
		}
		select {
		case <-done:
			return fmt.Errorf("%s ended: %s", s.args[0], s.Log())
		default:
		}
		if time.Now().After(end) {
			return fmt.Errorf("%s does not listen: %s", s.args[0], s.Log())
		}
	}
}

// Log returns what the server had to say.
func (s *Server) Log() string {
	b, _ := os.ReadFile(filepath.Join(s.Dir, "server.log")) // for people
	return strings.TrimSpace(string(b))
}

// Stop asks the server to stop and waits for it.
func (s *Server) Stop() error { return s.end(syscall.SIGTERM) }

// Kill ends the server at once.
func (s *Server) Kill() error { return s.end(syscall.SIGKILL) }

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
