package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"slices"
	"strings"

	"cardwright/flash"
	"cardwright/flash/source"
	"cardwright/internal/device"
	"cardwright/internal/logbook"
	"cardwright/internal/project"
	"cardwright/internal/store"
)

// An exitCode is what the program's end tells its caller.
type exitCode int

const (
	done          exitCode = 0
	programFailed exitCode = 1
	wrongUsage    exitCode = 2
	refused       exitCode = 3
	badSource     exitCode = 4
	cardFailed    exitCode = 5
	damaged       exitCode = 6
	belowFloor    exitCode = 7
	interrupted   exitCode = 130
)

// An outcome is one way in which a command ends.
type outcome struct {
	code    exitCode
	meaning string // for the help
	hint    string // what the operator does next
}

// outcomes is the table of all ways to end, the worst first: with several cards the worst applies.
func outcomes() []outcome {
	return []outcome{
		{wrongUsage, "wrong usage", "The flag --help tells what this command takes."},
		{interrupted, "interrupted", ""},
		{programFailed, "the program failed", ""},
		{damaged, "a card is damaged", ""},
		{
			cardFailed, "a card failed or vanished while in use",
			"Seat the card again and try it once more, then in another reader. If it fails\nthere too, take it out of use.",
		},
		{
			badSource, "the source is bad",
			"Fetch the image again, and compare its SHA-256 with the published one.",
		},
		{
			refused, "refused or declined, nothing was written",
			"\"cardwright cards\" lists the readers and says of each whether it may be\nwritten.",
		},
		{
			belowFloor, "intact, but below the asked floor",
			"The image is sound on such a card. Whether it is fast enough for its place is\nyours to decide.",
		},
		{done, "done", ""},
	}
}

// worst gives the code that counts among several.
func worst(codes ...exitCode) exitCode {
	for _, o := range outcomes() {
		if slices.Contains(codes, o.code) {
			return o.code
		}
	}
	return done
}

// hints say what to do about causes for which that of their code does not fit. The first that applies counts.
func hints() []struct {
	cause error
	hint  string
} {
	return []struct {
		cause error
		hint  string
	}{
		{errDeclined, ""},
		{errNoTerminal, ""},
		{errTargetMissing, "\"cardwright cards\" lists the readers. To practise on a regular file, make it\nfirst: truncate -s 8G FILE"},
		{fs.ErrPermission, "Run it as root, or as a user who may open it."},
		{flash.ErrTooSmall, "Take a larger card, or a smaller image."},
		{fs.ErrNotExist, "Look at the path."},
		{source.ErrDirectory, "Name the image itself, a file."},
		{source.ErrManyMembers, "Choose one with --member NAME."},
		{source.ErrNoMember, "Choose one that is there with --member NAME."},
		{source.ErrUnknownFormat, "Look at what it is. If it is an image all the same, --raw takes it as it is."},
		{source.ErrNoDigest, "Name a checksum file that speaks of this image, or give the digest itself:\n--sha256 takes both."},
		{source.ErrTooMuchMemory, unpackedHint},
		{source.ErrUnsupported, unpackedHint},
		{source.ErrEncrypted, unpackedHint},
		{source.ErrStatus, "Look at the address."},
		{source.ErrStalled, "Look at the network, then try again."},
		{store.ErrInUse, "Wait until the program that reads it has ended."},
		{store.ErrNoRoom, storeHint + "\n\"cardwright prepare --remove NAME\" removes one, --store-limit sets the limit,\n--store names a folder on another disk."},
		{logbook.ErrBatchInUse, ""},
		{logbook.ErrOtherImage, "--anew begins a new batch of that name, --name gives it another."},
		{project.ErrNotComposed, "Look at what \"cardwright inspect\" says of the image, and at how large the files are."},
		{project.ErrNoBootPartition, "Look at what \"cardwright inspect\" says of the image."},
		{source.ErrMismatch, "Do not use this image. Fetch it again, and see that the published digest is of\nthis very file."},
	}
}

// storeHint leads to what there is.
const storeHint = "\"cardwright prepare --list\" lists the prepared images."

// unpackedHint leads around a container that is not read here.
const unpackedHint = "Unpack it with the tool it was packed with, and name the unpacked image."

