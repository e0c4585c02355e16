package tally

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// An errand is the operator's own command that is run for each event of a batch, one at a time and in order. Nothing of an event
// comes onto its command line: the document is on its standard input.
type errand struct {
	*queue
	command  string
	limit    time.Duration // for one command, and for all that wait at the end
	complain func(string)
	told     map[string]bool
	cut      context.CancelFunc
	stopped  chan struct{}
}

const (
	errandRoom  = 64 // how many events wait while a command runs
	errandLimit = 10 * time.Second
	// errandRest is how long output is read on after the command itself has ended: what it left running may hold the pipe.
	errandRest = time.Second
	errandSaid = 200 // how many bytes of a failing command's output are kept to tell why
)

// newErrand waits for events. close ends it. Complaints are told from its own goroutine, each cause once.
func newErrand(command string, limit time.Duration, complain func(string)) *errand {
	ctx, cut := context.WithCancel(context.Background())
	e := &errand{
		queue: newQueue(errandRoom), command: command, limit: limit, complain: complain,
		told: map[string]bool{}, cut: cut, stopped: make(chan struct{}),
	}
	go e.work(ctx) // ends with close, which waits for it
	return e
}

// close takes the last document and waits for what is queued, but not for long: what is under way then
// is killed, and the rest is lost. It gives how many events the command was not run for. No last document is nil.
func (e *errand) close(last []byte) (lost int64) {
	e.end(last)
	limit := time.AfterFunc(e.limit, e.cut)
	<-e.stopped
	limit.Stop()
	e.cut()
	return e.lost.Load()
}

func (e *errand) work(ctx context.Context) {
	defer close(e.stopped)
	for document := range e.waiting {
		if ctx.Err() != nil {
			e.lost.Add(1)
			continue
		}
		if e.lost.Load() > 0 {
			e.once("it is too slow: more than " + fmt.Sprint(errandRoom) + " events waited for it, and some are lost")
		}
		if cause := e.run(ctx, document); cause != "" {
			e.once(cause)
		}
	}
}

// once tells a cause of failure the first time that it comes.
func (e *errand) once(cause string) {
	kind, _, _ := strings.Cut(cause, "\n") // what the command said of it may differ each time
	if !e.told[kind] {
		e.told[kind] = true
		e.complain("the command of --on-event: " + strings.ReplaceAll(cause, "\n", ": "))
	}
}

// run runs the command for one event. It gives why that failed, in a second line what the command said; nothing where it did not.
func (e *errand) run(ctx context.Context, document []byte) (cause string) {
	limited, cancel := context.WithTimeout(ctx, e.limit)
	defer cancel()
	said := &firstLine{}
	command := exec.CommandContext(limited, "/bin/sh", "-c", e.command) // as is common practice
	command.Stdin, command.Stdout, command.Stderr = bytes.NewReader(document), said, said
	// A group of its own keeps the terminal's interrupt from it, and lets what it started be killed with it.
	command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	command.Cancel = func() error { return syscall.Kill(-command.Process.Pid, syscall.SIGKILL) }
	command.WaitDelay = errandRest
	err := command.Run()
	exit, ended := errors.AsType[*exec.ExitError](err)
	switch {
	case err == nil || errors.Is(err, exec.ErrWaitDelay) && limited.Err() == nil:
		return ""
	case limited.Err() != nil:
		cause = fmt.Sprintf("it was cut off after %v", e.limit)
		if ctx.Err() != nil {
			cause = "it was cut off when the batch was over"
		}
	case ended:
		cause = "it failed, " + exit.Error()
	default:
		cause = "it could not be run, " + err.Error()
	}
	return strings.TrimSuffix(cause+"\n"+said.String(), "\n")
}

// A firstLine keeps the beginning of the first line that is written to it, and lets the rest pass.
type firstLine struct {
	text  []byte
	ended bool
}

func (f *firstLine) Write(b []byte) (int, error) {
	line, _, ended := bytes.Cut(b, []byte("\n"))
	if !f.ended {
		f.text = append(f.text, line[:min(len(line), errandSaid-len(f.text))]...)
	}
	f.ended = f.ended || ended
	return len(b), nil
}

func (f *firstLine) String() string { return string(f.text) }
