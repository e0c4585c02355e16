package report

import (
	"cmp"
	"fmt"
	"io"
	"slices"
	"strings"

	"cardwright/flash/source"
	"cardwright/internal/logbook"
	"cardwright/partition"
)

// Text prints a flash or check for a terminal. One card's report fits a screen of 80 columns and 24 lines. Of several
// cards a table comes first, then what is wrong with those that are not intact, then what is worth knowing of the rest.
func Text(w io.Writer, d Document) error {
	if len(d.Cards) == 1 {
		return oneCard(d).writeTo(w)
	}
	return manyCards(d).writeTo(w)
}

// oneCard lists as much of damage, partitions and findings as the screen holds.
func oneCard(d Document) *page {
	for most := 4; ; most-- {
		p := &page{}
		addCard(p, &d.Cards[0], most)
		addImage(p, d.Image)
		p.add("Record", recordsSentence(d.Cards))
		addNext(p, &d.Cards[0])
		if len(p.lines) <= screenLines || most == 1 {
			return p
		}
	}
}

// manyCards puts the worst first.
func manyCards(d Document) *page {
	p := &page{}
	runs := slices.Clone(d.Cards)
	slices.SortStableFunc(runs, func(a, b logbook.Run) int { return cmp.Compare(rank(&a), rank(&b)) })
	p.plain(tally(runs))
	if len(runs) > 0 {
		addImage(p, d.Image)
		p.addUpTo(2, "Record", recordsSentence(d.Cards))
		p.blank()
		p.lines = append(p.lines, overviewLine("Card", "Verdict", "Pace", "To flash", "MB/s"))
		for i := range runs {
			p.lines = append(p.lines, overview(&runs[i]))
		}
	}
	remarkable := 0
	for i := range runs {
		if runs[i].Verdict != logbook.Intact {
			p.blank()
			addCard(p, &runs[i], 3)
			addNext(p, &runs[i])
		} else if remarks := remarksOf(&runs[i]); len(remarks) > 0 {
			p.blank()
			remarkable++
			p.plain(cardName(&runs[i]) + ": " + verdictSentence(&runs[i]))
			for _, remark := range remarks {
				p.addUpTo(2, remark.name, remark.text)
			}
			addNext(p, &runs[i])
		}
	}
	if rest := countIntact(runs) - remarkable; rest > 0 {
		p.blank()
		p.plain(count(rest, "more card") + ": intact, with nothing else to tell; ready to be removed.")
	}
	return p
}

// rank orders cards by how much their operator needs to know of them.
func rank(run *logbook.Run) int {
	order := []logbook.Verdict{logbook.Damaged, logbook.Unfinished, logbook.Refused, logbook.Intact}
	place := slices.Index(order, run.Verdict)
	if run.Verdict == logbook.Intact && len(remarksOf(run)) == 0 {
		return len(order)
	}
	return place
}

func countIntact(runs []logbook.Run) (n int) {
	for i := range runs {
		if runs[i].Verdict == logbook.Intact {
			n++
		}
	}
	return n
}

// tally counts the cards by verdict: "30 cards: 1 damaged, 29 intact.".
func tally(runs []logbook.Run) string {
	if len(runs) == 0 {
		return "No card."
	}
	var parts []string
	for _, verdict := range []logbook.Verdict{logbook.Damaged, logbook.Unfinished, logbook.Refused, logbook.Intact} {
		n := 0
		for i := range runs {
			if runs[i].Verdict == verdict {
				n++
			}
		}
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, verdict))
		}
	}
	return count(len(runs), "card") + ": " + strings.Join(parts, ", ") + "."
}

// overview is a card's line in the table of several.
func overview(run *logbook.Run) string {
	took, sustained := "-", "-"
	if known(run.TimeToFlashSeconds) {
		took = Duration(*run.TimeToFlashSeconds)
	}
	if hasRate(run) {
		sustained = Megabytes(run.Write.SustainedBytesPerSecond)
	}
	return overviewLine(cardName(run), string(run.Verdict), cmp.Or(string(run.Pace), "-"), took, sustained)
}

func overviewLine(name, verdict, pace, took, sustained string) string {
	return Padded(Printable(name), 34) + Padded(verdict, 11) + Padded(pace, 12) + Padded(took, 14) + sustained
}

// recordsSentence tells under which numbers the logbook keeps runs.
func recordsSentence(runs []logbook.Run) string {
	var numbers []int64
	for i := range runs {
		if runs[i].RunID != 0 && !isUnrecorded(&runs[i]) {
			numbers = append(numbers, runs[i].RunID)
		}
	}
	switch len(numbers) {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf("run %d in the logbook", numbers[0])
	}
	slices.Sort(numbers)
	return "runs " + strings.Trim(strings.ReplaceAll(fmt.Sprint(numbers), " ", ", "), "[]") + " in the logbook"
}

// isUnrecorded says whether a run's record was not opened or not closed.
func isUnrecorded(run *logbook.Run) bool {
	return slices.ContainsFunc(run.Findings, func(f partition.Finding) bool { return f.Code == "not-recorded" })
}

// addImage tells which image it was and whether it is what was published.
func addImage(p *page, image source.Facts) {
	if image.Name == "" {
		return
	}
	text := image.Name
	if image.Name == "-" {
		text = "standard input"
	}
	if image.ImageBytes > 0 {
		text += " (" + Size(image.ImageBytes) + ")"
	}
	switch image.Expected {
	case source.Matched:
		text += ": its digest is the published one"
	case source.Mismatched:
		text += ": its digest is NOT the published one: do not use this image"
	case source.Absent:
		text += ": no published digest was found: a proof is against what was read, not what was published"
	}
	p.addUpTo(3, "Image", text)
}
