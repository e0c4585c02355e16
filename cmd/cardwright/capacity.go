package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/progress"
	"cardwright/internal/report"
)

// A sizing is one capacity command.
type sizing struct {
	*program
	stallFlag
	full    bool
	erase   bool
	fixedOK bool
	yes     bool
	label   string
	folder  string

	startedAt time.Time
	targets   []*target // one
}

func (p *program) capacityCommand() *cobra.Command {
	s := &sizing{program: p}
	cmd := &cobra.Command{
		Use:   "capacity DEV",
		Short: "Find out whether a card is as large as it says",
		Long: "capacity writes stamps to a card, at random places, at chosen ones and at the\n" +
			"last sector, reads them back only after much else was written, and puts back\n" +
			"what was there. Where a card ends, wraps round or forgets, it finds the true\n" +
			"size to the sector. What the card holds is kept in a file meanwhile; if the\n" +
			"power fails, the next capacity of that card puts it back first.\n\n" +
			"With --full it writes and reads the whole card, which erases it, and measures\n" +
			"its rates from its start to its end. Interrupted, the same command goes on.\n\n" +
			"A card is true, short (it holds less than it states) or unreliable (it does not\n" +
			"keep what is written, and no smaller size explains that). Before you blame a\n" +
			"card that is not true, try another reader.\n\n" +
			exitHelpWith(map[exitCode]string{
				done:    "done, the card is as large as it says",
				damaged: "the card is short or unreliable, or what it held could not be put back",
			}, refused, cardFailed, damaged),
		Example: "  cardwright capacity /dev/sdb --label attic-07\n  cardwright capacity /dev/sdb --full",
		Args:    exactly("DEV"),
		RunE:    func(cmd *cobra.Command, args []string) error { return s.run(cmd.Context(), args[0]) },
	}
	cmd.Flags().BoolVar(&s.full, "full", false, "write and read all of the card; everything on it is lost")
	cmd.Flags().BoolVar(&s.erase, "erase", false, "do not keep and put back what the stamps replace; take the card for erased")
	cmd.Flags().StringVar(&s.label, "label", "", "the `label` written on the card, for the logbook")
	cmd.Flags().StringVar(&s.folder, "folder", "", "the `folder` for what is kept of cards, and for how far full checks are (else capacity beside the logbook)")
	cmd.Flags().BoolVar(&s.fixedOK, "fixed-ok", false, "allow a disk that is neither removable nor reached over USB or MMC: look twice")
	cmd.Flags().BoolVar(&s.yes, "yes", false, "do not ask")
	s.stallFlag.register(cmd)
	return cmd
}

// run is the command: usage, target, question, logbook, job, report.
func (s *sizing) run(ctx context.Context, path string) (err error) {
	s.startedAt = time.Now()
	if err := s.stallFlag.check(); err != nil {
		return err
	}
	if s.folder == "" {
		if s.folder, err = s.besideLogbook(); err != nil {
			return err
		}
	}
	keep := append(s.mustLast("", storeFlags{}, false), kept{existing(s.folder), "the folder of what is kept of cards"})
	s.targets, err = openTargets(ctx, []wish{{path, s.label}}, device.Options{Policy: device.Policy{FixedOK: s.fixedOK}}, keep)
	defer func() { err = s.closed(err, s.targets) }()
	if err != nil {
		return s.notStarted(err, logbook.ClassInterrupted)
	}
	if anyRefused(s.targets) {
		s.complain("nothing was written, since the target is refused:")
		return s.notStarted(writeRefusalOf(s.stderr, s.targets), logbook.ClassRefused)
	}
	if err := s.agreed(ctx); err != nil {
		if ctx.Err() != nil {
			return s.notStarted(err, logbook.ClassInterrupted)
		}
		return s.notStarted(err, logbook.ClassRefused)
	}
	return s.measure(ctx)
}

// besideLogbook is the folder that is taken where none is named.
func (s *sizing) besideLogbook() (string, error) {
	book, err := s.writingPath()
	if err != nil {
		return "", fmt.Errorf("%w; name a folder with --folder", err)
	}
	return filepath.Join(filepath.Dir(book), "capacity"), nil
}

