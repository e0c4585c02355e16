package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"strings"

	"cardwright/flash"
	"cardwright/internal/capacity"
	"cardwright/internal/logbook"
)

// A CapacityDocument is the result of one check of a card's size.
type CapacityDocument struct {
	Stamp
	logbook.CapacityCheck
}

// CapacityJSON prints it as one JSON document.
func CapacityJSON(w io.Writer, d CapacityDocument) error {
	d.BadRanges, d.WriteTrace, d.ReadTrace = list(d.BadRanges), list(d.WriteTrace), list(d.ReadTrace)
	d.Findings = list(d.Findings)
	if d.Leftover != nil {
		left := *d.Leftover
		left.PutBack, left.NotWhole, left.Left = list(left.PutBack), list(left.NotWhole), list(left.Left)
		left.Elsewhere, left.InUse, left.Unreadable = list(left.Elsewhere), list(left.InUse), list(left.Unreadable)
		d.Leftover = &left
	}
	d.Write, d.Read = figuresWithLists(d.Write), figuresWithLists(d.Read)
	return WriteJSON(w, d)
}

// figuresWithLists gives a copy of the figures in which no list is null.
func figuresWithLists(figures *flash.Figures) *flash.Figures {
	if figures == nil {
		return nil
	}
	whole := *figures
	whole.Stalls = list(whole.Stalls)
	return &whole
}

// CapacityText prints it for a terminal: the verdict first, then what it rests on, then what to do.
func CapacityText(w io.Writer, d CapacityDocument) error {
	p := &page{}
	p.plain(capacityName(&d) + ": " + capacitySentence(&d))
	if d.ClaimedBytes > 0 {
		p.add("Claimed", exactly(d.ClaimedBytes))
	}
	if d.TrueBytes != nil {
		p.add("True", exactly(*d.TrueBytes))
	}
	if d.Seconds > 0 {
		p.add("Checked", checkedSentence(&d.Result))
	}
	if d.Verdict == capacity.True && d.RandomPlaces > 0 {
		p.add("Chance", missesSentence(d.RandomPlaces))
	}
	addRanges(p, &d.Result)
	addSurface(p, "Write", d.Write, d.WriteTrace)
	addSurface(p, "Read", d.Read, d.ReadTrace)
	addContent(p, &d)
	addFindings(p, sorted(d.Findings), all)
	p.add("Error", errorSentence(d.Error))
	if d.CheckID != 0 {
		p.add("Record", fmt.Sprintf("check %d in the logbook", d.CheckID))
	}
	p.add("Next:", nextAfterCapacity(&d))
	return p.writeTo(w)
}

// capacityName is what the operator calls the card, as cardName does.
func capacityName(d *CapacityDocument) string {
	return cardName(&logbook.Run{Device: d.Device, Label: d.Label})
}

// exactly gives a size to the byte, and as it is printed on cards.
func exactly(sizeBytes int64) string {
	if sizeBytes < 1000 {
		return Capacity(sizeBytes)
	}
	return fmt.Sprintf("%d bytes, %s", sizeBytes, Capacity(sizeBytes))
}

// capacitySentence gives the verdict and what it means.
func capacitySentence(d *CapacityDocument) string {
	switch d.Verdict {
	case capacity.True:
		if d.Mode == capacity.ModeFull {
			return "TRUE - it kept what was written to all of it."
		}
		return "TRUE - nothing speaks against its size at the places that were tried."
	case capacity.Short:
		if d.TrueBytes != nil {
			return fmt.Sprintf("SHORT - it holds %s of the %s that it states.", Size(*d.TrueBytes), Size(d.ClaimedBytes))
		}
		return "SHORT - it holds less than it states."
	case capacity.Unreliable:
		return "UNRELIABLE - it does not keep what is written to it, and no smaller size explains that."
	}
	if d.Error != nil && d.Error.Class == logbook.ClassRefused {
		return "REFUSED - it was not checked."
	}
	return "UNFINISHED - whether it is as large as it states was not found out."
}

