package main

// What the program promises is tested by scripts, which run it as a process; what no script can bring about, or would be slow to, by
// calls. All tests lie inside the package, since a command cannot be imported.

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"cardwright": mainWithoutTerminal, "heldbatch": heldBatch, "behind": behind})
}

// behind is a program for scripts: it runs a command in a process group of its own, with standard error on the terminal that is this
// group's, and ends as that does. A command that reads or sets the terminal from there is stopped (POSIX.1-2024, 11.1.4).
func behind() {
	tty, err := os.OpenFile("/dev/tty", os.O_RDWR, 0)
	if err == nil {
		ctx, cancel := context.WithTimeout(context.Background(), time.Minute) // what is stopped never ends
		defer cancel()
		command := exec.CommandContext(ctx, os.Args[1], os.Args[2:]...)
		command.Stdout, command.Stderr = os.Stdout, tty
		command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
		err = command.Run()
	}
	if err != nil {
		fmt.Println(err)
		os.Exit(int(programFailed))
	}
}

// mainWithoutTerminal leaves the terminal that the tests were started from, so that a script only has one where it says so.
func mainWithoutTerminal() {
	_, _ = syscall.Setsid() // fails where the script gave a terminal, which then is the one
	main()
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Cmds:                scriptCommands(),
		Setup: func(env *testscript.Env) error {
			env.Setenv("CARDWRIGHT_LOGBOOK", env.WorkDir+"/logbook.db")
			env.Setenv("HOME", env.WorkDir)
			return nil
		},
	})
}
