package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"cardwright/internal/device"
	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

// programVersion is what --version prints and every record keeps.
const programVersion = "0.1.0"

// A program is what all commands share: where they read and print, and the flags that every command takes.
type program struct {
	stdin         io.Reader
	stdout        io.Writer
	stderr        io.Writer
	env           func(string) string
	effectiveUser int
	terminal      func() (terminal.Terminal, error) // opens the operator's terminal
	lineEvery     time.Duration                     // how often progress is told where it is told in lines
	roots         device.Roots                      // where identify finds the kernel's trees; the zero value is this machine's

	logbookPath string // --logbook; empty: the environment or the default decides
	json        bool   // --json
	unparsed    bool   // the flags make no sense, so that json may not be set yet
	documented  bool   // the JSON document was printed
}

// run carries out one command line and gives the exit code. Results go to stdout, all else to stderr.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	p := &program{
		stdin: stdin, stdout: stdout, stderr: stderr, env: os.Getenv, effectiveUser: os.Geteuid(),
		terminal: openTerminal, lineEvery: 5 * time.Second,
	}
	startedAt := time.Now()
	root := p.root()
	root.SetArgs(args)
	err := root.ExecuteContext(ctx)
	code := codeOfError(err)
	if err != nil {
		p.tell(err, code)
		err = p.documentFailure(startedAt, err, code, args)
	}
	if err != nil {
		code = programFailed // not even that could be printed
		p.complain("%v", err)
	}
	return int(code)
}

// tell prints an error that nobody told yet, and what to do about it.
func (p *program) tell(err error, code exitCode) {
	if _, told := errors.AsType[ending](err); told {
		return
	}
	if code == interrupted {
		p.complain("interrupted")
		return
	}
	p.complain("%v", err)
	p.hint(err, code)
}

// complain prints a line of the program's own on standard error. Names in it may hold anything.
func (p *program) complain(format string, args ...any) {
	fmt.Fprintln(p.stderr, "cardwright: "+report.Printable(fmt.Sprintf(format, args...)))
}

func (p *program) hint(err error, code exitCode) {
	if hint := hintFor(err, code); hint != "" {
		fmt.Fprintln(p.stderr, hint)
	}
}

// root is the tree of all commands.
func (p *program) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "cardwright",
		Short: "Write images to memory cards, prove them, measure them, remember them",
		Long: "cardwright writes an operating-system image to memory cards, reads every byte\n" +
			"back from them, tells which card is damaged or slow and, as far as the image\n" +
			"reaches, which is smaller than it says, and keeps a logbook of cards and runs.\n\n" +
			"\"cardwright demo\" shows it at work on emulated cards, without a card or root.",
		Version:       programVersion,
		SilenceUsage:  true,
		SilenceErrors: true,

		Args: func(cmd *cobra.Command, args []string) error { return unknownCommand(cmd, args) },
		RunE: func(cmd *cobra.Command, _ []string) error { return needsCommand(cmd) },
	}
	root.SetIn(p.stdin)
	root.SetOut(p.stdout)
	root.SetErr(p.stderr)
	root.SetUsageTemplate(usageTemplate)
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetVersionTemplate("cardwright {{.Version}}\n")
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error {
		p.unparsed = true
		return usageError{inPlainWords(err)}
	})
	root.PersistentFlags().BoolVar(&p.json, "json", false, "print the result as JSON on standard output")
	root.PersistentFlags().StringVar(&p.logbookPath, "logbook", "",
		"the logbook's `path` (else CARDWRIGHT_LOGBOOK, else root's or the user's own)")
	root.SetHelpCommand(helpCommand(root))
	root.AddCommand(p.flashCommand(), p.batchCommand(), p.checkCommand(), p.inspectCommand(), p.cardsCommand(),
		p.identifyCommand(), p.capacityCommand(), p.prepareCommand(), p.logbookCommand(), p.demoCommand())
	eachCommand(root, func(cmd *cobra.Command) {
		cmd.DisableFlagsInUseLine = true
		cmd.SuggestionsMinimumDistance = 2
	})
	return root
}

// inPlainWords says what a flag takes that was given something else.
func inPlainWords(err error) error {
	invalid, ok := errors.AsType[*pflag.InvalidValueError](err)
	if !ok {
		return err
	}
	takes := map[string]string{"int": "no whole number", "duration": "no time: give a number and its unit, such as 90s"}
	if words, known := takes[invalid.GetFlag().Value.Type()]; known {
		return fmt.Errorf("--%s: %q is %s", invalid.GetFlag().Name, invalid.GetValue(), words)
	}
	return err
}

// unknownCommand refuses words that are no command, and names those that are near.
func unknownCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		return usagef("%q is no command of %s; %q is one", args[0], cmd.CommandPath(), near[0])
	}
	return usagef("%q is no command of %s", args[0], cmd.CommandPath())
}

// needsCommand is what a group of commands does when none is named.
func needsCommand(cmd *cobra.Command) error {
	cmd.SetOut(cmd.ErrOrStderr())
	return errors.Join(cmd.Help(), usagef("%s needs a command", cmd.CommandPath()))
}

// exactly makes a number of arguments wrong usage, in words that name what is missing.
func exactly(names ...string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < len(names) {
			return usagef("%s: %s is missing", nameOf(cmd), names[len(args)])
		}
		if len(args) > len(names) {
			return usagef("%s: %q is one argument too many", nameOf(cmd), args[len(names)])
		}
		return nil
	}
}

// nameOf is a command's name without the program's, which stands before every complaint.
func nameOf(cmd *cobra.Command) string {
	return strings.TrimPrefix(cmd.CommandPath(), cmd.Root().Name()+" ")
}