// checkedSentence tells what was looked at, and how long that took.
func checkedSentence(r *capacity.Result) string {
	text := "the whole surface"
	switch {
	case r.Verdict == "":
		text = "not to its end,"
	case r.Mode == capacity.ModeQuick:
		text = count(r.RandomPlaces, "random place") + ", chosen ones and the last sector"
	}
	text += " in " + Duration(r.Seconds)
	if r.ResumedAtBytes > 0 {
		text += fmt.Sprintf(", going on after %s of %s to be written and read, where it was interrupted",
			Size(r.ResumedAtBytes), Size(2*r.ClaimedBytes))
	}
	return text
}

// missesSentence tells how likely it is that so many random places all lie in what is there, of cards of which a part is missing.
func missesSentence(places int) string {
	return fmt.Sprintf("that such a check misses what is missing, at places that nobody foresees: of a half of the card %s, of 1/10 %s, "+
		"of 1/100 %s; a missing end shows at the last sector", chance(0.5, places), chance(0.1, places), chance(0.01, places))
}

// chance is the chance to miss what is missing, in words.
func chance(missing float64, places int) string {
	p := math.Pow(1-missing, float64(places))
	switch {
	case p < 1e-6:
		return "less than 1 in a million"
	case p < 0.01:
		return fmt.Sprintf("1 in %.0f", 1/p)
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// mostRangesShown is how many bad ranges a page lists.
const mostRangesShown = 4

// addRanges tells how much is bad in how many ranges, and the first of them.
func addRanges(p *page, r *capacity.Result) {
	if len(r.BadRanges) == 0 {
		return
	}
	var lengthBytes int64
	for _, bad := range r.BadRanges {
		lengthBytes += bad.LengthBytes
	}
	summary := fmt.Sprintf("%s in %s", Size(lengthBytes), count(len(r.BadRanges), "range"))
	if r.RangesLeftOut > 0 {
		summary += fmt.Sprintf(", and %d more that are not listed", r.RangesLeftOut)
	}
	p.add("Bad", summary)
	shown := r.BadRanges[:min(mostRangesShown, len(r.BadRanges))]
	for _, bad := range shown {
		p.add("", fmt.Sprintf("at %s, %s: %s", Place(bad.OffsetBytes), Size(bad.LengthBytes), badInWords(bad)))
	}
	if more := len(r.BadRanges) - len(shown) + r.RangesLeftOut; more > 0 {
		p.add("", "and "+count(more, "more range"))
	}
}

// badInWords says what was read in place of what was written.
func badInWords(bad capacity.Range) string {
	switch bad.Kind {
	case capacity.Wrapped:
		return fmt.Sprintf("holds what was written at byte %d: the addresses wrap round", bad.FromBytes)
	case capacity.Swapped:
		return fmt.Sprintf("holds what was written at byte %d: address lines are crossed", bad.FromBytes)
	case capacity.Dropped:
		return "forgot what was written"
	case capacity.Stale:
		return "still holds what was written earlier"
	case capacity.Unreadable:
		return "cannot be read"
	case capacity.Unwritable:
		return "cannot be written"
	}
	return "holds something else"
}

// addSurface tells a rate over the whole surface, its dips and its course.
func addSurface(p *page, name string, figures *flash.Figures, parts []capacity.Part) {
	if figures == nil || figures.Bytes == 0 {
		return
	}
	p.add(name, strings.Join(nonEmpty(Size(figures.Bytes)+" at "+Rate(figures.SustainedBytesPerSecond), dipsSentence(figures)), "; "))
	p.add("", courseSentence(parts))
}

// courseSentence gives at most ten rates from the card's start to its end.
func courseSentence(parts []capacity.Part) string {
	if len(parts) < 2 {
		return ""
	}
	columns := min(10, len(parts))
	rates := make([]string, columns)
	for i := range columns {
		var seconds, n float64 // of parts of one length
		for _, part := range parts[i*len(parts)/columns : (i+1)*len(parts)/columns] {
			seconds, n = seconds+1/part.BytesPerSecond, n+1
		}
		rates[i] = Megabytes(n / seconds)
	}
	return "MB/s from its start to its end: " + strings.Join(rates, " ")
}

// addContent tells what became of what the card held.
func addContent(p *page, d *CapacityDocument) {
	addLeftover(p, d.Leftover)
	name := "Content"
	if d.Leftover != nil {
		name = ""
	}
	switch {
	case d.Restored != nil && *d.Restored:
		p.add(name, "what the stamps replaced is back on the card")
	case d.Restored != nil:
		p.add(name, "what the stamps replaced is NOT back on the card"+prefixed("; it is kept in ", d.Rescue)+
			", and the next check of this card begins with putting it back")
	case d.Mode == capacity.ModeFull && d.Write != nil && d.Write.Bytes > 0 && d.Verdict == "":
		p.add(name, "what was overwritten so far is gone: there are stamps in its place")
	case d.Mode == capacity.ModeFull && d.Write != nil && d.Write.Bytes > 0:
		p.add(name, "everything on the card is gone: its first and last 1 MiB are zeros, the rest is stamps")
	case d.Mode == capacity.ModeQuick && d.Verdict != "":
		p.add(name, "stamps are left on the card, since what it held was not to be kept")
	}
}

// addLeftover tells what became of what an interrupted check had left behind.
func addLeftover(p *page, left *capacity.Leftover) {
	if left == nil {
		return
	}
	name := "Content"
	add := func(files []string, before, after string) {
		if len(files) > 0 {
			p.add(name, before+strings.Join(files, ", ")+after)
			name = ""
		}
	}
	if len(left.PutBack) > 0 {
		p.add(name, "what an interrupted check had left behind was put back first")
		name = ""
	}
	add(left.NotWhole, "what an interrupted check had left behind could not be put back whole; it stays in ", "")
	add(left.Elsewhere, "kept for a card of this size, perhaps another: ", ". The card holds no stamp of that check, so nothing of it was put back")
	add(left.InUse, "in use by another check: ", ". Nothing of it was put back")
	add(left.Unreadable, "damaged, so that nothing tells which card it was kept of: ", ". Nothing of it was put back: where it was this card, "+
		"stamps may stand where it held something else")
}

// nextAfterCapacity is what to do with the card now.
func nextAfterCapacity(d *CapacityDocument) string {
	command := "\"cardwright capacity " + cmp.Or(d.Device, "DEV") + "\""
	if d.Verdict == capacity.True && d.Restored != nil && !*d.Restored {
		return "Do not use the card yet. Check it again, which puts back first what it held: " + command + "."
	}
	const another = "Try it in another reader first: readers and contacts fail too, and nothing here tells who made the card. "
	switch d.Verdict {
	case capacity.True:
		if d.Restored != nil && !*d.Restored {
			return "Do not use the card yet: seat it again, and " + command + " begins with putting back what it held."
		}
		if d.Mode == capacity.ModeFull {
			return "The card is as large as it states. Flash an image, or make a file system on it."
		}
		return "Use it. To try every sector of it, which erases it, there is --full."
	case capacity.Short:
		if d.TrueBytes != nil {
			return another + fmt.Sprintf("If that says the same, return the card, or use no more than its first %d bytes.", *d.TrueBytes)
		}
		return another + "If that says the same, return the card."
	case capacity.Unreliable:
		return another + "If it does no better there, return the card, or take it out of use."
	}
	return nextWhenSizeUnknown(d, command)
}

// nextWhenSizeUnknown is what to do after a check that came to no verdict.
func nextWhenSizeUnknown(d *CapacityDocument, command string) string {
	if d.Error == nil {
		return "Check it again: " + command + "."
	}
	switch d.Error.Class {
	case logbook.ClassRefused:
		return "The card is as it was. Clear away the reason named above, or name another card."
	case logbook.ClassInterrupted:
		if d.Mode == capacity.ModeFull {
			return "The same command goes on where it stopped."
		}
		return "Check it again when there is time: " + command + "."
	case logbook.ClassProgram:
		return "The card is not to blame. See to what is named above, or name another folder with --folder, then check it again: " + command + "."
	}
	return "Seat the card again and check it once more, then in another reader. If it fails there too, take it out of use."
}
