package device

// This file is inside the package: no test can make the kernel lose events at a wish, and on a machine where disks come and go
// it cannot be seen that a message was passed over.

import (
	"testing"

	"golang.org/x/sys/unix"
)

// The messages are built as lib/kobject_uevent.c of the kernel builds them; a datagram of another family has another sender.
func TestOnlyTheKernelTellsOfDisks(t *testing.T) {
	const disk = "change@/devices/virtual/block/loop7\x00ACTION=change\x00DEVPATH=/devices/virtual/block/loop7\x00SUBSYSTEM=block\x00SEQNUM=7\x00"
	kernel := &unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: kernelGroup}
	for name, c := range map[string]struct {
		from    unix.Sockaddr
		message string
		want    bool
	}{
		"a disk":                   {kernel, disk, true},
		"the end is cut":           {kernel, "add@/devices/x\x00SUBSYSTEM=block", true},
		"a program":                {&unix.SockaddrNetlink{Family: unix.AF_NETLINK, Pid: 4711, Groups: kernelGroup}, disk, false},
		"somebody else":            {&unix.SockaddrUnix{}, disk, false},
		"nobody":                   {nil, disk, false},
		"a network card":           {kernel, "add@/devices/x\x00ACTION=add\x00SUBSYSTEM=net\x00", false},
		"a longer word":            {kernel, "add@/devices/x\x00SUBSYSTEM=blocked\x00OLD_SUBSYSTEM=block\x00", false},
		"the heading says it":      {kernel, "SUBSYSTEM=block\x00SUBSYSTEM=net\x00", false},
		"nothing":                  {kernel, "", false},
		"bytes of another program": {kernel, "libudev\x00\xfe\xed\xca\xfe", false},
	} {
		if got := isChange(c.from, []byte(c.message)); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// netlink(7) says that a socket whose buffer overflows has lost messages and tells so by ENOBUFS, once; it goes on after that.
func TestLostEventsAreAChange(t *testing.T) {
	for errno, want := range map[unix.Errno]struct{ changed, ends bool }{
		unix.ENOBUFS: {changed: true},
		unix.EINTR:   {},
		unix.EBADF:   {ends: true},
	} {
		changed, end := received(nil, nil, errno)
		if changed != want.changed || (end != nil) != want.ends {
			t.Errorf("%v: a change: %v, the end: %v", errno, changed, end)
		}
	}
}
