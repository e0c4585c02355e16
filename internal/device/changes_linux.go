package device

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

const (
	// kernelGroup is the group of listeners that the kernel itself speaks to; programs speak among themselves in others.
	kernelGroup = 1
	// eventBytes is more than the kernel puts into one event (its UEVENT_BUFFER_SIZE is 2048, and the path comes before that).
	eventBytes = 16 << 10
)

// Changes tells whenever the kernel says that something about block devices changed: a disk came or went, or its medium did.
// What happens while nobody receives becomes one change. The channel is closed when the context ends; where it is closed
// before, the kernel tells no more. An error says that it tells nothing at all, as without the right to listen. A kernel may
// also stay silent, as in a container with a network of its own: whoever waits for a change looks now and then all the same.
func Changes(ctx context.Context) (<-chan struct{}, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, unix.NETLINK_KOBJECT_UEVENT)
	if err != nil {
		return nil, fmt.Errorf("listen to the kernel's events: %w", err)
	}
	socket := os.NewFile(uintptr(fd), "kernel events")
	err = unix.Bind(fd, &unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: kernelGroup})
	conn, errConn := socket.SyscallConn()
	if err = errors.Join(err, errConn); err != nil {
		return nil, fmt.Errorf("listen to the kernel's events: %w", errors.Join(err, socket.Close()))
	}
	changes := make(chan struct{}, 1)
	stop := context.AfterFunc(ctx, func() { _ = socket.Close() }) // ends the read that is under way
	// It ends with the context, or where the socket fails; closing the channel is the last thing it does.
	go func() {
		defer close(changes)
		defer stop()
		defer socket.Close()
		message := make([]byte, eventBytes)
		for {
			changed, err := receive(conn, message)
			if err != nil {
				return
			}
			if !changed {
				continue
			}
			select {
			case changes <- struct{}{}:
			default: // one that nobody has received yet stands for both
			}
		}
	}()
	return changes, nil
}

// receive waits for a message, and tells whether it is a change.
func receive(conn syscall.RawConn, message []byte) (changed bool, err error) {
	var n int
	var from unix.Sockaddr
	closed := conn.Read(func(fd uintptr) bool {
		n, from, err = unix.Recvfrom(int(fd), message, 0)
		return !errors.Is(err, unix.EAGAIN)
	})
	if closed != nil {
		return false, closed
	}
	return received(from, message[:max(n, 0)], err)
}

// received tells what a call that received came to: a change or not, or the socket's end.
func received(from unix.Sockaddr, message []byte, err error) (changed bool, end error) {
	switch {
	case err == nil:
		return isChange(from, message), nil
	case errors.Is(err, unix.EINTR):
		return false, nil
	case errors.Is(err, unix.ENOBUFS):
		return true, nil // events were lost, any of which may have been one
	}
	return false, err
}

// isChange tells whether a message is the kernel's and about a block device. It is a heading, ACTION@PATH, and fields, each
// ended by a zero byte (lib/kobject_uevent.c of the kernel). Any program that has the right may send to the kernel's group.
func isChange(from unix.Sockaddr, message []byte) bool {
	sender, ok := from.(*unix.SockaddrNetlink)
	if !ok || sender.Pid != 0 {
		return false
	}
	fields := bytes.Split(message, []byte{0})
	for _, field := range fields[1:] {
		if string(field) == "SUBSYSTEM=block" {
			return true
		}
	}
	return false
}
