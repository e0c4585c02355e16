package report

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/logbook"
	"cardwright/partition"
	"cardwright/verify"
)

// A remark is a line of a card's report: a name, and what there is to say.
type remark struct{ name, text string }

// addCard tells one card's result, its verdict first. Of each list it shows at most so many entries.
func addCard(p *page, run *logbook.Run, most int) {
	p.plain(cardName(run) + ": " + verdictSentence(run))
	if run.Verdict != logbook.Damaged || run.Pace.IsSlow() { // a good pace would read like praise
		p.addUpTo(3, "Pace", paceSentence(run))
	}
	written := "Written"
	if share := shareSentence(run.Write); share != "" {
		p.add(written, share)
		written = "Speed"
	}
	p.add(written, writtenSentence(run))
	p.add("Rested", restSentence(run))
	p.addUpTo(2, "Dips", dipsSentence(run.Write))
	p.addUpTo(linesOf(2, most), "Files", filesSentence(run.Files))
	addTable(p, run.Table, most)
	addDamage(p, run, most)
	addFindings(p, findingsOf(run), most)
	p.addUpTo(linesOf(2, most), "Proof", proofSentence(run))
	p.addUpTo(linesOf(3, most), "Error", errorSentence(run.Error))
}

// all is more entries than any list has: nothing is left out.
const all = 1 << 20

// linesOf is how many lines a text gets: any number where nothing is to be left out.
func linesOf(usual, most int) int {
	if most == all {
		return 0
	}
	return usual
}

// remarksOf is what is worth knowing of an intact card among many.
func remarksOf(run *logbook.Run) (remarks []remark) {
	if run.Pace.IsSlow() {
		remarks = append(remarks, remark{"Pace", paceSentence(run)})
	}
	for _, finding := range findingsOf(run) {
		if finding.Severity != partition.Information {
			remarks = append(remarks, remark{"Finding", findingSentence(finding)})
		}
	}
	if run.Proof != nil && !run.Proof.FromMedium {
		remarks = append(remarks, remark{"Proof", proofSentence(run)})
	}
	if text := errorSentence(run.Error); text != "" {
		remarks = append(remarks, remark{"Error", text})
	}
	for _, r := range []remark{{"Rested", restSentence(run)}, {"Dips", cliffSentence(run.Write)}} {
		if r.text != "" {
			remarks = append(remarks, r)
		}
	}
	return remarks
}

// cardName is what the operator calls a card: its label and where it is.
func cardName(run *logbook.Run) string {
	if run.Label == "" {
		return cmp.Or(run.Device, "card")
	}
	return run.Label + ", " + cmp.Or(run.Device, "no reader")
}

// verdictSentence gives the verdict and what it means.
func verdictSentence(run *logbook.Run) string {
	check := run.Operation == logbook.OperationCheck
	switch {
	case run.Verdict == logbook.Intact && run.Conditions.SkipFree && check:
		return "INTACT - it still holds the image, free space left out."
	case run.Verdict == logbook.Intact && run.Conditions.SkipFree:
		return "INTACT - it holds the image, free space left out."
	case run.Verdict == logbook.Intact && check:
		return "INTACT - it still holds the image, byte for byte."
	case run.Verdict == logbook.Intact && len(run.Files) > 0:
		return "INTACT - it holds the image, byte for byte, and its own files."
	case run.Verdict == logbook.Intact:
		return "INTACT - it holds the image, byte for byte."
	case run.Verdict == logbook.Damaged && check:
		return "DAMAGED - it differs from the image."
	case run.Verdict == logbook.Damaged:
		return "DAMAGED - it does not hold what was written to it."
	case run.Verdict == logbook.Refused && check:
		return "REFUSED - it was not read."
	case run.Verdict == logbook.Refused:
		return "REFUSED - nothing was written."
	case check:
		return "UNFINISHED - whether it holds the image was not found out."
	}
	return "UNFINISHED - the image is not proven to be on it."
}

