package report

import (
	"cmp"
	"fmt"
	"io"
	"path"
	"strings"

	"cardwright/flash"
	"cardwright/internal/logbook"
)

// timeLayout is the operator's local time, to the minute.
const timeLayout = "2006-01-02 15:04"

// Records prints runs of the logbook, one line each, in the order given.
func Records(w io.Writer, records []logbook.Record) error {
	p := &page{}
	if len(records) == 0 {
		p.plain("No run is recorded.")
		return p.writeTo(w)
	}
	line := func(run, time, card, image, verdict, pace, rate string) {
		p.lines = append(p.lines, fmt.Sprintf("%5s  ", run)+Padded(time, 17)+Padded(Shortened(Printable(card), 13), 14)+Padded(Shortened(Printable(image), 14), 15)+
			Padded(verdict, 11)+Padded(pace, 12)+rate)
	}
	line("Run", "Started", "Card", "Image", "Verdict", "Pace", "MB/s")
	marked := false
	for i := range records {
		r, verdict := &records[i], string(records[i].Verdict)
		if r.Conditions.SkipFree {
			verdict, marked = verdict+"*", true
		}
		rate := "-"
		if hasRate(&r.Run) {
			rate = Megabytes(r.Write.SustainedBytesPerSecond)
		}
		pace := cmp.Or(string(r.Pace), "-")
		if r.Operation == logbook.OperationCheck {
			pace = "a check"
		}
		line(fmt.Sprint(r.RunID), r.StartedAt.Local().Format(timeLayout), cmp.Or(r.Label, path.Base(r.Device)),
			cmp.Or(r.Image.Name, "-"), verdict, pace, rate)
	}
	if marked {
		p.plain("* free space in the image's file systems was left out")
	}
	return p.writeTo(w)
}

// Record prints one run of the logbook: what was printed after it, then what its figures depend on.
func Record(w io.Writer, record *logbook.Record, trace []flash.Sample) error {
	p := &page{}
	run := &record.Run
	p.plain(fmt.Sprintf("Run %d, %s on card %d, %s", run.RunID, cmp.Or(string(run.Operation), "run"), run.CardID,
		run.StartedAt.Local().Format(timeLayout)))
	addCard(p, run, all)
	addImage(p, record.Image)
	if record.Image.ImageSHA256 != "" {
		p.add("SHA-256", record.Image.ImageSHA256)
	}
	p.add("Trace", traceSentence(trace))
	p.add("Reader", readerSentence(run))
	p.add("Card", conditionsOfCard(run))
	if floor := run.Conditions.FloorBytesPerSecond; floor > 0 {
		p.add("Floor", "at least "+Rate(floor)+" was asked for")
	}
	p.add("Claim", claimSentence(run.Conditions))
	p.add("Bus", busSentence(run.Conditions))
	p.add("Program", programAndKernel(run))
	addNext(p, run)
	return p.writeTo(w)
}

// readerSentence tells through what the card was reached.
func readerSentence(run *logbook.Run) string {
	c := run.Conditions
	parts := nonEmpty(c.ReaderModel, prefixed("at port ", c.PortPath), run.Device)
	if c.LinkSpeed != "" {
		parts = append(parts, "link "+c.LinkSpeed+" Mbit/s")
	}
	if c.CardsAtOnce > 1 {
		parts = append(parts, fmt.Sprintf("%d cards shared the source", c.CardsAtOnce))
	}
	return strings.Join(parts, ", ")
}

// claimSentence tells what the card was held against, and where that is known from.
func claimSentence(c logbook.Conditions) string {
	if c.ClaimBytesPerSecond <= 0 {
		return ""
	}
	from := "by its registers"
	if c.ClaimSource == logbook.ClaimPrinted {
		from = "as is printed on it"
	}
	return fmt.Sprintf("at least %s (%s), %s", Rate(c.ClaimBytesPerSecond), c.Claim, from)
}

// busSentence tells what the card was reached over.
func busSentence(c logbook.Conditions) string {
	if c.BusBytesPerSecond <= 0 {
		return ""
	}
	text := fmt.Sprintf("%s, %s at the most", c.BusMode, Rate(c.BusBytesPerSecond))
	if c.BusWasTheLimit {
		text += "; it may have been the limit"
	}
	return text
}

// conditionsOfCard tells what the card states of itself and what was done to it.
func conditionsOfCard(run *logbook.Run) string {
	c := run.Conditions
	var parts []string
	if c.CardSizeBytes > 0 {
		parts = append(parts, "states "+Capacity(c.CardSizeBytes))
	}
	parts = append(parts, nonEmpty(prefixed("CID ", c.CardRegisterCID))...)
	if c.Discard {
		parts = append(parts, "free space was discarded before writing")
	}
	return strings.Join(parts, ", ")
}

// programAndKernel tells which of them the figures come from.
func programAndKernel(run *logbook.Run) string {
	c := run.Conditions
	return strings.Join(nonEmpty(prefixed("cardwright ", c.ProgramVersion), prefixed("kernel ", c.Kernel)), ", ")
}

// prefixed puts words before a text, where there is one.
func prefixed(words, text string) string {
	if text == "" {
		return ""
	}
	return words + text
}

// nonEmpty gives the texts that say something.
func nonEmpty(texts ...string) (kept []string) {
	for _, text := range texts {
		if text != "" {
			kept = append(kept, text)
		}
	}
	return kept
}

// traceSentence tells how the write rate went, in ten parts of as many blocks each.
func traceSentence(trace []flash.Sample) string {
	if len(trace) == 0 {
		return ""
	}
	parts := min(10, len(trace))
	rates := make([]string, 0, parts)
	for i := range parts {
		var bytes, seconds float64
		for _, sample := range trace[i*len(trace)/parts : (i+1)*len(trace)/parts] {
			bytes += float64(sample.LengthBytes)
			seconds += sample.Busy.Seconds()
		}
		if seconds <= 0 {
			rates = append(rates, "?")
			continue
		}
		rates = append(rates, Megabytes(bytes/seconds))
	}
	return fmt.Sprintf("%s; MB/s from the first to the last: %s", count(len(trace), "block"), strings.Join(rates, " "))
}
