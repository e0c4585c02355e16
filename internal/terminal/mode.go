package terminal

import (
	"os"
	"os/signal"
	"syscall"

	"github.com/cheggaaa/pb/v3/termutil"
	"golang.org/x/sys/unix"
)

// letterByLetter has the terminal give each letter as it is typed, without an echo; Ctrl-C still interrupts. It gives what puts
// the terminal back.
func letterByLetter(tty *os.File) (restore func()) {
	LeaveSignals()
	quit, err := termutil.RawModeOn() // keeps how the terminal was, and turns its echo off
	if err != nil {
		return func() {}
	}
	_ = onDescriptor(tty, func(fd int) error {
		state, err := unix.IoctlGetTermios(fd, unix.TCGETS)
		if err != nil {
			return err
		}
		state.Lflag &^= unix.ICANON
		state.Cc[unix.VMIN], state.Cc[unix.VTIME] = 1, 0
		return unix.IoctlSetTermios(fd, unix.TCSETS, state)
	}) // where that fails, lines come whole and unseen
	return func() {
		_ = termutil.RawModeOff()
		close(quit)
	}
}

// KeepRunning has the program be refused the terminal, instead of being stopped, when it reads or sets it after it was sent to the
// terminal's background. restore puts that back.
func KeepRunning() (restore func()) {
	signal.Ignore(syscall.SIGTTIN, syscall.SIGTTOU)
	return func() { signal.Reset(syscall.SIGTTIN, syscall.SIGTTOU) }
}

// LeaveSignals has whatever turns the terminal's echo off leave signals to the program's main function, which ends the work first and
// calls Restore where it exits at once. It is called before the echo is turned off.
func LeaveSignals() { termutil.AutoTerminate(false) }

// Restore puts the terminal back as it was before its echo was turned off, by Typing or by bars that are drawn; it does nothing where
// it was not. It is for a program that exits at once, and may be called from any goroutine. An error would say that this failed,
// which nobody could be told on it.
func Restore() { _ = termutil.RawModeOff() }
