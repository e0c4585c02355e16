package report

import (
	"slices"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// addNext tells the operator what to do now.
func addNext(p *page, run *logbook.Run) { p.add("Next:", nextStep(run)) }

// nextStep is what to do with a card after this run.
func nextStep(run *logbook.Run) string {
	switch run.Verdict {
	case logbook.Intact:
		return nextWhenIntact(run)
	case logbook.Damaged:
		return nextWhenDamaged(run)
	case logbook.Refused:
		return nextWhenRefused(run)
	}
	if run.Operation == logbook.OperationCheck {
		return nextWhenUnchecked(run)
	}
	return nextWhenUnfinished(run)
}

func nextWhenIntact(run *logbook.Run) string {
	switch {
	case holdsNothingKnown(run):
		return "The image is on the card, but no partition table and no file system known here is in it: make sure that it is " +
			"no archive within an archive before the card is used."
	case run.Error != nil:
		return "The image is on the card, but the step named above failed: see to it before the card is used."
	case hasFault(run):
		return "The image is on the card as it was read, but see to the fault named above before the card is used."
	case run.Proof != nil && !run.Proof.FromMedium && run.Operation == logbook.OperationCheck:
		return "This proof may have seen a cache and not the card: check it again as root, after it was out of the machine. " +
			"A regular file will do as it is."
	case run.Proof != nil && !run.Proof.FromMedium && run.Write != nil:
		return "Check it once more after it was out of the machine: this proof may have seen a cache. A regular file will do " +
			"as it is."
	case run.Conditions.FloorBytesPerSecond > 0 && run.Pace == flash.PaceUnjudged && run.Write != nil &&
		run.Conditions.BusWasTheLimit && !run.Conditions.SourceWasTheLimit:
		return "The image is on it, but whether it holds the floor was not found out: flash it in a reader on a faster bus."
	case run.Conditions.FloorBytesPerSecond > 0 && run.Pace == flash.PaceUnjudged && run.Write != nil:
		alone := ""
		if run.Conditions.CardsAtOnce > 1 {
			alone = " alone"
		}
		return "The image is on it, but whether it holds the floor was not found out: flash it" + alone + " from an image that " +
			"\"cardwright prepare\" prepared, or that lies unpacked on a fast disk."
	case run.Pace.IsSlow():
		return "Remove the card. It is sound but slow: give it a board that writes little, or try it in another reader."
	}
	return "Remove the card; it is ready."
}

// holdsNothingKnown says whether the card was read and nothing on it was recognised.
func holdsNothingKnown(run *logbook.Run) bool {
	return run.Table != nil && run.Table.Kind == partition.SchemeNone && run.Table.FileSystem == nil
}

// hasFault says whether a finding says that something is wrong.
func hasFault(run *logbook.Run) bool {
	for _, finding := range findingsOf(run) {
		if finding.Severity == partition.Fault {
			return true
		}
	}
	return false
}

func nextWhenDamaged(run *logbook.Run) string {
	if run.Operation == logbook.OperationCheck {
		return "A card in use does change: if a board has run from it, this is no defect, nor if it was given files of its own. " +
			"Make sure that this is the image it was written with, and that free space is left out (--skip-free) if it was then. " +
			"If neither explains it, try another reader; if it differs there too, take it out of use."
	}
	state := "Do not use it: its boot sector was erased."
	if found(run, "not-blanked") {
		state = "Do not use it: a boot sector may still be on it."
	}
	if run.Proof != nil && run.Proof.TrueSizeBytes != nil {
		return state + " Find out its size with \"cardwright capacity DEV\", in another reader too."
	}
	return state + " Flash it once more in another reader; if it is damaged again, take it out of use."
}

func nextWhenRefused(run *logbook.Run) string {
	if run.Operation == logbook.OperationCheck {
		return "Nothing was read. Name a card that is large enough for this image, or another image."
	}
	if run.Error != nil && run.Error.Class == logbook.ClassSource {
		return "The card is as it was. Get a sound image, then try again."
	}
	return "The card is as it was. Clear away the reason named above, or name another card."
}

func nextWhenUnchecked(run *logbook.Run) string {
	switch classOf(run) {
	case logbook.ClassCard:
		return "Nothing was written. Seat the card again, or try another reader; if it fails there too, take it out of use."
	case logbook.ClassSource:
		if outgrew(run) {
			return "Nothing was written. This card cannot hold this image: check it against another."
		}
		return "Nothing was written. Get a sound image, then check again."
	}
	return "Nothing was written. Check the card again."
}

// nextWhenUnfinished says first in what state the card was left.
func nextWhenUnfinished(run *logbook.Run) string {
	state := stateLeft(run)
	switch classOf(run) {
	case logbook.ClassCard:
		return state + " Try another reader; if it fails there too, take it out of use."
	case logbook.ClassSource:
		if outgrew(run) {
			return state + " Take a larger card, or a smaller image."
		}
		if run.Error.Step == flash.StepFiles {
			return state + " The image and the card's own files do not go together: see to the files, or take another image."
		}
		return state + " Get a sound image, then flash the card again."
	case logbook.ClassInterrupted:
		return state + " Flash it again when there is time."
	case logbook.ClassRefused:
		return state + " Clear away the reason named above, then flash it again."
	}
	return state + " Flash it again."
}

// outgrew tells whether an image of unknown length turned out larger than the card: that alone is the source's at a step of
// the card's.
func outgrew(run *logbook.Run) bool {
	return run.Error.Class == logbook.ClassSource && (run.Error.Step == flash.StepBody || run.Error.Step == flash.StepProof)
}

// stateLeft says what an unfinished flash left on the card. Before the step body only the ends of the card can have been
// zeroed; before the step head, which holds the head's own proof, no boot sector was written; from then on the start of the
// card was zeroed again, but a card that failed may not have taken that.
func stateLeft(run *logbook.Run) string {
	if run.Error == nil {
		return "This run was never closed: the program ended first, or the logbook took no more. Check the card before it is used."
	}
	written := run.Write != nil && run.Write.Bytes > 0
	switch run.Error.Step {
	case flash.StepOpen:
		return "The card is as it was."
	case flash.StepSource, flash.StepClear:
		if !written {
			return "No part of the image was written, but the card's old partition table may be gone."
		}
		return "No boot sector was left on the card; what it held before is gone."
	case flash.StepBody, flash.StepProof, flash.StepFiles:
		return "No boot sector was left on the card; what it held before is gone."
	}
	if found(run, "not-blanked") {
		return "A boot sector may still be on the card: do not boot from it."
	}
	return "The boot sector was erased again: take the card for empty."
}

// found tells whether the run has a finding of that code.
func found(run *logbook.Run, code string) bool {
	return slices.ContainsFunc(run.Findings, func(f partition.Finding) bool { return f.Code == code })
}

// classOf is the class of the run's failure, empty where it has none.
func classOf(run *logbook.Run) logbook.Class {
	if run.Error == nil {
		return ""
	}
	return run.Error.Class
}
