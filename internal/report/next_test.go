package report_test

import (
	"strings"
	"testing"

	"cardwright/flash"
	"cardwright/internal/logbook"
	"cardwright/internal/report"
	"cardwright/partition"
	"cardwright/verify"
)

// What an operator is told to do must not rest on more than the run knows.
func TestNextPromisesNoMoreThanIsKnown(t *testing.T) {
	cached := &verify.Proof{Bytes: 1, Seconds: 1}
	damaged := &verify.Proof{Bytes: 1, FromMedium: true, Damage: []verify.Damage{{LengthBytes: 1, Kind: verify.KindChanged}}}
	notBlanked := []partition.Finding{{Code: "not-blanked", Severity: partition.Warning, Sentence: "It was not zeroed again."}}
	for name, c := range map[string]struct {
		run       logbook.Run
		says, not string
	}{
		"a check that may have read a cache": {
			logbook.Run{Operation: logbook.OperationCheck, Verdict: logbook.Intact, Proof: cached}, "may have seen a cache", "it is ready",
		},
		"a damaged card that was blanked": {
			logbook.Run{Operation: logbook.OperationFlash, Verdict: logbook.Damaged, Proof: damaged}, "its boot sector was erased", "may still be",
		},
		"a damaged card that may not have taken the zeroing": {
			logbook.Run{Operation: logbook.OperationFlash, Verdict: logbook.Damaged, Proof: damaged, Findings: notBlanked},
			"a boot sector may still be on it", "was erased",
		},
		"an image that turned out larger than the card": {
			logbook.Run{Operation: logbook.OperationFlash, Verdict: logbook.Unfinished, Error: &logbook.Failure{
				Step: flash.StepBody, Class: logbook.ClassSource, Cause: "the image is larger than the card", OffsetBytes: 1 << 20,
			}}, "Take a larger card", "sound image",
		},
		"a card that failed with its head on it": {
			logbook.Run{Operation: logbook.OperationFlash, Verdict: logbook.Unfinished, Error: &logbook.Failure{
				Step: flash.StepHead, Class: logbook.ClassCard, Cause: "gone",
			}, Findings: notBlanked}, "may still be on the card", "was erased",
		},
		"a card that holds no system": {
			logbook.Run{
				Operation: logbook.OperationFlash, Verdict: logbook.Intact, Proof: &verify.Proof{FromMedium: true},
				Table: &partition.Table{Kind: partition.SchemeNone},
			}, "no archive within an archive", "it is ready",
		},
		"a floor that a slow bus leaves open": {onSlowBus(""), "flash it in a reader on a faster bus", "from a fast disk"},
		"a run whose record could not be closed": {
			logbook.Run{
				Operation: logbook.OperationFlash, Verdict: logbook.Intact, RunID: 7, Proof: &verify.Proof{FromMedium: true},
				Findings: []partition.Finding{{Code: "not-recorded", Severity: partition.Warning, Sentence: "It is not recorded."}},
			}, "It is not recorded", "run 7 in the logbook",
		},
		"a check of a card too small": {
			logbook.Run{Operation: logbook.OperationCheck, Verdict: logbook.Refused, Error: &logbook.Failure{
				Step: flash.StepOpen, Class: logbook.ClassRefused, Cause: "the image is larger than the card",
			}}, "it was not read", "nothing was written",
		},
		"a card with files of its own": {
			logbook.Run{Operation: logbook.OperationFlash, Verdict: logbook.Intact, Files: []logbook.RecordedFile{
				{Path: "config.txt"}, {Path: "etc/row 7.conf"},
			}}, "Files 2 written to the boot partition: config.txt, etc/row 7.conf", "byte for byte. Files",
		},
		"files that do not go with the image": {
			logbook.Run{Operation: logbook.OperationFlash, Verdict: logbook.Unfinished, Error: &logbook.Failure{
				Step: flash.StepFiles, Class: logbook.ClassSource, Cause: "the FAT file system has no room", OffsetBytes: 1 << 20,
			}}, "No boot sector was left on the card; what it held before is gone. The image and the card's own files", "sound image",
		},
		"a card that rested beside others":  {rested(3), "flash it alone from an image that", "it is ready"},
		"a card that rested, and was alone": {rested(1), "flash it from an image that \"cardwright prepare\" prepared", "alone"},
		"a card that wraps round":           {wrapped("node-08"), "\"cardwright capacity DEV\"", "out of use"},
	} {
		var page strings.Builder
		if err := report.Text(&page, report.Document{Cards: []logbook.Run{c.run}}); err != nil {
			t.Fatal(err)
		}
		text := strings.Join(strings.Fields(page.String()), " ")
		if !strings.Contains(text, c.says) || strings.Contains(text, c.not) {
			t.Errorf("%s: %s", name, text)
		}
	}
}

// rested is an intact run with a floor in which the card rested for its source, so that its pace is not known.
func rested(cardsAtOnce int) logbook.Run {
	return logbook.Run{
		Operation: logbook.OperationFlash, Verdict: logbook.Intact, Pace: flash.PaceUnjudged, Write: &flash.Figures{Bytes: 1 << 20},
		Proof:      &verify.Proof{Bytes: 1 << 20, Seconds: 1, FromMedium: true},
		Conditions: logbook.Conditions{CardsAtOnce: cardsAtOnce, FloorBytesPerSecond: 10e6, SourceWasTheLimit: true},
	}
}
