package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"unicode"

	"cardwright/internal/batch"
	"cardwright/internal/device"
	"cardwright/internal/identity"
	"cardwright/internal/report"
	"cardwright/internal/tally"
	"cardwright/internal/terminal"
)

// A slot is a reader's place as a batch needs it.
type slot struct {
	*device.Bay
	options device.Options
	keep    []kept
}

// Open opens the card that was seen in the place.
func (s slot) Open(ctx context.Context, seat device.Seat) (batch.Opened, error) {
	card, err := s.Bay.Open(ctx, seat, s.options)
	if err != nil {
		return nil, err
	}
	if reasons := holdsAny(card, s.keep); len(reasons) > 0 {
		_ = card.Close() // nothing was written
		return nil, &device.Refusal{Path: seat.Node, Reasons: reasons, Err: device.ErrNotAllowed}
	}
	return card, nil
}

// parseBay takes NAME=DEVICE apart.
func parseBay(text string) (name, path string, err error) {
	name, path, ok := strings.Cut(text, "=")
	odd := strings.IndexFunc(name, func(r rune) bool { return !unicode.IsPrint(r) || unicode.IsSpace(r) }) >= 0
	switch {
	case !ok || name == "" || path == "":
		return "", "", usagef("batch: --bay %q is not NAME=DEVICE", text)
	case odd || len([]rune(name)) > tally.LongestBayName:
		return "", "", usagef("batch: the bay's name %q must be a word of at most %d letters", name, tally.LongestBayName)
	}
	return name, path, nil
}

// bindBays finds the places of the bays that were named. One that may never be a bay, and two that are the same place, refuse all.
func bindBays(texts []string, o device.Options, keep []kept) (bays []batch.Bay, err error) {
	var refusals []error
	names, places := map[string]bool{}, map[string]string{}
	for _, text := range texts {
		name, path, err := parseBay(text)
		if err != nil {
			return nil, err
		}
		if names[name] {
			return nil, usagef("batch: two bays are named %s", name)
		}
		names[name] = true
		place, err := device.BindBay(path, o.Roots)
		if err != nil {
			refusals = append(refusals, err)
			continue
		}
		if other, taken := places[place.Place()]; taken {
			return nil, usagef("batch: the bays %s and %s are the same reader, %s", other, name, place.Place())
		}
		places[place.Place()] = name
		bays = append(bays, batch.Bay{Name: name, Device: path, Slot: slot{place, o, keep}})
	}
	return bays, errors.Join(refusals...)
}

// claimBays keeps other programs' batches out of the bays until the function that it gives is called, also after an error.
func claimBays(bays []batch.Bay) (letGo func(), err error) {
	var claims []*device.Claim
	for _, y := range bays {
		place, ok := y.Slot.(slot)
		if !ok {
			continue
		}
		claim, refused := place.Claim()
		if refused != nil {
			err = errors.Join(err, refused)
			continue
		}
		claims = append(claims, claim)
	}
	return func() {
		for _, claim := range claims {
			_ = claim.Close() // it dies with the program at the latest
		}
	}, err
}

// caution says what will be erased, now and later.
func (b *batching) caution(out io.Writer, bays []batch.Bay) {
	fmt.Fprintf(out, "Every card that is seated in these bays will be erased and replaced by\n%s:\n\n", report.Printable(redacted(b.imageName)))
	for _, y := range bays {
		now := "empty"
		if seat, err := y.Slot.Look(); err != nil {
			now = err.Error()
		} else if seat.Present {
			now = "a card of " + report.Capacity(seat.SizeBytes) + " is seated"
		}
		fmt.Fprintf(out, "  %-*s  %s\n", tally.LongestBayName, report.Printable(y.Name), report.Printable(y.Device+", "+now))
		if place := y.Slot.Place(); place != y.Device {
			fmt.Fprintf(out, "  %-*s  bound to %s\n", tally.LongestBayName, "", report.Printable(place))
		}
	}
	fmt.Fprintln(out)
	if b.rated != (identity.Claims{}) {
		fmt.Fprintf(out, "On every card is printed: %s.\n", b.rated)
	}
	for _, line := range b.own.inWords(b.projectFlags) {
		fmt.Fprintln(out, report.Printable(line))
	}
	held := "A card that holds files, cannot be read, was used since it was flashed, or is\n" +
		"done already is held: it is overwritten only when you type its bay's name, or\n" +
		"take it out and seat it again within " + report.Duration(batch.ReseatWithin.Seconds()) + ".\n"
	if b.overwriteAnything {
		held = "No card is held, whatever is on it: also one that holds photographs, or one that\nis done already.\n"
	}
	fmt.Fprintln(out, held+"Ctrl-C lets the cards at work be finished and begins no more.\n")
}

// askForBays has the operator type the names of all bays. Any other answer is a no.
func askForBays(ctx context.Context, tty terminal.Terminal, bays []batch.Bay) error {
	var names []string
	for _, y := range bays {
		names = append(names, y.Name)
	}
	wanted := strings.Join(names, " ")
	question := fmt.Sprintf("Type %s to begin, anything else to stop: ", wanted)
	return askOnce(ctx, tty, bufio.NewScanner(tty), question, func(answer string) bool {
		return strings.Join(strings.Fields(answer), " ") == wanted
	})
}

// nameOfBatch is a batch's name where the operator gives none: the labels' file's, else the image's.
func nameOfBatch(labels, imageName string) string {
	if labels != "" {
		return strings.TrimSuffix(filepath.Base(labels), filepath.Ext(labels))
	}
	base := filepath.Base(imageName)
	short, _, _ := strings.Cut(base, ".")
	if short == "" {
		return base
	}
	return short
}
