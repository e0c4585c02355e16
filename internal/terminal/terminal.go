package terminal

import (
	"errors"
	"io"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// A Terminal is what the operator is asked on. The deadline lets another goroutine end a read that waits.
type Terminal interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
}

// Open opens the terminal that this program was started from. Its error is that of the system where there is none. Whoever calls it
// closes what it gives.
func Open() (Terminal, error) {
	tty, err := os.OpenFile("/dev/tty", os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	return tty, nil
}

// Is tells whether something that is written to shows on a terminal.
func Is(out io.Writer) bool {
	file, ok := out.(*os.File)
	if !ok {
		return false
	}
	_, err := unix.IoctlGetTermios(int(file.Fd()), unix.TCGETS)
	return err == nil
}

// inBackground tells whether a terminal is this program's own, but another program's turn.
func inBackground(tty *os.File) bool {
	var group int
	err := onDescriptor(tty, func(fd int) (err error) {
		group, err = unix.IoctlGetInt(fd, unix.TIOCGPGRP)
		return err
	})
	return err == nil && group != unix.Getpgrp()
}

// onDescriptor calls with a file's descriptor and leaves the file's deadlines working, which File.Fd does not.
func onDescriptor(file *os.File, call func(fd int) error) error {
	connection, err := file.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	err = connection.Control(func(fd uintptr) { inner = call(int(fd)) })
	return errors.Join(err, inner)
}
