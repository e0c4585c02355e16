package progress

import (
	"fmt"
	"time"

	"cardwright/flash"
	"cardwright/internal/report"
)

func stepInWords(step flash.Step) string {
	switch step {
	case flash.StepSource:
		return "reading the image"
	case flash.StepClear:
		return "clearing both ends"
	case flash.StepBody:
		return "writing"
	case flash.StepProof:
		return "proving"
	case flash.StepFiles:
		return "writing the card's own files"
	case flash.StepHead:
		return "writing the boot sector"
	case flash.StepInspect:
		return "reading the table"
	case flash.StepRecord:
		return "ended, see the report"
	}
	return "waiting for the image"
}

// StepInOneWord is what a card does in a step, for where there is little room.
func StepInOneWord(step flash.Step) string {
	switch step {
	case flash.StepSource:
		return "reading"
	case flash.StepClear:
		return "clearing"
	case flash.StepBody, flash.StepFiles, flash.StepHead:
		return "writing"
	case flash.StepProof, flash.StepInspect:
		return "proving"
	case flash.StepRecord:
		return "ended"
	}
	return "waiting"
}

// Clock gives a duration as minutes and seconds, and from an hour on as hours too.
func Clock(d time.Duration) string {
	seconds := int64(d.Round(time.Second).Seconds())
	if seconds >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", seconds/3600, seconds/60%60, seconds%60)
	}
	return fmt.Sprintf("%d:%02d", seconds/60, seconds%60)
}

// timeFor is how long so many bytes will still take at a rate; known is false where none are left, or the rate is not known.
func timeFor(restBytes int64, bytesPerSecond float64) (left time.Duration, known bool) {
	if restBytes <= 0 || bytesPerSecond <= 0 {
		return 0, false
	}
	return time.Duration(float64(restBytes) / bytesPerSecond * float64(time.Second)), true
}

// percent is computed so that no card is too large for it.
func percent(done, total int64) int64 { return int64(100 * float64(done) / float64(total)) }

// amountInShort is how much of a total is done, in whole MB where there are many.
func amountInShort(done, total int64) string {
	if total <= 0 {
		return report.Size(done)
	}
	done = min(done, total)
	switch {
	case total < 1e6:
		return report.Size(done) + "/" + report.Size(total)
	case total < 100e6:
		return fmt.Sprintf("%.1f/%.1f MB", float64(done)/1e6, float64(total)/1e6)
	}
	return fmt.Sprintf("%.0f/%.0f MB", float64(done)/1e6, float64(total)/1e6)
}
