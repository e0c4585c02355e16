package main

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"cardwright/flash"
	"cardwright/internal/batch"
	"cardwright/internal/logbook"
	"cardwright/internal/tally"
)

// heldBatch is a program for scripts: the face of a batch in which one card is held until the operator types its bay's name. With
// the argument "drawn" the bays are drawn on the terminal; with "background" the program runs in the terminal's background, and does
// not wait. At the end it says on standard output whether the terminal echoes.
func heldBatch() {
	asked := strings.Join(os.Args[1:], "")
	if asked == "background" {
		inBackgroundGroup()
	}
	_, _ = syscall.Setsid() // fails where the script gave a terminal, which then is the one
	p := &program{stdin: os.Stdin, stdout: os.Stdout, stderr: os.Stderr, terminal: openTerminal, lineEvery: 5 * time.Second}
	tty, err := os.OpenFile("/dev/tty", os.O_RDWR, 0)
	if err != nil {
		fmt.Println(err)
		os.Exit(int(programFailed))
	}
	if asked != "" {
		p.stderr = tty
	}
	released, phase := make(chan struct{}), atomic.Value{}
	phase.Store(batch.PhaseHeld)
	looked := make(chan struct{})
	looks := func() []batch.Look {
		select {
		case looked <- struct{}{}:
		default:
		}
		return []batch.Look{{Bay: "left", Phase: phase.Load().(batch.Phase), Label: "node-01", Number: 1, Reasons: []string{"it holds files"}}}
	}
	release := func(string) error {
		for range 2 { // the painter's second look from now on comes after it has shown the bay as held
			<-looked
		}
		phase.Store(batch.PhaseFinished)
		close(released)
		return nil
	}
	t := p.newTally(tally.Options{})
	t.During(looks, release, func() {
		t.Tell(batch.Event{Kind: batch.KindHeld, Bay: "left", Reasons: []string{"it holds files"}})
		if asked != "unasked" {
			<-released
		}
		t.Tell(batch.Event{Kind: batch.KindFinished, Bay: "left", Label: "node-01", Number: 1, Run: intactRun()})
	})
	state, err := unix.IoctlGetTermios(int(tty.Fd()), unix.TCGETS)
	if err != nil {
		fmt.Println(err)
		os.Exit(int(programFailed))
	}
	fmt.Println("echoes:", state.Lflag&unix.ECHO != 0, "in lines:", state.Lflag&unix.ICANON != 0)
	os.Exit(int(codeOfError(p.finishTally(t, done))))
}

// intactRun is the run of a card that came out as its peers did.
func intactRun() *logbook.Run {
	took := 19.6
	return &logbook.Run{
		Device: "/dev/sdb", Label: "node-01", CardID: 7, RunID: 41, Operation: logbook.OperationFlash, Verdict: logbook.Intact,
		Pace: flash.PaceAsPeers, TimeToFlashSeconds: &took,
		Write: &flash.Figures{Bytes: 415_236_096, BusySeconds: 19, SustainedBytesPerSecond: 21.9e6, Direct: true},
	}
}

// inBackgroundGroup runs the program again in a process group of its own, while the terminal is this one's, and ends as it does. A
// program that reads or sets the terminal from there is stopped, and never ends (POSIX.1-2024, 11.1.4).
func inBackgroundGroup() {
	again := exec.Command(os.Args[0], "unasked")
	again.Stdout, again.Stderr = os.Stdout, os.Stderr
	again.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := again.Run(); err != nil {
		fmt.Println(err)
		os.Exit(int(programFailed))
	}
	os.Exit(int(done))
}
