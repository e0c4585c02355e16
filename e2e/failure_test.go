//go:build device

package e2e_test

import (
	"fmt"
	"strings"
	"testing"

	"cardwright/internal/cardlab"
)

// TestFailingCardEndsItsRun has cards fail in the middle of the body. Before the body, both ends were cleared, which the
// card counts too.
func TestFailingCardEndsItsRun(t *testing.T) {
	const failsIn = 11 // the block that is being written
	image := gptImage()
	reached := 2*clearBytes + blockOf(failsIn-1) + mib
	for name, traits := range map[string]cardlab.Traits{
		"takes no more writes": {ReadOnlyAfterBytes: reached},
		"vanishes":             {GoneAfter: cardlab.After{WrittenBytes: reached}},
		"cannot write a place": {Bad: []cardlab.BadRange{{
			Span: cardlab.Span{OffsetBytes: blockOf(failsIn) + mib, LengthBytes: 4096}, Write: true,
		}}},
	} {
		t.Run(name, func(t *testing.T) {
			traits.SizeBytes, traits.Seed = 192*mib, 20
			card := seat(t, traits)
			told := onlyCard(t, decode[flashDocument](t, run(t, 5, flashTo(image.path(t), []*seated{card})...).stdout))
			if told.Verdict != "unfinished" || told.Error == nil || told.Error.Cause == "" {
				t.Fatalf("the card is told as %+v, %+v", told, told.Error)
			}
			if told.Error.Step != "body" || told.Error.Offset != blockOf(failsIn) {
				t.Errorf("the failure is told as %+v, want the body at %d", *told.Error, blockOf(failsIn))
			}
			card.expectNoHead(t)
		})
	}
}

// TestCardThatVanishesWhileItIsProven is a failed card and no damaged one.
func TestCardThatVanishesWhileItIsProven(t *testing.T) {
	image := gptImage()
	card := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 21, GoneAfter: cardlab.After{ReadBytes: 60 * mib}})
	told := onlyCard(t, decode[flashDocument](t, run(t, 5, flashTo(image.path(t), []*seated{card})...).stdout))
	if told.Verdict != "unfinished" || told.Error == nil || told.Error.Step != "proof" {
		t.Errorf("the card is told as %+v, %+v", told, told.Error)
	}
	card.expectNoHead(t)
}

// TestMismatchLeavesNoHead has a digest that does not match: that of a local packed file is known before anything is
// written, that of the decoded image only at its end.
func TestMismatchLeavesNoHead(t *testing.T) {
	image := gptImage()
	wrong := strings.Repeat("0123456789abcdef", 4)
	before := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 22})
	run(t, 4, append(flashTo(image.path(t), []*seated{before}), "--sha256", wrong)...)
	before.expectUntouched(t)

	after := seat(t, cardlab.Traits{SizeBytes: 192 * mib, Seed: 23})
	r := run(t, 4, append(flashTo(image.path(t), []*seated{after}), "--sha256", "image:"+wrong)...)
	document := decode[flashDocument](t, r.stdout)
	told := onlyCard(t, document)
	if document.Image.Expected != "mismatched" || told.Verdict != "unfinished" || told.Error == nil || told.Error.Step != "source" {
		t.Errorf("the mismatch is told as %+v, %+v, %+v", document.Image, told, told.Error)
	}
	after.expectNoHead(t)
	after.expectOutsideKept(t, image.imageBytes)
}

// shown prints damage with what its pointers point at.
func shown(damage []damageDoc) string {
	var text strings.Builder
	for _, d := range damage {
		from := "nowhere"
		if d.From != nil {
			from = fmt.Sprint(*d.From)
		}
		fmt.Fprintf(&text, "\n  %s at %d, %d bytes, from %s, in %q", d.Kind, d.Offset, d.Length, from, d.Partition)
	}
	return text.String()
}
