package main

// What the program promises is tested by scripts, which run it as a process; what no script can bring about, or would be slow to, by
// calls. All tests lie inside the package, since a command cannot be imported.

import (
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"cardwright": mainWithoutTerminal, "heldbatch": heldBatch})
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