// hintFor says what to do about an error; empty where there is nothing to say.
func hintFor(err error, code exitCode) string {
	if errors.Is(err, logbook.ErrNotFound) {
		return "\"cardwright logbook list\" lists the runs."
	}
	if errors.Is(err, logbook.ErrNoCard) {
		return "\"cardwright logbook cards\" lists the cards. One that was bought\nand not flashed yet is made by noting something of it, such as --price 7.90."
	}
	if errors.Is(err, store.ErrNotPrepared) {
		return storeHint
	}
	for _, h := range hints() {
		if (code == badSource || code == refused) && errors.Is(err, h.cause) {
			return h.hint
		}
	}
	if _, unreachable := errors.AsType[*url.Error](err); unreachable && code == badSource {
		return "Look at the address and the network."
	}
	for _, o := range outcomes() {
		if o.code == code {
			return o.hint
		}
	}
	return ""
}

// exitHelp is the part of a command's help that lists its exit codes.
func exitHelp(codes ...exitCode) string {
	own := map[exitCode]string{}
	if slices.Contains(codes, damaged) {
		own[done] = "done, every card intact"
	}
	return exitHelpWith(own, codes...)
}

// exitHelpWith does the same for a command that gives some of them a meaning of its own.
func exitHelpWith(own map[exitCode]string, codes ...exitCode) string {
	codes = append(codes, done, programFailed, wrongUsage, interrupted)
	slices.Sort(codes)
	var text strings.Builder
	text.WriteString("Exit codes:\n")
	for _, code := range codes {
		for _, o := range outcomes() {
			if o.code == code {
				fmt.Fprintf(&text, "  %3d  %s\n", code, cmp.Or(own[code], o.meaning))
			}
		}
	}
	return strings.TrimRight(text.String(), "\n")
}

// codeOfRun is what one card's run means for the exit code. A verdict that is no success never passes as one.
func codeOfRun(run logbook.Run) exitCode {
	code := done
	if run.Error != nil {
		code = codeOfClass(run.Error.Class)
	}
	switch {
	case run.Verdict == logbook.Damaged:
		return worst(code, damaged)
	case run.Error != nil:
		return code
	case run.Verdict == logbook.Refused:
		return refused
	case run.Verdict != logbook.Intact:
		return programFailed
	case run.Pace == flash.PaceBelowFloor:
		return belowFloor
	}
	return done
}

func codeOfClass(class logbook.Class) exitCode {
	switch class {
	case logbook.ClassRefused:
		return refused
	case logbook.ClassSource:
		return badSource
	case logbook.ClassCard:
		return cardFailed
	case logbook.ClassInterrupted:
		return interrupted
	}
	return programFailed
}

// codeOfRuns is the worst of all cards.
func codeOfRuns(runs []logbook.Run) exitCode {
	codes := make([]exitCode, len(runs))
	for i, run := range runs {
		codes[i] = codeOfRun(run)
	}
	return worst(codes...)
}

// An ending is an error that was told to the operator already, or that needs no words beside the report; what is left of
// it is the code.
type ending struct{ code exitCode }

func (e ending) Error() string { return fmt.Sprintf("exit code %d", e.code) }

// A usageError is a command line that makes no sense.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// codeOfError is what an error that ended a command means for the exit code.
func codeOfError(err error) exitCode {
	if err == nil {
		return done
	}
	if e, ok := errors.AsType[ending](err); ok {
		return e.code
	}
	if _, ok := errors.AsType[usageError](err); ok {
		return wrongUsage
	}
	if errors.Is(err, context.Canceled) {
		return interrupted
	}
	if errors.Is(err, logbook.ErrFact) || errors.Is(err, logbook.ErrMaker) {
		return wrongUsage
	}
	if _, ok := errors.AsType[*device.Refusal](err); ok {
		return refused
	}
	for _, cause := range []error{
		store.ErrInUse, store.ErrNoRoom, logbook.ErrBatchInUse, logbook.ErrOtherImage, project.ErrNoBootPartition,
		project.ErrNotComposed, errDeclined, errNoTerminal,
	} {
		if errors.Is(err, cause) {
			return refused
		}
	}
	if _, ok := errors.AsType[*source.Error](err); ok {
		return badSource
	}
	if _, ok := errors.AsType[*flash.Error](err); ok {
		return cardFailed
	}
	return programFailed
}
