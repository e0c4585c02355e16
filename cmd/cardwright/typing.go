package main

import (
	"bufio"
	"errors"
	"io"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"
	"unicode"

	"github.com/cheggaaa/pb/v3/termutil"
	"golang.org/x/sys/unix"
)

// A typing reads what the operator types while a batch runs. Where the bays are drawn, the terminal echoes nothing, and what was
// typed so far is drawn below them. Without a terminal it reads nothing.
type typing struct {
	tty     terminal // nil for none
	entered func(line string)
	changed chan struct{} // holds one when there is more or less typed
	restore func()        // puts the terminal back as it was

	mu   sync.Mutex // guards line
	line []rune
}

// typedMost is how many letters of a line are kept: more than a bay's name has.
const typedMost = 64

// startTyping opens the operator's terminal, unless the program runs in its background: reading there would stop it in the
// middle of a card.
func (t *tally) startTyping(entered func(line string)) *typing {
	k := &typing{entered: entered, changed: make(chan struct{}, 1), restore: func() {}}
	tty, err := t.terminal()
	if err != nil {
		return k
	}
	file, isFile := tty.(*os.File)
	if isFile && inBackground(file) {
		_ = tty.Close()
		return k
	}
	k.tty = tty
	if isFile {
		// Sent to the background later, the program is refused the terminal instead of being stopped.
		signal.Ignore(syscall.SIGTTIN, syscall.SIGTTOU)
		k.restore = func() { signal.Reset(syscall.SIGTTIN, syscall.SIGTTOU) }
	}
	if isFile && t.size != nil {
		echoing := letterByLetter(file)
		k.restore = func() {
			echoing()
			signal.Reset(syscall.SIGTTIN, syscall.SIGTTOU)
		}
	}
	return k
}

// letterByLetter has the terminal give each letter as it is typed, without an echo; Ctrl-C still interrupts. It gives what puts
// the terminal back.
func letterByLetter(tty *os.File) (restore func()) {
	termutil.AutoTerminate(false)     // signals are main's, which puts the terminal back as well where it exits at once
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

// read takes letters in until it is stopped.
func (k *typing) read(stop <-chan struct{}) {
	if k.tty == nil {
		return
	}
	input := bufio.NewReader(k.tty)
	escaped := false
	for {
		letter, _, err := input.ReadRune()
		switch {
		case err != nil && k.pausedBy(stop):
			return
		case err != nil:
			input.Reset(k.tty)
		case escaped: // the rest of what an arrow key sends
			escaped = !unicode.IsLetter(letter) && letter != '~'
		case letter == '\x1b':
			escaped = true
		default:
			k.take(letter)
		}
	}
}

// pausedBy waits a while before the terminal is asked again, which was refused in the background; it tells whether that was the end.
func (k *typing) pausedBy(stop <-chan struct{}) bool {
	again := time.NewTimer(time.Second)
	defer again.Stop()
	select {
	case <-stop:
		return true
	case <-again.C:
		return false
	}
}

// take adds a letter, or does what it stands for.
func (k *typing) take(letter rune) {
	k.mu.Lock()
	line, ended := "", false
	switch {
	case letter == '\n' || letter == '\r':
		line, ended, k.line = string(k.line), true, nil
	case letter == '\b' || letter == '\x7f':
		k.line = k.line[:max(len(k.line)-1, 0)]
	case letter == '\x15': // Ctrl-U
		k.line = nil
	case unicode.IsPrint(letter) && len(k.line) < typedMost:
		k.line = append(k.line, letter)
	}
	k.mu.Unlock()
	select {
	case k.changed <- struct{}{}:
	default:
	}
	if ended {
		k.entered(line)
	}
}

// typed is what was typed of a line so far.
func (k *typing) typed() string {
	k.mu.Lock()
	defer k.mu.Unlock()
	return string(k.line)
}

// interrupt ends a read that waits.
func (k *typing) interrupt() {
	if k.tty != nil {
		_ = k.tty.SetReadDeadline(time.Now())
	}
}

// end puts the terminal back as it was and closes it. An error would say that this failed, which nobody could be told on it.
func (k *typing) end() {
	if k.tty == nil {
		return
	}
	k.restore()
	_ = k.tty.Close()
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

// sizeOfTerminal gives what asks a terminal for its size; nil where there is none to draw on.
func sizeOfTerminal(out io.Writer) func() (columns, lines int) {
	file, ok := out.(*os.File)
	if !ok || !isTerminal(out) || inBackground(file) {
		return nil
	}
	return func() (columns, lines int) {
		columns, lines = screenColumns, 24
		_ = onDescriptor(file, func(fd int) error {
			size, err := unix.IoctlGetWinsize(fd, unix.TIOCGWINSZ)
			if err == nil && size.Col > 0 && size.Row > 0 {
				columns, lines = int(size.Col), int(size.Row)
			}
			return err
		}) // where it does not tell, the usual size is taken
		return columns, lines
	}
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
