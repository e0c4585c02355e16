package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"cardwright/flash"
	"cardwright/internal/device"
	"cardwright/internal/job"
	"cardwright/internal/logbook"
	"cardwright/internal/progress"
	"cardwright/internal/report"
)

// A wish is a target as the operator named it.
type wish struct{ path, label string }

// A target is what a command is to work on: opened, or refused and why.
type target struct {
	wish
	card    *device.Card // nil where it was refused
	reasons []string     // why it is refused
	cause   error        // why it was not opened; nil where it was, or where its twin was named before
	meter   flash.Meter
}

// openTargets opens and judges all targets, each of them also when another was refused already, so that the operator hears of
// everything at once. keep are the paths that must outlive the writing. Whoever calls it closes the targets.
func openTargets(ctx context.Context, wishes []wish, o device.Options, keep []kept) ([]*target, error) {
	targets := make([]*target, len(wishes))
	for i, w := range wishes {
		targets[i] = &target{wish: w} // all of them before any is opened, which an interrupt may end
	}
	for i, w := range wishes {
		if twin := sameDisk(wishes[:i], w.path); twin != "" {
			targets[i].refuse(fmt.Sprintf("it is the same card as %s, named before", twin))
			continue
		}
		card, err := unlessInterrupted(ctx, func() (*device.Card, error) { return device.Open(ctx, w.path, o) })
		if ctx.Err() != nil {
			return targets, context.Cause(ctx)
		}
		if err != nil {
			targets[i].refuse(device.ReasonsOf(err)...)
			targets[i].cause = err
			continue
		}
		targets[i].card = card
		targets[i].refuse(holdsAny(card, keep)...)
	}
	return targets, nil
}

// isOnDisk tells whether a path leads to a file or a disk.
func isOnDisk(path string) bool {
	info, err := os.Stat(path)
	return err == nil && liesOnDisk(info)
}

// liesOnDisk tells a file or a disk, which can be read as often as one likes, from a pipe or a terminal.
func liesOnDisk(info os.FileInfo) bool {
	return info.Mode().IsRegular() || info.Mode()&(os.ModeDevice|os.ModeCharDevice) == os.ModeDevice
}

func (t *target) refuse(reasons ...string) { t.reasons = append(t.reasons, reasons...) }

// sameDisk gives the earlier path that leads to the same disk or file, empty if none does.
func sameDisk(earlier []wish, path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return "" // the refusal comes from opening it
	}
	for _, w := range earlier {
		other, err := os.Stat(w.path)
		if err == nil && (os.SameFile(info, other) || sameNode(info, other)) {
			return w.path
		}
	}
	return ""
}

// sameNode tells whether two device nodes stand for the same device under different names.
func sameNode(a, b os.FileInfo) bool {
	first, ok := a.Sys().(*syscall.Stat_t)
	second, okToo := b.Sys().(*syscall.Stat_t)
	return ok && okToo && a.Mode().Type() == b.Mode().Type() && first.Rdev != 0 && first.Rdev == second.Rdev
}

// anyRefused tells whether one of the targets is refused, which refuses them all.
func anyRefused(targets []*target) bool {
	for _, t := range targets {
		if len(t.reasons) > 0 {
			return true
		}
	}
	return false
}

// refusalOf prints every reason of every refused target, and gives the error that stands for them.
func refusalOf(out io.Writer, targets []*target) error {
	refusal := errTargetRefused
	for _, t := range targets {
		if t.cause != nil {
			refusal = fmt.Errorf("%w: %w", errTargetRefused, t.cause)
		}
		for _, reason := range t.reasons {
			fmt.Fprintf(out, "  %s\n", report.Printable(t.path+": "+reason))
		}
	}
	return refusal
}

// writeRefusalOf does the same for a command that would write: a target that is not there has a hint of its own then.
func writeRefusalOf(out io.Writer, targets []*target) error {
	refusal := refusalOf(out, targets)
	if errors.Is(refusal, fs.ErrNotExist) {
		return errTargetMissing
	}
	return refusal
}

// closed gives all targets free at a command's end. A card whose closing fails has failed, though the report is out.
func (p *program) closed(err error, targets []*target) error {
	for _, t := range targets {
		if t.card == nil {
			continue
		}
		if failed := t.card.Close(); failed != nil {
			p.complain("%v", failed)
			err = ending{worst(codeOfError(err), cardFailed)}
		}
	}
	return err
}

// forJob makes a job's target of an open one.
func (t *target) forJob() job.Target {
	d := t.card.Description()
	return job.Target{
		Card: t.card, Reader: t.card, Device: t.path, Label: t.label, Meter: &t.meter,
		Conditions: job.ConditionsOf(d, commonConditions()), Identity: job.IdentityOf(d), Twins: d.Twins,
	}
}

// commonConditions are what all runs of this program have in common.
func commonConditions() logbook.Conditions {
	return logbook.Conditions{Kernel: kernelRelease(), ProgramVersion: programVersion}
}

// kernelRelease is the running kernel's; empty where the kernel does not tell.
func kernelRelease() string {
	release, _ := device.KernelRelease()
	return release
}

// tracksOf gives what the progress shows of each target while an image goes to it, or is held against it, but for leftOutBytes.
func tracksOf(targets []*target, image progress.Image, leftOutBytes int64) []progress.Card {
	tracks := make([]progress.Card, len(targets))
	for i, t := range targets {
		tracks[i] = progress.NewTrack(t.shortName(), &t.meter, image, leftOutBytes)
	}
	return tracks
}

// progressOf shows cards at work where all but results goes.
func (p *program) progressOf(cards ...progress.Card) *progress.Progress {
	return progress.New(p.stderr, p.lineEvery, cards...)
}

// shortName is what the progress calls a target.
func (t *target) shortName() string {
	return strings.TrimSpace(report.Printable(filepath.Base(t.path) + " " + t.label))
}
