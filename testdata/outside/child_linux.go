package outside

import "syscall"

// child has a process run as a user, nil for us, and end when the test does,
// however that ends.
func child(a *account) *syscall.SysProcAttr {
	attr := &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if a != nil {
		attr.Credential = &syscall.Credential{Uid: a.uid, Gid: a.gid}
	}
	return attr
}
