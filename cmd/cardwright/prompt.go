package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/report"
	"cardwright/internal/terminal"
)

var (
	errDeclined   = errors.New("declined, nothing was written")
	errNoTerminal = errors.New("nothing was written: there is no terminal to ask on, and --yes was not given")
)

// openTerminal opens the controlling terminal. Standard input is not asked: it may carry the image, and what a pipe answers
// is no operator's word.
func openTerminal() (terminal.Terminal, error) {
	tty, err := terminal.Open()
	if err != nil {
		return nil, fmt.Errorf("%w (%w)", errNoTerminal, err)
	}
	return tty, nil
}

// caution says what will be erased, and what is printed on it where the operator told.
func caution(out io.Writer, targets []*target, imageName string, rated identity.Claims) {
	if imageName == standardInput {
		imageName = "what standard input holds"
	}
	fmt.Fprintf(out, "Everything on %s will be erased and replaced by %s:\n\n", cardsInWords(len(targets)), report.Printable(imageName))
	listTargets(out, targets, rated)
	fmt.Fprintln(out)
}

// listTargets says of each target what it is and what is on it now.
func listTargets(out io.Writer, targets []*target, rated identity.Claims) {
	for _, t := range targets {
		d := t.card.Description()
		fmt.Fprintf(out, "  %s%s\n", report.Printable(t.path), report.Printable(labelled(t.label)))
		fmt.Fprintf(out, "      %s\n", report.Printable(strings.Join(traits(d), ", ")))
		if rated != (identity.Claims{}) {
			fmt.Fprintf(out, "      printed on it: %s\n", rated)
		}
		fmt.Fprintf(out, "      on it now: %s\n", report.Printable(d.Contents))
	}
}

func cardsInWords(n int) string {
	if n == 1 {
		return "this card"
	}
	return fmt.Sprintf("these %d cards", n)
}

func labelled(label string) string {
	if label == "" {
		return ""
	}
	return fmt.Sprintf(" (label %s)", label)
}

// traits are what an operator knows a card by.
func traits(d device.Description) []string {
	known := []string{report.Capacity(d.SizeBytes)}
	if d.Kind == device.KindFile {
		return append(known, "a regular file")
	}
	if d.Model != "" {
		known = append(known, d.Model)
	}
	return append(known, string(d.Transport))
}

// ask has the operator type each device's name to have it erased, or whatever is done to it. Any other answer is a no, and so is an end
// of the input.
func ask(ctx context.Context, tty terminal.Terminal, targets []*target, doing string) error {
	answers := bufio.NewScanner(tty)
	for _, t := range targets {
		question := fmt.Sprintf("Type %s to %s it, anything else to stop: ", filepath.Base(t.path), doing)
		if err := askOnce(ctx, tty, answers, question, t.namedBy); err != nil {
			return err
		}
	}
	return nil
}

// askOnce asks one question, and declines where the answer is not the one that is wanted.
func askOnce(ctx context.Context, tty terminal.Terminal, answers *bufio.Scanner, question string, wanted func(string) bool) error {
	release := context.AfterFunc(ctx, func() { _ = tty.SetReadDeadline(time.Now()) })
	defer release()
	fmt.Fprint(tty, question)
	if !answers.Scan() {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		return errors.Join(errDeclined, answers.Err())
	}
	if !wanted(strings.TrimSpace(answers.Text())) {
		return errDeclined
	}
	return nil
}

// namedBy tells whether an answer names this target: by its path or the last part of it, as given or with links followed.
func (t *target) namedBy(answer string) bool {
	node := t.card.Description().Node
	return answer != "" &&
		(answer == t.path || answer == filepath.Base(t.path) || answer == node || answer == filepath.Base(node))
}
