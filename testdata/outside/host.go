package outside

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"sync/atomic"
	"testing"
)

// A Host is another host at the end of a cable: a network namespace with one
// address, joined to this one by a pair of virtual interfaces. What is sent over
// a cable that is unplugged is lost, and neither end is told: unlike a [Wire],
// which closes its connections.
type Host struct {
	Addr string // its address

	t    testing.TB
	name string
}

var hosts atomic.Int32

// StartHost makes a host; it ends with the test. Where namespaces cannot be made,
// for want of root or of the right, the test is skipped.
func StartHost(t testing.TB) *Host {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("not run: it makes a network namespace, and needs root for that")
	}
	Need(t, "ip")
	n := int(hosts.Add(1))
	h := &Host{t: t, name: fmt.Sprintf("dewclaw-%d-%d", os.Getpid(), n)}
	if out, err := h.ip("netns", "add", h.name); err != nil {
		if bytes.Contains(out, []byte("not permitted")) {
			t.Skip("not run: it makes a network namespace, and root may not do that here")
		}
		t.Fatalf("ip netns add: %v: %s", err, out)
	}
	t.Cleanup(func() {
		if out, err := h.ip("netns", "delete", h.name); err != nil {
			t.Errorf("ip netns delete: %v: %s", err, out)
		}
	})
	// Addresses that are kept for tests of networks (RFC 2544), four to a cable;
	// names of interfaces have at most 15 characters.
	near := fmt.Sprintf("198.18.%d.%d", os.Getpid()%256, n*4%256+1)
	h.Addr = fmt.Sprintf("198.18.%d.%d", os.Getpid()%256, n*4%256+2)
	link := fmt.Sprintf("dc%d-%d", os.Getpid()%1000000, n%100)
	for _, args := range [][]string{
		{"link", "add", link, "type", "veth", "peer", "name", "cable", "netns", h.name},
		{"address", "add", near + "/30", "dev", link},
		{"link", "set", link, "up"},
		{"-n", h.name, "address", "add", h.Addr + "/30", "dev", "cable"},
		{"-n", h.name, "link", "set", "lo", "up"},
		{"-n", h.name, "link", "set", "cable", "up"},
	} {
		if out, err := h.ip(args...); err != nil {
			t.Fatalf("ip %v: %v: %s", args, err, out)
		}
	}
	return h
}

func (h *Host) ip(args ...string) ([]byte, error) {
	return exec.Command(find("ip"), args...).CombinedOutput()
}

// Command is a program that runs on the host.
func (h *Host) Command(program string, args ...string) *exec.Cmd {
	return exec.Command(find("ip"), append([]string{"netns", "exec", h.name, program}, args...)...)
}

// Set unplugs the cable at the far end, or plugs it in.
func (h *Host) Set(unplugged bool) {
	h.t.Helper()
	to := "up"
	if unplugged {
		to = "down"
	}
	if out, err := h.ip("-n", h.name, "link", "set", "cable", to); err != nil {
		h.t.Fatalf("ip link set cable %s: %v: %s", to, err, out)
	}
}