// paceSentence gives the pace, why, and what is to be known of what it rests on. Where nothing was written there is none.
func paceSentence(run *logbook.Run) string {
	if run.Pace == "" || run.Write == nil {
		return ""
	}
	text := string(run.Pace)
	if run.PaceReason != "" {
		text += ": " + run.PaceReason
	}
	if run.Pace == flash.PaceAsClaimed || run.Pace == flash.PaceBelowClaim {
		// The test conditions are those of the SD specification (Physical Layer 4.10, table 4-60).
		text += " (indicative: the standard measures whole allocation units, in writes of 512 KiB)"
	}
	byPeers := run.Pace == flash.PaceAsPeers || run.Pace == flash.PaceBelowPeers
	if c := run.Conditions; byPeers && c.PeersCount > 0 {
		text += fmt.Sprintf(" (%s, median %s, spread %s)", count(c.PeersCount, "peer"), Rate(c.PeersMedian), Rate(c.PeersSpread))
	}
	return text
}

// shareSentence tells how much of the image was written where free space was left out.
func shareSentence(figures *flash.Figures) string {
	if figures == nil || figures.SkippedBytes <= 0 || figures.Bytes <= 0 {
		return ""
	}
	whole := figures.Bytes + figures.SkippedBytes
	return fmt.Sprintf("%s of %s (%.0f %%): the rest is free space in the image's file systems; what lies there on the card is not "+
		"the image's", Size(figures.Bytes), Size(whole), 100*float64(figures.Bytes)/float64(whole))
}

// writtenSentence gives the time to flash and the sustained rate.
func writtenSentence(run *logbook.Run) string {
	if run.Write == nil || run.Write.Bytes == 0 {
		return ""
	}
	text := Size(run.Write.Bytes)
	if known(run.TimeToFlashSeconds) {
		text += " in " + Duration(*run.TimeToFlashSeconds)
	}
	if hasRate(run) {
		text += ", sustained " + Rate(run.Write.SustainedBytesPerSecond)
	}
	if known(run.TimeToProvenSeconds) {
		text += ", proven after " + Duration(*run.TimeToProvenSeconds)
	}
	if !run.Write.Direct {
		text += "; through the system's cache"
	}
	return text
}

// hasRate says whether a sustained rate was measured that can be printed.
func hasRate(run *logbook.Run) bool {
	return run.Write != nil && run.Write.SustainedBytesPerSecond > 0 && known(&run.Write.SustainedBytesPerSecond)
}

// known says whether a figure was measured and can be printed.
func known(figure *float64) bool {
	return figure != nil && *figure >= 0 && !math.IsInf(*figure, 0)
}

// restSentence tells how long a card rested because the source, or a slower card beside it, was the limit: from 10 % of the
// time on.
func restSentence(run *logbook.Run) string {
	if !known(run.SourceWaitSeconds) || !known(run.TimeToFlashSeconds) || *run.TimeToFlashSeconds == 0 {
		return ""
	}
	const most = 0.10
	share := *run.SourceWaitSeconds / *run.TimeToFlashSeconds
	if share <= most {
		return ""
	}
	limit := "the source"
	if run.Conditions.CardsAtOnce > 1 {
		limit = "the source or a slower card"
	}
	return fmt.Sprintf("%s (%.0f %%) for %s, so the rate may flatter", Duration(*run.SourceWaitSeconds), 100*share, limit)
}