// mode is how much of the card is looked at.
func (s *sizing) mode() capacity.Mode {
	if s.full {
		return capacity.ModeFull
	}
	return capacity.ModeQuick
}

// agreed says what will happen to the card, and asks unless --yes answers.
func (s *sizing) agreed(ctx context.Context) error {
	if s.yes {
		s.announce(s.stderr)
		return nil
	}
	tty, err := s.terminal()
	if err != nil {
		return err
	}
	defer tty.Close()
	s.announce(tty)
	what := "check"
	if s.full || s.erase {
		what = "erase"
	}
	return ask(ctx, tty, s.targets, what)
}

// announce says exactly what will happen.
func (s *sizing) announce(out io.Writer) {
	opening := "Stamps will be written all over this card, and what they replace put back:"
	closing := "What they replace is kept in " + s.folder + " meanwhile. If the power fails or the card is pulled, stamps stay on it " +
		"until the next capacity of this card puts it back first. Do not use the card before that."
	switch {
	case s.full:
		opening = "Everything on this card will be erased; all of it is written and read:"
		closing = "How far that is, is kept in " + s.folder + ". Interrupted, the same command goes on."
	case s.erase:
		opening = "Stamps will be written all over this card; everything on it is lost:"
		closing = ""
	}
	fmt.Fprintf(out, "%s\n\n", opening)
	listTargets(out, s.targets, identity.Claims{})
	if closing != "" {
		fmt.Fprintf(out, "\n%s\n", strings.Join(report.Wrapped(report.Printable(closing), 80), "\n"))
	}
	fmt.Fprintln(out)
}

// measure carries the check out and prints what became of it.
func (s *sizing) measure(ctx context.Context) error {
	book, unrecorded := s.openForRecording(ctx)
	defer s.closeBook(book)
	t, meter := s.targets[0], &capacity.Meter{}
	var run *logbook.CapacityCheck
	s.progressOf(progress.NewSurvey(t.shortName(), meter)).During(func() {
		run = job.Capacity(ctx, t.forJob(), job.CapacityOptions{
			Book: book, Unrecorded: unrecorded, Mode: s.mode(), Erase: s.erase, Folder: s.folder, Meter: meter, StallLimit: s.limit,
		})
	})
	return s.warnOfStuckCalls(s.printCapacity(run), s.targets)
}

// printCapacity prints what became of a check, and ends the command with its exit code.
func (s *sizing) printCapacity(run *logbook.CapacityCheck) error {
	code := codeOfCapacity(run)
	document := report.CapacityDocument{Stamp: stampOf(s.startedAt, code), CapacityCheck: *run}
	err := s.printed(
		func() error { return report.CapacityJSON(s.stdout, document) },
		func() error { return report.CapacityText(s.stdout, document) },
	)
	if err != nil {
		return err
	}
	return ending{code}
}

// notStarted ends the command before its job began: it says why, and with --json also gives the document.
func (s *sizing) notStarted(cause error, class logbook.Class) error {
	code := codeOfClass(class)
	if errors.Is(cause, errTargetRefused) {
		s.hint(cause, code)
	} else {
		s.tell(cause, code)
	}
	if !s.json {
		return ending{code}
	}
	t := s.targets[0]
	failure := &logbook.Failure{Step: flash.StepOpen, Class: class, Cause: cause.Error()}
	if len(t.reasons) > 0 {
		failure.Cause = strings.Join(t.reasons, "; ")
	}
	return s.printCapacity(&logbook.CapacityCheck{
		Device: t.path, Label: t.label, Error: failure, Result: capacity.Result{Mode: s.mode()},
	})
}

// codeOfCapacity is what a check means for the exit code. A check without a verdict never passes as a success.
func codeOfCapacity(run *logbook.CapacityCheck) exitCode {
	code := done
	if run.Error != nil {
		code = codeOfClass(run.Error.Class)
	}
	// What it held is not on it any more, though it was to be, and no failure of the card says why.
	lost := run.Error == nil && run.Restored != nil && !*run.Restored
	switch {
	case run.Verdict == capacity.Short || run.Verdict == capacity.Unreliable || run.Verdict == capacity.True && lost:
		return worst(code, damaged)
	case run.Verdict != capacity.True && run.Error == nil:
		return programFailed
	}
	return code
}
