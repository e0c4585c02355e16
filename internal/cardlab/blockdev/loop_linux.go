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
	// firstReader is the lowest number of a reader's loop device: high enough that the kernel hands it to others only when
	// all that it made by itself are taken.
	firstReader = 2048
	readersMost = 2048
	anyNumber   = -1
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

// attachLoop puts a free loop device over a file. It leaves those alone that readers wait on for their next card.
func attachLoop(ctx context.Context, backing string, sectorBytes int) (loopDevice, error) {
	for range loopTries {
		if err := ctx.Err(); err != nil {
			return loopDevice{}, err
		}
		number, err := control(unix.LOOP_CTL_GET_FREE, 0)
		if err != nil {
			return loopDevice{}, fmt.Errorf("find a free loop device: %w", err)
		}
		if number >= firstReader {
			if _, err := control(unix.LOOP_CTL_ADD, anyNumber); err != nil {
				return loopDevice{}, fmt.Errorf("add a loop device: %w", err)
			}
			continue
		}
		loop := loopDevice{name: "loop" + strconv.Itoa(number)}
		err = loop.attach(backing, sectorBytes)
		if errors.Is(err, unix.EBUSY) {
			continue // somebody else took it since
		}
		return loop, err
	}
	return loopDevice{}, fmt.Errorf("every free loop device was taken by others: %w", unix.EBUSY)
}

// control asks the loop driver for something that concerns devices by their numbers, and gives the number that it answers.
func control(request uint, number int) (int, error) {
	file, err := os.OpenFile(loopControl, os.O_RDWR, 0)
	if err != nil {
		return 0, err
	}
	defer file.Close()
	if request == unix.LOOP_CTL_GET_FREE {
		return unix.IoctlRetInt(int(file.Fd()), request)
	}
	return number, unix.IoctlSetInt(int(file.Fd()), request, number)
}

// attach puts the device over a file, or leaves it as it was. Its error wraps EBUSY where the device is taken.
func (l *loopDevice) attach(backing string, sectorBytes int) error {
	// Not through package os: its poller would ask the file's own server, and wait for it.
	file, err := unix.Open(backing, unix.O_RDWR|unix.O_DIRECT|unix.O_CLOEXEC, 0)
	if err != nil {
		return fmt.Errorf("open %s: %w", backing, err)
	}
	defer unix.Close(file)
	config := unix.LoopConfig{Fd: uint32(file), Size: uint32(sectorBytes)}
	config.Info.Flags = unix.LO_FLAGS_DIRECT_IO | unix.LO_FLAGS_PARTSCAN
	copy(config.Info.File_name[:len(config.Info.File_name)-1], backing)
	l.backing = backing
	return l.configure(&config)
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
	if err := l.release(); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), detachPatience)
	defer cancel()
	if err := l.await(ctx, func() bool { return !l.attached() }); err != nil {
		return err
	}
	return os.WriteFile(l.longestRequest(), l.longestWere, 0)
}

// release asks the kernel to let the file go: at once, or when the last who holds the device open closes it.
func (l loopDevice) release() error {
	device, err := os.OpenFile(l.path(), os.O_RDWR, 0)
	if err != nil {
		return err
	}
	err = unix.IoctlSetInt(int(device.Fd()), unix.LOOP_CLR_FD, 0)
	if err = errors.Join(err, device.Close()); err != nil && !errors.Is(err, unix.ENXIO) {
		return fmt.Errorf("detach %s: %w", l.path(), err)
	}
	return nil
}

// await waits until the device is as wished. When the context ends first, its error wraps that and EBUSY.
func (l loopDevice) await(ctx context.Context, reached func() bool) error {
	tick := time.NewTicker(detachPoll)
	defer tick.Stop()
	for !reached() {
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s is held open by others: %w: %w", l.path(), unix.EBUSY, ctx.Err())
		case <-tick.C:
		}
	}
	return nil
}

// attached tells whether the device still lies over our file; the number may be in use by others since.
func (l loopDevice) attached() bool {
	backing, err := os.ReadFile("/sys/block/" + l.name + "/loop/backing_file")
	return err == nil && strings.HasPrefix(string(backing), l.backing)
}

// free tells whether the device lies over no file at all.
func (l loopDevice) free() bool {
	_, err := os.Stat("/sys/block/" + l.name + "/loop")
	return errors.Is(err, fs.ErrNotExist)
}
