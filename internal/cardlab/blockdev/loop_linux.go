package blockdev

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

const (
	loopControl = "/dev/loop-control"
	// loopTries bounds how often another process may be quicker to take the loop device that the kernel named.
	loopTries = 100
	// detachPatience is how long a detached device may stay in use by others.
	detachPatience = 5 * time.Second
	detachPoll     = 5 * time.Millisecond
)

// errNotDirect says that the loop driver would read and write through its page cache, which would hide the card's faults.
var errNotDirect = errors.New("the loop driver does no direct I/O on this file")

// A loopDevice is a loop device over one file, by the names of both.
type loopDevice struct {
	name        string // loopN
	backing     string
	longestWere []byte // requests before ours, as the kernel told
}

// path is the device node.
func (l loopDevice) path() string { return "/dev/" + l.name }

// attachLoop puts a free loop device over a file.
func attachLoop(ctx context.Context, backing string, sectorBytes int) (loopDevice, error) {
	// Not through package os: its poller would ask the file's own server, and wait for it.
	file, err := unix.Open(backing, unix.O_RDWR|unix.O_DIRECT|unix.O_CLOEXEC, 0)
	if err != nil {
		return loopDevice{}, fmt.Errorf("open %s: %w", backing, err)
	}
	defer unix.Close(file)
	control, err := os.OpenFile(loopControl, os.O_RDWR, 0)
	if err != nil {
		return loopDevice{}, err
	}
	defer control.Close()

	config := unix.LoopConfig{Fd: uint32(file), Size: uint32(sectorBytes)}
	config.Info.Flags = unix.LO_FLAGS_DIRECT_IO | unix.LO_FLAGS_PARTSCAN
	copy(config.Info.File_name[:len(config.Info.File_name)-1], backing)
	for range loopTries {
		if err := ctx.Err(); err != nil {
			return loopDevice{}, err
		}
		number, err := unix.IoctlRetInt(int(control.Fd()), unix.LOOP_CTL_GET_FREE)
		if err != nil {
			return loopDevice{}, fmt.Errorf("find a free loop device: %w", err)
		}
		loop := loopDevice{name: "loop" + strconv.Itoa(number), backing: backing}
		err = loop.configure(&config)
		if errors.Is(err, unix.EBUSY) {
			continue // somebody else took it since
		}
		return loop, err
	}
	return loopDevice{}, fmt.Errorf("every free loop device was taken by others: %w", unix.EBUSY)
}

// configure attaches the device, or leaves it as it was.
func (l *loopDevice) configure(config *unix.LoopConfig) error {
	if err := l.makeNode(); err != nil {
		return err
	}
	device, err := os.OpenFile(l.path(), os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer device.Close()
	if err := unix.IoctlLoopConfigure(int(device.Fd()), config); err != nil {
		return fmt.Errorf("configure %s: %w", l.path(), err)
	}
	direct, err := os.ReadFile("/sys/block/" + l.name + "/loop/dio")
	if err == nil && !bytes.Equal(bytes.TrimSpace(direct), []byte("1")) {
		err = errNotDirect
	}
	if err == nil {
		err = l.shortenRequests()
	}
	if err != nil {
		return errors.Join(err, unix.IoctlSetInt(int(device.Fd()), unix.LOOP_CLR_FD, 0))
	}
	return nil
}

// shortenRequests lets no request be longer than what the file takes at once, so that each is done or fails as a whole and
// they come in their order.
func (l *loopDevice) shortenRequests() (err error) {
	if l.longestWere, err = os.ReadFile(l.longestRequest()); err != nil {
		return err
	}
	return os.WriteFile(l.longestRequest(), []byte(strconv.Itoa(requestBytes>>10)), 0)
}

// longestRequest is where the kernel tells and takes, in KiB, how long a request may be.
func (l loopDevice) longestRequest() string { return "/sys/block/" + l.name + "/queue/max_sectors_kb" }

// makeNode makes the device node where nothing else does, as in a container.
func (l loopDevice) makeNode() error {
	if _, err := os.Stat(l.path()); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	numbers, err := os.ReadFile("/sys/block/" + l.name + "/dev")
	if err != nil {
		return err
	}
	var major, minor uint32
	if _, err := fmt.Sscanf(string(numbers), "%d:%d", &major, &minor); err != nil {
		return fmt.Errorf("device number of %s: %w", l.name, err)
	}
	err = unix.Mknod(l.path(), unix.S_IFBLK|0o600, int(unix.Mkdev(major, minor)))
	if err != nil && !errors.Is(err, unix.EEXIST) {
		return fmt.Errorf("make %s: %w", l.path(), err)
	}
	return nil
}

// detach gives the device back. Where others hold it open, the kernel does so when the last of them closes it; detach
// waits a while for them, and its error wraps EBUSY when they do not.
func (l loopDevice) detach() error {
	if !l.attached() {
		return nil
	}
	device, err := os.OpenFile(l.path(), os.O_RDWR, 0)
	if err != nil {
		return err
	}
	err = unix.IoctlSetInt(int(device.Fd()), unix.LOOP_CLR_FD, 0)
	if err = errors.Join(err, device.Close()); err != nil && !errors.Is(err, unix.ENXIO) {
		return fmt.Errorf("detach %s: %w", l.path(), err)
	}
	for begin := time.Now(); l.attached(); time.Sleep(detachPoll) {
		if time.Since(begin) > detachPatience {
			return fmt.Errorf("%s is held open by others: %w", l.path(), unix.EBUSY)
		}
	}
	return os.WriteFile(l.longestRequest(), l.longestWere, 0)
}

// attached tells whether the device still lies over our file; the number may be in use by others since.
func (l loopDevice) attached() bool {
	backing, err := os.ReadFile("/sys/block/" + l.name + "/loop/backing_file")
	return err == nil && strings.HasPrefix(string(backing), l.backing)
}