// dipsSentence tells where writing was slow.
func dipsSentence(figures *flash.Figures) string {
	if figures == nil {
		return ""
	}
	var parts []string
	if known(figures.WindowLowBytesPerSecond) && known(figures.WindowMedianBytesPerSecond) {
		parts = append(parts, fmt.Sprintf("slowest second %s, median %s",
			Rate(*figures.WindowLowBytesPerSecond), Rate(*figures.WindowMedianBytesPerSecond)))
	}
	if len(figures.Stalls) > 0 {
		longest := figures.Stalls[0].Seconds
		for _, stall := range figures.Stalls {
			longest = max(longest, stall.Seconds)
		}
		text := count(len(figures.Stalls), "stall")
		if len(figures.Stalls) > 1 {
			text += ", the longest"
		}
		parts = append(parts, text+" of "+Duration(longest))
	}
	if text := cliffSentence(figures); text != "" {
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

// cliffSentence tells where a card became slow for good.
func cliffSentence(figures *flash.Figures) string {
	if figures == nil || figures.Cliff == nil {
		return ""
	}
	cliff := figures.Cliff
	return fmt.Sprintf("%s for the first %s, then %s",
		Rate(cliff.BeforeBytesPerSecond), Size(cliff.OffsetBytes), Rate(cliff.AfterBytesPerSecond))
}

// filesSentence names the files that the card alone has.
func filesSentence(files []logbook.RecordedFile) string {
	if len(files) == 0 {
		return ""
	}
	paths := make([]string, len(files))
	for i, file := range files {
		paths[i] = file.Path
	}
	return fmt.Sprintf("%d written to the boot partition: %s", len(files), strings.Join(paths, ", "))
}

// proofSentence tells how much was read back, and whether it came from the card itself.
func proofSentence(run *logbook.Run) string {
	if run.Proof == nil {
		return ""
	}
	text := Size(run.Proof.Bytes) + " read back"
	if run.Conditions.SkipFree {
		text += ", free space left out,"
	}
	if run.Proof.BytesPerSecond > 0 && known(&run.Proof.BytesPerSecond) {
		text += " at " + Rate(run.Proof.BytesPerSecond)
	}
	if run.Proof.FromMedium {
		return text + ", from the medium"
	}
	text += ", perhaps from a cache and not from the medium"
	if run.Conditions.CacheDropComplaint != "" {
		text += ": " + run.Conditions.CacheDropComplaint
	}
	return text
}

// errorSentence gives the step, the place and the cause.
func errorSentence(failure *logbook.Failure) string {
	if failure == nil {
		return ""
	}
	cause := cmp.Or(failure.Cause, "no cause was told")
	switch failure.Step {
	case "":
		return cause
	case flash.StepOpen, flash.StepInspect, capacity.StepCheck:
		return fmt.Sprintf("at step %s: %s", failure.Step, cause)
	case flash.StepSource:
		if failure.OffsetBytes == 0 {
			return "at step source: " + cause
		}
		return fmt.Sprintf("at step source, at %s of the packed image: %s", Place(failure.OffsetBytes), cause)
	}
	return fmt.Sprintf("at step %s, at %s: %s", failure.Step, Place(failure.OffsetBytes), cause)
}

// addDamage tells how much differs in how many places, the true size where it shows, and the first places.
func addDamage(p *page, run *logbook.Run, most int) {
	if run.Proof == nil || len(run.Proof.Damage) == 0 {
		return
	}
	var lengthBytes int64
	for _, d := range run.Proof.Damage {
		lengthBytes += d.LengthBytes
	}
	summary := fmt.Sprintf("%s in %s", Size(lengthBytes), count(len(run.Proof.Damage), "place"))
	if run.Proof.TrueSizeBytes != nil {
		summary += fmt.Sprintf("; the card states %s, reads back as if it held %s (%d bytes)",
			Capacity(run.Conditions.CardSizeBytes), Size(*run.Proof.TrueSizeBytes), *run.Proof.TrueSizeBytes)
	}
	p.add("Damage", summary)
	shown := run.Proof.Damage[:min(most, len(run.Proof.Damage))]
	for _, d := range shown {
		p.addUpTo(2, "", damageSentence(d))
	}
	if more := len(run.Proof.Damage) - len(shown); more > 0 {
		p.add("", "and "+count(more, "more place"))
	}
}

// damageSentence gives one place: where, how much, what lies there, and what it holds instead.
func damageSentence(d verify.Damage) string {
	where := fmt.Sprintf("at %s, %s", Place(d.OffsetBytes), Size(d.LengthBytes))
	if d.Partition != "" {
		where += ", " + d.Partition
	}
	return where + ": " + kindInWords(d)
}

// kindInWords says what a damaged place holds instead of the image.
func kindInWords(d verify.Damage) string {
	switch d.Kind {
	case verify.KindZeros:
		return "holds only zeros"
	case verify.KindOnes:
		return "holds only ones"
	case verify.KindDisplaced:
		if d.FromBytes != nil {
			return fmt.Sprintf("holds what belongs at byte %d", *d.FromBytes)
		}
		return "holds another place of the image"
	case verify.KindUnstable:
		return "reads differently each time"
	case verify.KindUnreadable:
		return "cannot be read"
	}
	return "holds something else"
}
